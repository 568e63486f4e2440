//! The latch: a local file that says whether the armature of a rig may be moving, or whether it tripped.
//!
//! It is durable before leave is given and rewritten at a trip or a clean end. At start, 'may be moving', an unreadable
//! file, and a file that is missing where one has been, count as tripped. A lock beside it keeps a second process away.

use crate::files::{self, Files};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

/// What the latch says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Latch {
    /// At rest after a clean end or an acknowledgement.
    Clear {
        /// Since when.
        at_utc: String,
        /// The last acknowledgement, if there was one.
        acknowledged: Option<Acknowledgement>,
    },
    /// Leave is given; if this is found at a start, the program was cut off.
    MayBeMoving {
        /// Since when.
        at_utc: String,
        /// Which run.
        run: String,
    },
    /// Tripped; a person must acknowledge.
    Tripped {
        /// When.
        at_utc: String,
        /// Which run.
        run: Option<String>,
        /// Why: a word of `trip.reason`.
        reason: String,
        /// For people.
        message: String,
    },
}

/// Who cleared a trip, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Acknowledgement {
    /// When.
    pub at_utc: String,
    /// Who.
    pub name: String,
    /// What was found and done.
    pub reason: String,
    /// The trip that was cleared.
    pub trip: String,
}

/// The place of a rig's latch and lock.
#[derive(Debug, Clone)]
pub struct LatchFile {
    directory: PathBuf,
}

impl LatchFile {
    /// The latch of a rig. A simulated rig has one of its own, so that a dry run never blocks the real one.
    #[must_use]
    pub fn of(state_dir: &Path, rig: &str, simulated: bool) -> Self {
        let safe: String =
            rig.chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '_' }).collect();
        let kind = if simulated { "simulated" } else { "rig" };
        Self { directory: state_dir.join(kind).join(safe) }
    }

    /// The folder of everything that is kept of this rig.
    #[must_use]
    pub fn directory(&self) -> &Path {
        &self.directory
    }

    /// The latch's path.
    #[must_use]
    pub fn path(&self) -> PathBuf {
        self.directory.join("latch.json")
    }

    /// True if this rig was used with this state folder.
    #[must_use]
    pub fn exists(&self) -> bool {
        self.lock_path().exists() || self.path().exists()
    }

    fn lock_path(&self) -> PathBuf {
        self.directory.join("lock")
    }

    /// Reads the latch. A rig that was never used here has no folder, and is clear.
    #[must_use]
    pub fn read(&self, files: &dyn Files, now: Timestamp) -> Latch {
        let tripped = |message: String| Latch::Tripped {
            at_utc: now.to_string(),
            run: None,
            reason: "restart_while_moving".to_owned(),
            message,
        };
        if !self.exists() {
            return Latch::Clear { at_utc: now.to_string(), acknowledged: None };
        }
        let path = self.path();
        match files.read(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                tripped(format!("the latch {} is missing", path.display()))
            }
            Err(error) => tripped(format!("the latch {} can't be read: {error}", path.display())),
            Ok(bytes) => match serde_json::from_slice(&bytes) {
                Err(error) => tripped(format!("the latch {} can't be understood: {error}", path.display())),
                Ok(Latch::MayBeMoving { run, .. }) => tripped(format!(
                    "run {run} was cut off while the armature may have been moving. Look at rig and amplifier first"
                )),
                Ok(latch) => latch,
            },
        }
    }

    /// Writes the latch. Durable after return.
    ///
    /// # Errors
    /// Of the operating system.
    pub fn write(&self, files: &dyn Files, latch: &Latch) -> io::Result<()> {
        let mut bytes = serde_json::to_vec_pretty(latch).map_err(io::Error::other)?;
        bytes.push(b'\n');
        files.create_dir(&self.directory)?;
        files.write(&self.path(), &bytes)
    }

    /// Takes the lock, then reads the latch: what another process wrote before it let go of the lock counts.
    ///
    /// # Errors
    /// As [`Self::lock`].
    pub fn claim(&self, files: &dyn Files, now: Timestamp) -> io::Result<(RigLock, Latch)> {
        // The lock's own file would make a new rig look like one whose latch is lost.
        let used = self.exists();
        let lock = self.lock(files)?;
        let latch = if used || self.path().exists() {
            self.read(files, now)
        } else {
            Latch::Clear { at_utc: now.to_string(), acknowledged: None }
        };
        Ok((lock, latch))
    }

    /// True while another process has the lock. Leaves no trace of having asked.
    #[must_use]
    pub fn is_locked(&self) -> bool {
        let Ok(file) = OpenOptions::new().write(true).open(self.lock_path()) else {
            return false;
        };
        let taken = rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive);
        taken.is_err_and(|e| io::Error::from(e).kind() == io::ErrorKind::WouldBlock)
    }

    /// Takes the lock of this rig; it is let go when the value is dropped or the process ends.
    ///
    /// # Errors
    /// `WouldBlock` if another process has it.
    pub fn lock(&self, files: &dyn Files) -> io::Result<RigLock> {
        files.create_dir(&self.directory)?;
        Ok(RigLock { _file: files::own(&self.lock_path())? })
    }
}

/// Keeps other processes away from a rig.
#[derive(Debug)]
pub struct RigLock {
    _file: File,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::Disk;

    fn now() -> Timestamp {
        "2000-01-01T00:00:00Z".parse().unwrap()
    }

    fn latch(dir: &Path) -> LatchFile {
        LatchFile::of(dir, "bench 1", false)
    }

    #[test]
    fn a_rig_never_used_is_clear_but_a_lost_latch_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let file = latch(dir.path());
        assert!(matches!(file.read(&Disk, now()), Latch::Clear { .. }));
        let lock = file.lock(&Disk).unwrap();
        assert!(matches!(file.read(&Disk, now()), Latch::Tripped { .. }), "used, but no latch");
        drop(lock);
    }

    #[test]
    fn a_claim_reads_under_the_lock() {
        let dir = tempfile::tempdir().unwrap();
        let file = latch(dir.path());
        let (lock, new) = file.claim(&Disk, now()).unwrap();
        assert!(matches!(new, Latch::Clear { .. }), "a rig never used");
        assert_eq!(file.claim(&Disk, now()).unwrap_err().kind(), io::ErrorKind::WouldBlock);
        drop(lock);
        let (_, lost) = file.claim(&Disk, now()).unwrap();
        assert!(matches!(lost, Latch::Tripped { .. }), "used, but no latch");
    }

    #[test]
    fn cut_off_unreadable_and_tripped_all_count_as_tripped() {
        let dir = tempfile::tempdir().unwrap();
        let file = latch(dir.path());
        file.write(&Disk, &Latch::MayBeMoving { at_utc: "x".into(), run: "r".into() }).unwrap();
        assert!(matches!(file.read(&Disk, now()), Latch::Tripped { .. }));
        std::fs::write(file.path(), b"{ half").unwrap();
        assert!(matches!(file.read(&Disk, now()), Latch::Tripped { .. }));
        let clear = Latch::Clear { at_utc: "x".into(), acknowledged: None };
        file.write(&Disk, &clear).unwrap();
        assert_eq!(file.read(&Disk, now()), clear);
    }

    #[test]
    fn the_lock_keeps_a_second_one_away() {
        let dir = tempfile::tempdir().unwrap();
        let first = latch(dir.path()).lock(&Disk).unwrap();
        let second = latch(dir.path()).lock(&Disk);
        assert_eq!(second.unwrap_err().kind(), io::ErrorKind::WouldBlock);
        assert!(latch(dir.path()).is_locked());
        drop(first);
        assert!(!latch(dir.path()).is_locked());
        assert!(latch(dir.path()).lock(&Disk).is_ok());
    }
}
