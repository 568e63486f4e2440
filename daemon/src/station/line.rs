//! The line by which another process of this machine reaches a run: a socket beside the rig's latch.
//!
//! Owns the socket and the few words spoken over it: `stop` is asked, `stopping` and then how the run ended are answered;
//! `confirm NAME` is said by a person who did what the run asked for, `told` is answered.
//! Only the user who runs the station gets through: the socket lies in a folder of mode 0700 and has mode 0600 itself.
//! Must not: touch an instrument; it tells the run as a person at the terminal would.

use std::fs;
use std::io::{self, BufRead, BufReader, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// A request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Word {
    /// Make safe at once.
    Stop,
    /// A person of this name did what the run asked for.
    Confirm(String),
}

/// Begins a confirmation; the name follows.
const CONFIRM: &str = "confirm ";

/// The answer to it.
const TOLD: &str = "told";

/// Longest request in bytes.
const REQUEST_MAX: u64 = 512;

/// The request to stop.
const STOP: &str = "stop";

/// With these words begins the answer of a run whose rig could not be made safe.
pub const NOT_SAFE: &str = "NOT SAFE";

/// The answer at once.
const STOPPING: &str = "stopping";

/// Longest path that a socket can have everywhere.
const PATH_MAX: usize = 100;

/// Longest wait for a peer's words: it is a program of ours and answers at once.
const PATIENCE: Duration = Duration::from_secs(2);

/// A run can be reached by it.
pub(super) struct Line {
    socket: PathBuf,
    waiting: Arc<Mutex<Vec<UnixStream>>>,
    closed: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Line {
    /// Opens the line in a rig's folder; `on_word` is called for each request.
    ///
    /// # Errors
    /// Of the operating system.
    pub(super) fn open(directory: &Path, on_word: impl Fn(Word) + Send + 'static) -> io::Result<Self> {
        let socket = socket(directory);
        let folder = directory.join("line");
        match fs::DirBuilder::new().mode(0o700).create(&folder) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
            _ => fs::set_permissions(&folder, fs::Permissions::from_mode(0o700))?,
        }
        // Left behind by a run that was killed; the rig's lock says that nobody listens.
        match fs::remove_file(&socket) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let listener = reach(&socket, |path| UnixListener::bind(path))?;
        fs::set_permissions(&socket, fs::Permissions::from_mode(0o600))?;
        let waiting: Arc<Mutex<Vec<UnixStream>>> = Arc::default();
        let closed = Arc::new(AtomicBool::new(false));
        let (kept, over) = (waiting.clone(), closed.clone());
        let thread = thread::spawn(move || {
            for peer in listener.incoming() {
                if over.load(Ordering::SeqCst) {
                    return;
                }
                match peer.and_then(|peer| answer(peer, &on_word)) {
                    Ok(peer) => kept.lock().unwrap_or_else(PoisonError::into_inner).extend(peer),
                    Err(error) => tracing::warn!(%error, "somebody called and was not understood"),
                }
            }
        });
        Ok(Self { socket, waiting, closed, thread: Some(thread) })
    }

    /// Closes the line and tells those who wait how the run ended.
    pub(super) fn close(mut self, how: &str) {
        self.shut();
        for mut peer in self.waiting.lock().unwrap_or_else(PoisonError::into_inner).drain(..) {
            // One that went away needs no answer.
            let _ = writeln!(peer, "{how}");
        }
    }

    fn shut(&mut self) {
        let Some(thread) = self.thread.take() else { return };
        self.closed.store(true, Ordering::SeqCst);
        // Wakes the listener; if nobody listens any more, there is nobody to wake.
        if reach(&self.socket, |path| UnixStream::connect(path)).is_ok() {
            let _ = thread.join();
        }
        let _ = fs::remove_file(&self.socket);
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.shut();
    }
}

/// Hears one request; the peer, if it waits for the end.
fn answer(mut peer: UnixStream, on_word: &impl Fn(Word)) -> io::Result<Option<UnixStream>> {
    peer.set_read_timeout(Some(PATIENCE))?;
    peer.set_write_timeout(Some(PATIENCE))?;
    let mut said = String::new();
    BufReader::new(io::Read::take(&peer, REQUEST_MAX)).read_line(&mut said)?;
    let said = said.trim_end();
    if let Some(name) = said.strip_prefix(CONFIRM).map(str::trim).filter(|name| !name.is_empty()) {
        on_word(Word::Confirm(name.to_owned()));
        writeln!(peer, "{TOLD}")?;
        return Ok(None);
    }
    if said != STOP {
        writeln!(peer, "unknown")?;
        return Ok(None);
    }
    on_word(Word::Stop);
    writeln!(peer, "{STOPPING}")?;
    Ok(Some(peer))
}

fn socket(directory: &Path) -> PathBuf {
    directory.join("line").join("stop")
}

/// Does something with a socket's path, by way of its folder where the path is longer than a socket's can be.
fn reach<T>(socket: &Path, with: impl FnOnce(&Path) -> io::Result<T>) -> io::Result<T> {
    let (Some(folder), Some(name)) = (socket.parent(), socket.file_name()) else {
        return Err(io::Error::other("a socket needs a folder and a name"));
    };
    if socket.as_os_str().len() < PATH_MAX {
        return with(socket);
    }
    let folder = fs::File::open(folder)?;
    with(&Path::new("/proc/self/fd").join(folder.as_raw_fd().to_string()).join(name))
}

/// The line to the run on a rig, whose words are waited for so long; `None` where no run goes on.
fn called(directory: &Path, patience: Duration) -> io::Result<Option<UnixStream>> {
    let line = match reach(&socket(directory), |path| UnixStream::connect(path)) {
        Ok(line) => line,
        Err(error) if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused) => {
            return Ok(None);
        }
        Err(error) => return Err(error),
    };
    line.set_write_timeout(Some(PATIENCE))?;
    line.set_read_timeout(Some(patience))?;
    Ok(Some(line))
}

/// Tells the run on a rig that a person of this name did what it asked for; false where no run goes on.
///
/// # Errors
/// Where a run may go on but can't be told, or does not understand.
pub fn confirm(directory: &Path, name: &str) -> io::Result<bool> {
    let Some(mut line) = called(directory, PATIENCE)? else { return Ok(false) };
    writeln!(line, "{CONFIRM}{name}")?;
    match BufReader::new(line).lines().next() {
        Some(Ok(said)) if said == TOLD => Ok(true),
        Some(Ok(said)) => Err(io::Error::other(format!("the run answered '{said}'"))),
        Some(Err(error)) => Err(error),
        None => Err(io::Error::other("the run went away")),
    }
}

/// What became of a request to stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stopped {
    /// No run goes on.
    Nobody,
    /// The run was told and has ended; how, in its own words.
    Ended(String),
    /// The run was told, but did not say within the time that it has ended.
    Unanswered,
}

/// Tells the run on a rig to make safe at once, and waits for its end.
///
/// # Errors
/// Where a run may go on but can't be told: the caller must say so loudly.
pub fn stop(directory: &Path, patience: Duration) -> io::Result<Stopped> {
    let Some(mut line) = called(directory, patience)? else { return Ok(Stopped::Nobody) };
    writeln!(line, "{STOP}")?;
    let mut heard = BufReader::new(line).lines();
    match heard.next() {
        Some(Ok(said)) if said == STOPPING => {}
        Some(Ok(said)) => return Err(io::Error::other(format!("the run answered '{said}'"))),
        Some(Err(error)) => return Err(error),
        None => return Err(io::Error::other("the run went away")),
    }
    match heard.next() {
        Some(Ok(how)) => Ok(Stopped::Ended(how)),
        Some(Err(_)) | None => Ok(Stopped::Unanswered),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;

    #[test]
    fn stop_reaches_the_run_and_hears_how_it_ended() {
        let short = tempfile::tempdir().unwrap();
        let long = short
            .path()
            .join("a-folder-with-a-name-so-long-that-no-socket-could-have-it-in-its-path-ever-so".repeat(2));
        fs::create_dir_all(&long).unwrap();
        for directory in [short.path(), &long] {
            let told = Arc::new(AtomicUsize::new(0));
            let count = told.clone();
            let line = Line::open(directory, move |_| {
                count.fetch_add(1, Ordering::SeqCst);
            })
            .unwrap();
            let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
            assert_eq!((mode(&socket(directory)), mode(&directory.join("line"))), (0o600, 0o700));
            let asked = directory.to_owned();
            let caller = thread::spawn(move || stop(&asked, Duration::from_secs(20)).unwrap());
            while told.load(Ordering::SeqCst) == 0 {
                thread::yield_now();
            }
            line.close("everything is at rest");
            assert_eq!(caller.join().unwrap(), Stopped::Ended("everything is at rest".into()));
            assert_eq!(stop(directory, Duration::from_secs(1)).unwrap(), Stopped::Nobody);
        }
    }

    #[test]
    fn what_a_killed_run_left_behind_is_nobody_and_in_nobodys_way() {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir_all(dir.path().join("line")).unwrap();
        drop(UnixListener::bind(socket(dir.path())).unwrap());
        assert_eq!(stop(dir.path(), Duration::from_secs(1)).unwrap(), Stopped::Nobody);
        Line::open(dir.path(), |_| ()).unwrap().close("");
    }

    #[test]
    fn a_confirmation_brings_its_name() {
        let dir = tempfile::tempdir().unwrap();
        assert!(!confirm(dir.path(), "A. Person").unwrap());
        let heard: Arc<Mutex<Vec<Word>>> = Arc::default();
        let kept = heard.clone();
        let line = Line::open(dir.path(), move |word| kept.lock().unwrap().push(word)).unwrap();
        assert!(confirm(dir.path(), "A. Person").unwrap());
        assert_eq!(*heard.lock().unwrap(), [Word::Confirm("A. Person".to_owned())]);
        line.close("");
    }

    #[test]
    fn other_words_do_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let line = Line::open(dir.path(), |_| panic!("nobody said a word")).unwrap();
        assert!(confirm(dir.path(), "  ").is_err(), "nobody has no name");
        let mut peer = UnixStream::connect(socket(dir.path())).unwrap();
        writeln!(peer, "go").unwrap();
        let mut said = String::new();
        BufReader::new(peer).read_line(&mut said).unwrap();
        assert_eq!(said, "unknown\n");
        line.close("");
    }
}
