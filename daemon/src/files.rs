//! Files written so that a power cut leaves either the old or the new, never half of one.
//!
//! Owns: the trait [`Files`], so that tests can put a disk in its place that loses what was not synced, and [`Disk`].

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

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

/// The disk of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Disk;

impl Files for Disk {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let directory = parent(path);
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(".part");
        let temporary = directory.join(name);
        let written = (|| {
            let mut file = File::create(&temporary)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            fs::rename(&temporary, path)?;
            sync_directory(directory)
        })();
        if written.is_err() {
            // What is left of the temporary file says nothing; the error that matters is the first one.
            let _ = fs::remove_file(&temporary);
        }
        written
    }

    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let existed = path.exists();
        let mut file = OpenOptions::new().create(true).append(true).open(path)?;
        file.write_all(bytes)?;
        file.sync_data()?;
        if existed { Ok(()) } else { sync_directory(parent(path)) }
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        fs::create_dir_all(path)?;
        sync_directory(path)?;
        sync_directory(parent(path))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        fs::read(path)
    }
}

fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    }
}

/// A rename is durable only once the directory is.
fn sync_directory(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
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
