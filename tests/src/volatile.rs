//! A file system in memory that forgets: at a power cut it may lose, tear or keep whatever was not synced.
//!
//! Owns: the model. Bytes of a file are safe once it was synced, names in a directory once the directory was; nothing else is
//! promised, as POSIX has it. Each call is noted, so that the power can be cut after any of them.

use calwright::files::Volume;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// One call that changed something.
#[derive(Debug, Clone)]
enum Call {
    Create(PathBuf, Arc<[u8]>),
    Extend(PathBuf, Arc<[u8]>),
    Sync(PathBuf),
    Rename(PathBuf, PathBuf),
    Remove(PathBuf),
    MakeDirectory(PathBuf),
    SyncDirectory(PathBuf),
}

/// What becomes of what was not synced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// All of it is lost.
    Lost,
    /// All of it had reached the disk.
    Kept,
    /// Names had, bytes had not: files that are empty or as they were.
    Names,
    /// Bytes had, names had not.
    Bytes,
    /// Names had, and half of the bytes.
    Torn,
    /// Every second name had, and all bytes.
    EverySecond,
}

impl Cut {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Lost, Self::Kept, Self::Names, Self::Bytes, Self::Torn, Self::EverySecond];
}

/// What a name stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Node {
    Directory,
    File(usize),
}

#[derive(Debug, Clone, Default)]
struct File {
    synced: Vec<u8>,
    now: Vec<u8>,
}

#[derive(Debug, Clone, Default)]
struct State {
    files: Vec<File>,
    synced: BTreeMap<PathBuf, Node>,
    now: BTreeMap<PathBuf, Node>,
}

impl State {
    fn apply(&mut self, call: &Call) -> io::Result<()> {
        match call {
            Call::Create(path, bytes) => match self.file(path) {
                Some(file) => file.now = bytes.to_vec(),
                None => self.add(path, bytes),
            },
            Call::Extend(path, bytes) => match self.file(path) {
                Some(file) => file.now.extend_from_slice(bytes),
                None => self.add(path, bytes),
            },
            Call::Sync(path) => {
                let file = self.file(path).ok_or(io::ErrorKind::NotFound)?;
                file.synced.clone_from(&file.now);
            }
            Call::Rename(from, to) => {
                let node = self.now.remove(from).ok_or(io::ErrorKind::NotFound)?;
                self.now.insert(to.clone(), node);
            }
            Call::Remove(path) => {
                self.now.remove(path).ok_or(io::ErrorKind::NotFound)?;
            }
            Call::MakeDirectory(path) => {
                if self.now.insert(path.clone(), Node::Directory).is_some() {
                    return Err(io::ErrorKind::AlreadyExists.into());
                }
            }
            Call::SyncDirectory(path) => {
                let within = |name: &PathBuf| name.parent() == Some(path);
                self.synced.retain(|name, _| !within(name));
                self.synced
                    .extend(self.now.iter().filter(|(n, _)| within(n)).map(|(n, node)| (n.clone(), *node)));
            }
        }
        Ok(())
    }

    fn file(&mut self, path: &Path) -> Option<&mut File> {
        match self.now.get(path) {
            Some(Node::File(index)) => self.files.get_mut(*index),
            _ => None,
        }
    }

    fn add(&mut self, path: &Path, bytes: &[u8]) {
        self.now.insert(path.to_owned(), Node::File(self.files.len()));
        self.files.push(File { synced: Vec::new(), now: bytes.to_vec() });
    }

    /// What is found when the power is back.
    fn after(&self, cut: Cut) -> State {
        let names = match cut {
            Cut::Lost | Cut::Bytes => self.synced.clone(),
            Cut::Kept | Cut::Names | Cut::Torn => self.now.clone(),
            Cut::EverySecond => {
                let mut names = self.synced.clone();
                let fresh = self.now.iter().filter(|(n, node)| self.synced.get(*n) != Some(node));
                names.extend(fresh.step_by(2).map(|(n, node)| (n.clone(), *node)));
                names
            }
        };
        let bytes = |file: &File| match cut {
            Cut::Lost | Cut::Names => file.synced.clone(),
            Cut::Kept | Cut::Bytes | Cut::EverySecond => file.now.clone(),
            Cut::Torn => {
                let grown = file.now.len().saturating_sub(file.synced.len());
                let whole = if file.now.starts_with(&file.synced) { file.synced.len() } else { 0 };
                file.now.iter().take(whole + grown / 2).copied().collect()
            }
        };
        let files = self.files.iter().map(|f| File { synced: bytes(f), now: bytes(f) }).collect();
        // What lies in a directory whose own name is lost is lost with it.
        let reached = |path: &Path| {
            path.ancestors()
                .skip(1)
                .all(|p| p.parent().is_none() || p.as_os_str().is_empty() || names.contains_key(p))
        };
        let names: BTreeMap<_, _> =
            names.iter().filter(|(n, _)| reached(n)).map(|(n, node)| (n.clone(), *node)).collect();
        State { files, synced: names.clone(), now: names }
    }
}

#[derive(Debug, Default)]
struct Inner {
    state: State,
    calls: Vec<Call>,
}

/// The file system. Clones are the same one.
#[derive(Debug, Clone, Default)]
pub struct Volatile(Arc<Mutex<Inner>>);

impl Volatile {
    /// An empty one in which a directory is there and safe, with all above it.
    #[must_use]
    pub fn with_directory(path: &Path) -> Self {
        let mut state = State::default();
        for directory in path.ancestors().filter(|p| p.parent().is_some()) {
            state.now.insert(directory.to_owned(), Node::Directory);
        }
        state.synced = state.now.clone();
        Self(Arc::new(Mutex::new(Inner { state, calls: Vec::new() })))
    }

    fn with<T>(&self, act: impl FnOnce(&mut Inner) -> T) -> T {
        act(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn call(&self, call: Call) -> io::Result<()> {
        self.with(|inner| {
            inner.state.apply(&call)?;
            inner.calls.push(call);
            Ok(())
        })
    }

    /// How many calls have changed something so far.
    #[must_use]
    pub fn calls(&self) -> usize {
        self.with(|inner| inner.calls.len())
    }

    /// Goes through what was done since `start` was as it is in `start`, and hands over what is found if the power is cut
    /// after each call, in each way.
    ///
    /// # Errors
    /// What `look` says.
    pub fn cut_everywhere<E>(
        &self,
        start: &Self,
        mut look: impl FnMut(usize, Cut, &Self) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut state = start.with(|inner| inner.state.clone());
        let calls = self.with(|inner| inner.calls.clone());
        for (done, call) in std::iter::once(None).chain(calls.iter().map(Some)).enumerate() {
            if let Some(call) = call {
                // It went well when it was done first.
                let _ = state.apply(call);
            }
            for cut in Cut::ALL {
                let found = Self(Arc::new(Mutex::new(Inner { state: state.after(cut), calls: Vec::new() })));
                look(done, cut, &found)?;
            }
        }
        Ok(())
    }
}

impl Volume for Volatile {
    fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.call(Call::Create(path.to_owned(), bytes.into()))
    }

    fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.call(Call::Extend(path.to_owned(), bytes.into()))
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        self.call(Call::Sync(path.to_owned()))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.call(Call::Rename(from.to_owned(), to.to_owned()))
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.call(Call::Remove(path.to_owned()))
    }

    fn make_directory(&self, path: &Path) -> io::Result<()> {
        self.call(Call::MakeDirectory(path.to_owned()))
    }

    fn sync_directory(&self, path: &Path) -> io::Result<()> {
        self.call(Call::SyncDirectory(path.to_owned()))
    }

    fn exists(&self, path: &Path) -> bool {
        self.with(|inner| inner.state.now.contains_key(path))
    }

    fn load(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.with(|inner| inner.state.file(path).map(|f| f.now.clone()))
            .ok_or_else(|| io::ErrorKind::NotFound.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use calwright::files::Files;

    #[test]
    fn what_was_not_synced_is_lost_and_what_was_is_kept() {
        let folder = Path::new("/d");
        let start = Volatile::with_directory(folder);
        let disk = Volatile::with_directory(folder);
        let path = folder.join("a");
        disk.create(&path, b"one").unwrap();
        disk.sync(&path).unwrap();
        let mut seen = Vec::new();
        let look = |_: usize, cut: Cut, found: &Volatile| {
            seen.push((cut, found.load(&path).ok()));
            Ok::<(), ()>(())
        };
        disk.cut_everywhere(&start, look).unwrap();
        let last = &seen[seen.len() - Cut::ALL.len()..];
        assert!(last.contains(&(Cut::Lost, None)), "its name was not synced");
        assert!(last.contains(&(Cut::Names, Some(b"one".to_vec()))));
        disk.sync_directory(folder).unwrap();
        disk.cut_everywhere(&start, |done, _, found| match found.load(&path) {
            Ok(bytes) if bytes == b"one" => Ok(()),
            other if done == disk.calls() => Err(format!("{other:?}")),
            _ => Ok(()),
        })
        .unwrap();
    }

    #[test]
    fn a_file_that_is_written_whole_is_the_old_or_the_new_one() {
        let folder = Path::new("/d");
        let start = Volatile::with_directory(folder);
        let path = folder.join("a");
        start.write(&path, b"old").unwrap();
        let disk = Volatile(Arc::new(Mutex::new(Inner {
            state: start.with(|i| i.state.clone()),
            calls: Vec::new(),
        })));
        disk.write(&path, b"newer").unwrap();
        let done = disk.calls();
        disk.cut_everywhere(&start, |at, cut, found| match found.load(&path) {
            Ok(bytes) if bytes == b"newer" || (bytes == b"old" && at < done) => Ok(()),
            other => Err(format!("{cut:?} after {at}: {other:?}")),
        })
        .unwrap();
    }
}
