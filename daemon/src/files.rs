//! Files written so that a power cut leaves either the old or the new, never half of one.
//!
//! Owns: the trait [`Files`]; what it takes on any [`Volume`], so that tests can put one in its place that loses what was not
//! synced; and [`Disk`].

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A name that nothing has yet, for a copy that must replace none: what `name` makes of nothing, then of `.2`, `.3` and so on.
pub fn free_name(name: impl Fn(&str) -> PathBuf) -> PathBuf {
    let mut free = name("");
    let mut number = 1_u32;
    while free.exists() {
        number += 1;
        free = name(&format!(".{number}"));
    }
    free
}

/// A disk.
pub trait Files: Send + Sync {
    /// Writes a whole file: temporary name, sync, rename, sync of the directory. Durable after return.
    ///
    /// # Errors
    /// Of the operating system; the file is then as it was before.
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()>;

    /// Adds to the end of a file and syncs it. Durable after return.
    ///
    /// # Errors
    /// Of the operating system; the end of the file may then be torn.
    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()>;

    /// Makes a directory with its parents. Durable after return.
    ///
    /// # Errors
    /// Of the operating system.
    fn create_dir(&self, path: &Path) -> io::Result<()>;

    /// Reads a whole file.
    ///
    /// # Errors
    /// Of the operating system.
    fn read(&self, path: &Path) -> io::Result<Vec<u8>>;
}

/// What a file system does, one call at a time. What has to happen in which order, and what has to be synced, is decided in one
/// place above it: `Files` for every `Volume`.
pub trait Volume: Send + Sync {
    /// Makes a file with these bytes, or empties it first. Nothing of it is durable.
    ///
    /// # Errors
    /// Of the operating system, as with all of them.
    fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()>;

    /// Adds to the end of a file, which is made where it is not there. Nothing of it is durable.
    ///
    /// # Errors
    /// Of the operating system.
    fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()>;

    /// Makes the bytes of a file durable; its name in its directory is not.
    ///
    /// # Errors
    /// Of the operating system.
    fn sync(&self, path: &Path) -> io::Result<()>;

    /// Gives a file another name, in place of a file that has it. Not durable.
    ///
    /// # Errors
    /// Of the operating system.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;

    /// Takes a file away.
    ///
    /// # Errors
    /// Of the operating system.
    fn remove(&self, path: &Path) -> io::Result<()>;

    /// Makes one directory. Not durable.
    ///
    /// # Errors
    /// Of the operating system; `AlreadyExists` where something has this name.
    fn make_directory(&self, path: &Path) -> io::Result<()>;

    /// Makes the names in a directory durable.
    ///
    /// # Errors
    /// Of the operating system.
    fn sync_directory(&self, path: &Path) -> io::Result<()>;

    /// Whether something has this name.
    fn exists(&self, path: &Path) -> bool;

    /// The bytes of a file.
    ///
    /// # Errors
    /// Of the operating system.
    fn load(&self, path: &Path) -> io::Result<Vec<u8>>;

    /// How many bytes a file has.
    ///
    /// # Errors
    /// Of the operating system.
    fn size(&self, path: &Path) -> io::Result<u64> {
        self.load(path).map(|bytes| bytes.len() as u64)
    }
}

impl<V: Volume> Files for V {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let directory = parent(path);
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(".part");
        let temporary = directory.join(name);
        let written = (|| {
            self.create(&temporary, bytes)?;
            self.sync(&temporary)?;
            self.rename(&temporary, path)?;
            // A rename is durable only once the directory is.
            self.sync_directory(directory)
        })();
        if written.is_err() {
            // What is left of the temporary file says nothing; the error that matters is the first one.
            let _ = self.remove(&temporary);
        }
        written
    }

    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let existed = self.exists(path);
        self.extend(path, bytes)?;
        self.sync(path)?;
        if existed { Ok(()) } else { self.sync_directory(parent(path)) }
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        let missing: Vec<&Path> =
            path.ancestors().take_while(|p| !p.as_os_str().is_empty() && !self.exists(p)).collect();
        for directory in missing.iter().rev() {
            match self.make_directory(directory) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
                _ => self.sync_directory(parent(directory))?,
            }
        }
        // One that was there may have been made by somebody whose sync never came.
        self.sync_directory(parent(path))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.load(path)
    }
}

/// The disk of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Disk;

impl Volume for Disk {
    fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        File::create(path)?.write_all(bytes)
    }

    fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        OpenOptions::new().create(true).append(true).open(path)?.write_all(bytes)
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        File::open(path)?.sync_all()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn make_directory(&self, path: &Path) -> io::Result<()> {
        fs::create_dir(path)
    }

    fn sync_directory(&self, path: &Path) -> io::Result<()> {
        File::open(path)?.sync_all()
    }

    fn exists(&self, path: &Path) -> bool {
        path.exists()
    }

    fn load(&self, path: &Path) -> io::Result<Vec<u8>> {
        fs::read(path)
    }

    fn size(&self, path: &Path) -> io::Result<u64> {
        fs::metadata(path).map(|known| known.len())
    }
}

/// Takes a lock file, made where it is not there, for this process alone, until the value is dropped or the process ends.
///
/// # Errors
/// `WouldBlock` if another process has it; else of the operating system.
pub fn own(path: &Path) -> io::Result<File> {
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(path)?;
    rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive)?;
    Ok(file)
}

fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_litter() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.json");
        Disk.write(&path, b"old").unwrap();
        // A directory in the way of the rename.
        let blocked = dir.path().join("b.json");
        fs::create_dir_all(blocked.join("full")).unwrap();
        assert!(Disk.write(&blocked, b"new").is_err());
        assert!(!dir.path().join("b.json.part").exists());
        assert_eq!(Disk.read(&path).unwrap(), b"old");
    }

    #[test]
    fn appending_adds() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("j");
        Disk.append(&path, b"1\n").unwrap();
        Disk.append(&path, b"2\n").unwrap();
        assert_eq!(Disk.read(&path).unwrap(), b"1\n2\n");
    }
}
