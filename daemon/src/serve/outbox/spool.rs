//! Notices that wait, a file each, so that they outlive the daemon.

use super::pause;
use super::receiver::ReceiverError;
use crate::files::Files;
use crate::record::UtcTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// So many may wait; older ones are given up, and that is logged. A receiver that is away for good must not fill the disk.
pub(super) const MOST: usize = 1000;

/// What a receiver is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notice {
    /// finished, needs_person or tripped.
    pub kind: String,
    /// Name of the rig.
    pub rig: String,
    /// True for the simulated one.
    pub simulated: bool,
    /// The run.
    pub run: Option<String>,
    /// When it happened.
    pub at_utc: UtcTime,
    /// For people.
    pub message: String,
}

/// A notice that waits for one receiver.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Waiting {
    /// Its number; also that of its file.
    pub(super) id: u64,
    /// The receiver's address.
    pub(super) receiver: String,
    /// How often it was tried.
    pub(super) tries: u32,
    /// When it is tried next.
    pub(super) due_utc: UtcTime,
    /// What is told.
    pub(super) notice: Notice,
}

/// Whether a file of the folder is a notice, by its name.
pub(super) fn is_notice(path: &Path) -> bool {
    path.extension().is_some_and(|e| e == "json")
}

/// The folder.
pub(super) struct Spool {
    folder: PathBuf,
    files: Arc<dyn Files>,
    waiting: BTreeMap<u64, Waiting>,
    last: u64,
}

impl Spool {
    /// Opens the folder and reads what waits; a file that can't be understood is set aside in the log.
    pub(super) fn open(folder: PathBuf, files: Arc<dyn Files>) -> Result<Self, ReceiverError> {
        let failed = |e: io::Error| ReceiverError(format!("{}: {e}", folder.display()));
        files.create_dir(&folder).map_err(failed)?;
        let mut waiting = BTreeMap::new();
        for entry in fs::read_dir(&folder).map_err(failed)? {
            let path = entry.map_err(failed)?.path();
            if !is_notice(&path) {
                continue;
            }
            match files.read(&path).map(|bytes| serde_json::from_slice::<Waiting>(&bytes)) {
                Ok(Ok(one)) => {
                    waiting.insert(one.id, one);
                }
                Ok(Err(error)) => tracing::warn!(%error, "{} is no notice", path.display()),
                Err(error) => tracing::warn!(%error, "{} can't be read", path.display()),
            }
        }
        let last = waiting.keys().next_back().copied().unwrap_or(0);
        Ok(Self { folder, files, waiting, last })
    }

    fn path(&self, id: u64) -> PathBuf {
        self.folder.join(format!("{id:012}.json"))
    }

    pub(super) fn add(&mut self, notice: &Notice, receiver: &str) -> io::Result<()> {
        while self.waiting.len() >= MOST
            && let Some((_, oldest)) = self.waiting.first_key_value()
        {
            let oldest = oldest.clone();
            tracing::warn!("a notice of {} is given up: {} others wait", oldest.notice.at_utc, MOST);
            self.done(&oldest);
        }
        self.last += 1;
        let one = Waiting {
            id: self.last,
            receiver: receiver.to_owned(),
            tries: 0,
            due_utc: notice.at_utc,
            notice: notice.clone(),
        };
        self.store(&one)?;
        self.waiting.insert(one.id, one);
        Ok(())
    }

    fn store(&self, one: &Waiting) -> io::Result<()> {
        self.files.write(&self.path(one.id), &serde_json::to_vec_pretty(one)?)
    }

    /// Those that are due, oldest first.
    pub(super) fn due(&self, now: UtcTime) -> Vec<Waiting> {
        self.waiting.values().filter(|w| w.due_utc <= now).cloned().collect()
    }

    /// How long until the next is due; long where none waits.
    pub(super) fn next(&self, now: UtcTime) -> Duration {
        let idle = Duration::from_secs(3600);
        let until = |w: &Waiting| {
            w.due_utc.timestamp().duration_since(now.timestamp()).try_into().unwrap_or_default()
        };
        self.waiting.values().map(until).min().unwrap_or(idle)
    }

    pub(super) fn done(&mut self, one: &Waiting) {
        self.waiting.remove(&one.id);
        if let Err(error) = fs::remove_file(self.path(one.id)) {
            tracing::warn!(%error, "a notice that was taken stays in {}", self.folder.display());
        }
    }

    /// It was not tried, since its receiver does not answer: a little later, and no try is counted.
    pub(super) fn later(&mut self, mut one: Waiting, now: UtcTime) {
        one.due_utc = now.timestamp().checked_add(pause(0)).map_or(now, UtcTime::from);
        self.waiting.insert(one.id, one);
    }

    /// It was not taken: later once more.
    pub(super) fn again(&mut self, mut one: Waiting, now: UtcTime) {
        let wait = pause(one.tries);
        one.tries += 1;
        one.due_utc = now.timestamp().checked_add(wait).map_or(now, UtcTime::from);
        if let Err(error) = self.store(&one) {
            tracing::warn!(%error, "how often a notice was tried can't be kept");
        }
        self.waiting.insert(one.id, one);
    }
}
