//! Tokens: long random words by which people and programs say who they are.
//!
//! Owns their file. Only the SHA-256 of a token is kept, and the file is for the daemon's user alone: one that others can read
//! is refused. Whoever holds a token is the person it was made for; it is shown once, when it is made.

use crate::files::{Disk, Files};
use crate::hash::sha256;
use crate::record::UtcTime;
use crate::serve::words::Role;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;
use std::fs;
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// With this every token begins, so that one that got lost is known for what it is.
const MARK: &str = "calwright_";

/// Most bytes of the file: thousands of tokens.
const BYTES_MAX: u64 = 1 << 20;

/// Why the file of tokens can't be used.
#[derive(Debug)]
pub enum TokenError {
    /// It can't be read or written.
    File(PathBuf, io::Error),
    /// Others than its owner can read or change it, or it is another user's.
    Open(PathBuf, String),
    /// It is not what it should be.
    Form(PathBuf, String),
    /// What was asked for can't be.
    Asked(String),
}

impl fmt::Display for TokenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(path, error) => write!(f, "{}: {error}", path.display()),
            Self::Open(path, why) => write!(f, "{}: {why}", path.display()),
            Self::Form(path, why) => write!(f, "{}: this is no file of tokens: {why}", path.display()),
            Self::Asked(why) => f.write_str(why),
        }
    }
}

impl std::error::Error for TokenError {}

/// A token as the file keeps it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Token {
    /// Whose it is: the name that goes into the records.
    pub name: String,
    /// What this person may do.
    pub roles: BTreeSet<Role>,
    /// SHA-256 of the token, 64 hexadecimal digits.
    pub sha256: String,
    /// When it was made.
    pub made: UtcTime,
}

#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    format: u32,
    #[serde(default)]
    token: Vec<Token>,
}

/// What the file was when it was read last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamp {
    inode: u64,
    size: u64,
    changed: (i64, i64),
    mode: u32,
}

/// The file of tokens, read again whenever it changes.
#[derive(Debug)]
pub struct Tokens {
    path: PathBuf,
    read: Mutex<(Option<Stamp>, Arc<Vec<Token>>)>,
}

impl Tokens {
    /// Opens the file; one that does not exist holds no token.
    ///
    /// # Errors
    /// See [`TokenError`]; a file that others can read is refused.
    pub fn open(path: &Path) -> Result<Self, TokenError> {
        let read = read(path)?;
        Ok(Self { path: path.to_owned(), read: Mutex::new(read) })
    }

    /// Whose this is.
    #[must_use]
    pub fn whose(&self, token: &str) -> Option<Token> {
        let hash = sha256(token.as_bytes());
        self.all().iter().find(|t| t.sha256 == hash).cloned()
    }

    /// The token with this hash, where it still is one.
    #[must_use]
    pub fn with_hash(&self, hash: &str) -> Option<Token> {
        self.all().iter().find(|t| t.sha256 == hash).cloned()
    }

    /// Whether there is none at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.all().is_empty()
    }

    /// Every token. Where the file was changed and can't be used any more, there is none until it can.
    fn all(&self) -> Arc<Vec<Token>> {
        let mut held = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        let now = stamp(&self.path).unwrap_or(None);
        if now != held.0 {
            *held = read(&self.path).unwrap_or_else(|error| {
                tracing::error!(%error, "nobody can come in by a token");
                (now, Arc::default())
            });
        }
        held.1.clone()
    }
}

fn stamp(path: &Path) -> io::Result<Option<Stamp>> {
    match fs::metadata(path) {
        Ok(m) => Ok(Some(Stamp {
            inode: m.ino(),
            size: m.size(),
            changed: (m.mtime(), m.mtime_nsec()),
            mode: m.mode(),
        })),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

fn read(path: &Path) -> Result<(Option<Stamp>, Arc<Vec<Token>>), TokenError> {
    let of_file = |error| TokenError::File(path.to_owned(), error);
    let Some(stamp) = stamp(path).map_err(of_file)? else {
        return Ok((None, Arc::default()));
    };
    private(path)?;
    if stamp.size > BYTES_MAX {
        return Err(TokenError::Form(path.to_owned(), format!("it has {} bytes", stamp.size)));
    }
    let text = fs::read_to_string(path).map_err(of_file)?;
    let of_form = |why: String| TokenError::Form(path.to_owned(), why);
    let written: Written = toml::from_str(&text).map_err(|e| of_form(e.to_string()))?;
    if written.format != 1 {
        return Err(of_form(format!("format = {} is not known here; this program writes 1", written.format)));
    }
    let odd = |t: &&Token| t.sha256.len() != 64 || !t.sha256.bytes().all(|b| b.is_ascii_hexdigit());
    if let Some(token) = written.token.iter().find(odd) {
        return Err(of_form(format!("the sha256 of '{}' has to be 64 hexadecimal digits", token.name)));
    }
    Ok((Some(stamp), Arc::new(written.token)))
}

/// Whether a file with secrets is for its owner alone, who has to be this user or root.
///
/// # Errors
/// What is wrong, and what to do.
pub fn private(path: &Path) -> Result<(), TokenError> {
    let found = fs::metadata(path).map_err(|error| TokenError::File(path.to_owned(), error))?;
    if found.mode() & 0o077 != 0 {
        let why = format!(
            "others than its owner can use this file (mode {:04o}); whoever read it may have its secrets: 'chmod 600' it, \
             and make them anew",
            found.mode() & 0o7777
        );
        return Err(TokenError::Open(path.to_owned(), why));
    }
    let own = rustix::process::geteuid().as_raw();
    if found.uid() != own && found.uid() != 0 {
        let why = format!("it belongs to user {}, not to this program's user {own}", found.uid());
        return Err(TokenError::Open(path.to_owned(), why));
    }
    Ok(())
}

/// A new random word of 256 bits, hexadecimal.
///
/// # Errors
/// Where the operating system gives no randomness.
pub(super) fn random_word() -> io::Result<String> {
    let mut bytes = [0_u8; 32];
    getrandom::fill(&mut bytes).map_err(io::Error::other)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Makes a token, and returns it: it is shown this once. A name may have several.
///
/// # Errors
/// See [`TokenError`]; then the file is as it was.
pub fn add(path: &Path, name: &str, roles: BTreeSet<Role>, made: UtcTime) -> Result<String, TokenError> {
    let name = name.trim();
    if name.is_empty() || name.chars().any(char::is_control) {
        return Err(TokenError::Asked("a token needs the name of a person; it goes into the records".into()));
    }
    if roles.is_empty() {
        return Err(TokenError::Asked("a token needs a role, such as --role operator".into()));
    }
    let (_, held) = read(path)?;
    let of_file = |error| TokenError::File(path.to_owned(), error);
    let token = format!("{MARK}{}", random_word().map_err(of_file)?);
    let mut tokens = held.as_ref().clone();
    tokens.push(Token { name: name.to_owned(), roles, sha256: sha256(token.as_bytes()), made });
    write(path, tokens)?;
    Ok(token)
}

/// Takes every token of a name away; how many there were.
///
/// # Errors
/// See [`TokenError`]; then the file is as it was.
pub fn remove(path: &Path, name: &str) -> Result<usize, TokenError> {
    let (_, held) = read(path)?;
    let kept: Vec<Token> = held.iter().filter(|t| t.name != name).cloned().collect();
    let gone = held.len() - kept.len();
    if gone > 0 {
        write(path, kept)?;
    }
    Ok(gone)
}

/// Every token that the file holds.
///
/// # Errors
/// See [`TokenError`].
pub fn list(path: &Path) -> Result<Vec<Token>, TokenError> {
    Ok(read(path)?.1.as_ref().clone())
}

fn write(path: &Path, token: Vec<Token>) -> Result<(), TokenError> {
    let of_file = |error| TokenError::File(path.to_owned(), error);
    let text = toml::to_string(&Written { format: 1, token })
        .map_err(|e| TokenError::Form(path.to_owned(), e.to_string()))?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    Disk.create_dir(folder).map_err(of_file)?;
    // Beside it with the right mode from the start, then in its place: nobody ever sees half a file, or an open one.
    let beside = path.with_extension("new");
    let _ = fs::remove_file(&beside);
    let written = || -> io::Result<()> {
        let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&beside)?;
        io::Write::write_all(&mut file, text.as_bytes())?;
        file.sync_all()?;
        fs::rename(&beside, path)?;
        fs::File::open(folder)?.sync_all()
    };
    written().map_err(of_file)
}
