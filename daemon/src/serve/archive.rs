//! A run as one file: its folder as tar, compressed with zstd. Whatever reads it checks every name before it writes anything.
//!
//! The same run gives the same bytes: files in order of name, without times and owners.

use super::directory;
use super::names::is_plain;
use crate::files::{Disk, Files};
use crate::hash::sha256;
use std::collections::BTreeSet;
use std::fmt;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Component, Path, PathBuf};
use tar::{Archive, Builder, EntryType, Header};

/// Compression: a run is raw files that are compressed already, and texts.
const LEVEL: i32 = 6;

/// Name of the list of hashes that an archive carries last; no file of a run.
const HASHES: &str = "hashes.sha256";

/// Largest file of a run that is taken in, bytes.
const LARGEST: u64 = 4 << 30;

/// Most files of a run that are taken in.
const MOST: usize = 1_000_000;

/// Why an archive can't be made or taken in.
#[derive(Debug)]
pub enum ArchiveError {
    /// The disk.
    Disk(PathBuf, io::Error),
    /// What it holds is no run, or not whole.
    Content(String),
    /// A run of this name is there already.
    There(PathBuf),
}

impl fmt::Display for ArchiveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Disk(path, error) => write!(f, "{}: {error}", path.display()),
            Self::Content(what) => f.write_str(what),
            Self::There(path) => {
                write!(f, "{} is there already; nothing that was recorded is overwritten", path.display())
            }
        }
    }
}

impl std::error::Error for ArchiveError {}

fn disk(path: &Path) -> impl FnOnce(io::Error) -> ArchiveError {
    let path = path.to_owned();
    |error| ArchiveError::Disk(path, error)
}

/// Writes a run's folder into one file; whole or not at all.
///
/// # Errors
/// See [`ArchiveError`]; a folder that is no run is refused.
pub fn export(folder: &Path, out: &Path) -> Result<(), ArchiveError> {
    let run = directory::indexed(folder).map_err(ArchiveError::Content)?.run;
    if !is_plain(&run) {
        return Err(ArchiveError::Content(format!("'{run}' can't be the name of a folder")));
    }
    if out.exists() {
        return Err(ArchiveError::There(out.to_owned()));
    }
    let part = out.with_extension("part");
    let written = (|| {
        let file = File::create(&part)?;
        let mut builder = Builder::new(zstd::Encoder::new(file, LEVEL)?);
        for (name, path) in files(folder)? {
            let mut content = File::open(&path)?;
            let mut header = Header::new_gnu();
            header.set_entry_type(EntryType::Regular);
            header.set_size(content.metadata()?.len());
            header.set_mode(0o644);
            header.set_mtime(0);
            builder.append_data(&mut header, format!("{run}/{name}"), &mut content)?;
        }
        let list = listed(folder)?;
        let mut header = Header::new_gnu();
        header.set_entry_type(EntryType::Regular);
        header.set_size(list.len() as u64);
        header.set_mode(0o644);
        header.set_mtime(0);
        builder.append_data(&mut header, format!("{run}/{HASHES}"), list.as_bytes())?;
        let mut file = builder.into_inner()?.finish()?;
        file.flush()?;
        file.sync_all()?;
        fs::rename(&part, out)
    })();
    written.map_err(|error| {
        // What is left of it says nothing; the error that matters is the first one.
        let _ = fs::remove_file(&part);
        ArchiveError::Disk(out.to_owned(), error)
    })
}

/// SHA-256 of every file of a folder: a line each, the hash, two spaces, the name.
fn listed(folder: &Path) -> io::Result<String> {
    let mut list = String::new();
    for (name, path) in files(folder)? {
        list.push_str(&format!("{}  {name}\n", sha256(&fs::read(path)?)));
    }
    Ok(list)
}

/// Compares what was unpacked with the list that came with it, and takes the list away; an archive without one is older than
/// these lists.
fn held_against_its_list(folder: &Path) -> Result<(), ArchiveError> {
    let place = folder.join(HASHES);
    let list = match fs::read_to_string(&place) {
        Ok(list) => list,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(ArchiveError::Content(format!("{HASHES}: {error}"))),
    };
    fs::remove_file(&place).map_err(disk(&place))?;
    let is = listed(folder).map_err(disk(folder))?;
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<BTreeSet<_>>();
    let (was, is) = (lines(&list), lines(&is));
    let name = |line: &String| line.split_once("  ").map_or(line.clone(), |(_, name)| name.to_owned());
    let other: BTreeSet<String> = was.symmetric_difference(&is).map(name).collect();
    if other.is_empty() {
        return Ok(());
    }
    let other: Vec<String> = other.into_iter().collect();
    Err(ArchiveError::Content(format!("not as the archive's list of hashes has it: {}", other.join(", "))))
}

/// Every file of a folder, by its name relative to it, in order.
///
/// # Errors
/// Of the disk; what is neither file nor folder is refused.
pub(super) fn files(folder: &Path) -> io::Result<Vec<(String, PathBuf)>> {
    let mut found = Vec::new();
    let mut folders = vec![(String::new(), folder.to_owned())];
    while let Some((prefix, folder)) = folders.pop() {
        for entry in fs::read_dir(&folder)? {
            let entry = entry?;
            let name =
                entry.file_name().into_string().map_err(|_| io::Error::other("a name that is no UTF-8"))?;
            let name = format!("{prefix}{name}");
            let kind = entry.file_type()?;
            if kind.is_dir() {
                folders.push((format!("{name}/"), entry.path()));
            } else if kind.is_file() {
                found.push((name, entry.path()));
            } else {
                return Err(io::Error::other(format!("{name} is neither file nor folder")));
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Takes a run out of an archive into a folder of runs; whole or not at all. Returns its folder.
///
/// # Errors
/// See [`ArchiveError`].
pub fn import(archive: &Path, runs: &Path) -> Result<PathBuf, ArchiveError> {
    let part = Part::new(runs)?;
    let run = unpack(archive, part.path())?;
    let (unpacked, place) = (part.path().join(&run), runs.join(&run));
    let indexed = directory::indexed(&unpacked).map_err(ArchiveError::Content)?;
    if indexed.run != run {
        return Err(ArchiveError::Content(format!("folder '{run}' holds run '{}'", indexed.run)));
    }
    if place.exists() {
        return Err(ArchiveError::There(place));
    }
    fs::rename(&unpacked, &place).map_err(disk(&place))?;
    File::open(runs).and_then(|f| f.sync_all()).map_err(disk(runs))?;
    Ok(place)
}

/// A folder that goes away with what is left in it.
#[derive(Debug)]
pub struct Part(PathBuf);

impl Part {
    /// A new one within a folder that is there.
    ///
    /// # Errors
    /// Of the disk.
    pub fn new(within: &Path) -> Result<Self, ArchiveError> {
        let mut random = [0u8; 8];
        getrandom::fill(&mut random).map_err(|e| ArchiveError::Content(e.to_string()))?;
        let path = within.join(format!(".part-{:016x}", u64::from_le_bytes(random)));
        fs::create_dir(&path).map_err(disk(&path))?;
        Ok(Self(path))
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Unpacks an archive into a folder; the name of the one folder in it.
///
/// # Errors
/// See [`ArchiveError`].
pub fn unpack(archive: &Path, into: &Path) -> Result<String, ArchiveError> {
    let file = File::open(archive).map_err(disk(archive))?;
    let bad = |what: String| ArchiveError::Content(format!("{}: {what}", archive.display()));
    let decoder = zstd::Decoder::new(file).map_err(|e| bad(format!("it is no archive of a run: {e}")))?;
    let mut archive = Archive::new(decoder);
    let mut only: Option<String> = None;
    let entries = archive.entries().map_err(|e| bad(e.to_string()))?;
    for (count, entry) in entries.enumerate() {
        let entry = entry.map_err(|e| bad(format!("it is torn, or no archive of a run: {e}")))?;
        let name = entry.path().map_err(|e| bad(e.to_string()))?.into_owned();
        let parts: Option<Vec<&str>> = name
            .components()
            .map(|part| match part {
                Component::Normal(part) => part.to_str().filter(|part| is_plain(part)),
                _ => None,
            })
            .collect();
        let size = entry.size();
        let (Some(parts), true) = (parts, entry.header().entry_type().is_file()) else {
            return Err(bad(format!("'{}' is not what a run holds", name.display())));
        };
        let (Some((run, inner)), true, true) = (parts.split_first(), size <= LARGEST, count < MOST) else {
            return Err(bad(format!("'{}' is larger than any run's", name.display())));
        };
        if inner.is_empty() || only.get_or_insert_with(|| (*run).to_owned()) != run {
            return Err(bad("it holds more than one run".to_owned()));
        }
        let path = into.join(&name);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(disk(folder))?;
        }
        let mut out = File::create_new(&path).map_err(disk(&path))?;
        let copied =
            io::copy(&mut entry.take(size), &mut out).map_err(|e| bad(format!("it is torn: {e}")))?;
        if copied != size {
            return Err(bad("it is torn".to_owned()));
        }
        out.sync_all().map_err(disk(&path))?;
    }
    let run = only.ok_or_else(|| bad("it is empty".to_owned()))?;
    held_against_its_list(&into.join(&run))?;
    Ok(run)
}

/// Copies a run's folder: its journal first, so that whatever the copy of the journal names is there, though the run goes on.
///
/// # Errors
/// See [`ArchiveError`].
pub fn copy(from: &Path, to: &Path) -> Result<(), ArchiveError> {
    let journal = Path::new("journal.jsonl");
    let mut all = files(from).map_err(disk(from))?;
    all.sort_by_key(|(name, _)| Path::new(name) != journal);
    for (name, path) in all {
        let place = to.join(&name);
        if let Some(folder) = place.parent() {
            fs::create_dir_all(folder).map_err(disk(folder))?;
        }
        let bytes = fs::read(&path).map_err(disk(&path))?;
        Disk.write(&place, &bytes).map_err(disk(&place))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_differs_from_the_list_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
        write("a", "a");
        write("certificate-S.pdf", "draft");
        let list = listed(dir.path()).unwrap();
        let against = |list: &str| {
            write(HASHES, list);
            held_against_its_list(dir.path())
        };
        against(&list).unwrap();
        assert!(!dir.path().join(HASHES).exists(), "the list is no file of the run");
        held_against_its_list(dir.path()).unwrap();
        write("certificate-S.pdf", "draff");
        assert!(against(&list).unwrap_err().to_string().ends_with(": certificate-S.pdf"));
        write("certificate-S.pdf", "draft");
        write("b", "added");
        fs::remove_file(dir.path().join("a")).unwrap();
        assert!(against(&list).unwrap_err().to_string().ends_with(": a, b"));
    }
}
