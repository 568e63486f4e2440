//! The house: what the desk decides with. Queue, store, rig, and the run that goes on.
//!
//! ```text
//!   desk.rs     the trait, word by word, to the parts below
//!   queue.rs    submit, hold, move, cancel, resume
//!   rig.rs      state of the rig, stop, arm, acknowledge
//!   records.rs  runs, results, files, release, history, audit; registers.rs registers and what is due
//!   watched.rs  what is counted for whatever watches the daemon
//!   upkeep.rs   another rig file or template put in force, and no more jobs before an upgrade
//! ```
//!
//! Invariant: no lock of the house is held while something is waited for.

mod desk;
mod queue;
mod records;
mod registers;
mod rig;
mod start;
mod upkeep;
mod used;
mod watched;

pub(super) use queue::Prepared;
pub use start::{DATABASE, NotStarted, Opened};

use super::counts::Counts;
use super::desk::Refusal;
use super::kept::Kept;
use super::news::Newsroom;
use super::rig::OwnRig;
use super::store::{Store, StoreError};
use super::words::{Happening, Person, RigState, Role, RunSummary};
use crate::record::{ResultRecord, UtcTime};
use crate::settings::Settings;
use crate::station::Start;
use calibration::sequence::Operator;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::Duration;
use tokio::sync::Notify;

/// The house of one rig.
pub struct House {
    pub(super) settings: Settings,
    /// The rig as it is in force: [`Self::rig`] reads it, a reload puts another in its place.
    own: RwLock<Arc<OwnRig>>,
    /// SHA-256 of the certificate template that is in force; none where there is none.
    template: Mutex<Option<String>>,
    /// Held while a job is begun, and while something else is put in force: the one never falls into the other.
    pub(super) beginning: tokio::sync::Mutex<()>,
    pub(super) store: Store,
    pub(super) news: Newsroom,
    kept: Lately,
    /// Folder of the run directories.
    pub(super) runs: PathBuf,
    /// Whether arming and acknowledging are allowed over the port.
    pub(super) arm_over_port: bool,
    now: Mutex<Now>,
    started: UtcTime,
    counts: Mutex<Counts>,
    /// Somebody changed something that the keeper has to look at.
    pub(super) changed: Notify,
    closing: AtomicBool,
    /// A person wants no job begun any more by this daemon; true where it is to end then.
    draining: Mutex<Option<bool>>,
    /// Nothing runs and the daemon is to end.
    pub(super) drained: Notify,
}

/// What was read a moment ago: many ask for the same.
#[derive(Debug)]
struct Lately {
    rig: Kept<RigState>,
    runs: Kept<RunSummary>,
    results: Kept<ResultRecord>,
}

impl Default for Lately {
    fn default() -> Self {
        // A result with its budgets takes up to a few hundred KiB.
        Self {
            rig: Kept::new(1, Duration::from_millis(250)),
            runs: Kept::new(256, Duration::from_secs(2)),
            results: Kept::new(8, Duration::from_secs(2)),
        }
    }
}

/// What is so at this moment.
#[derive(Debug, Default)]
struct Now {
    running: Option<Running>,
    /// What the next job waits for, by its number.
    needs: Option<(i64, String)>,
    /// When the check standard that the rig names was last measured within its limits by this daemon, with nothing since that
    /// holds the queue.
    opened: Option<UtcTime>,
    /// Remarks for people, each under a word, until it no longer holds.
    warnings: BTreeMap<&'static str, String>,
}

/// The run that goes on.
#[derive(Debug, Clone)]
pub(super) struct Running {
    pub(super) job: i64,
    pub(super) run: String,
    /// The line to it, once there is one.
    pub(super) start: Option<Start>,
    /// A person cancelled it before there was a line.
    pub(super) cancelled: Option<String>,
    /// It tripped and is not over yet: word and message.
    pub(super) trip: Option<(String, String)>,
    /// What it waits for a person to do.
    pub(super) asks: Option<String>,
}

impl Running {
    /// A run of a job, to which there is no line yet.
    pub(super) const fn new(job: i64, run: String) -> Self {
        Self { job, run, start: None, cancelled: None, trip: None, asks: None }
    }
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Self {
        Self::Environment(error.to_string())
    }
}

impl House {
    fn now(&self) -> MutexGuard<'_, Now> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The run that goes on.
    pub(super) fn running(&self) -> Option<Running> {
        self.now().running.clone()
    }

    /// A run goes on from now on, or none does.
    pub(super) fn set_running(&self, running: Option<Running>) {
        self.now().running = running;
        self.kept.rig.forget();
    }

    /// Something about the run that goes on changed.
    pub(super) fn change_running(&self, with: impl FnOnce(&mut Running)) {
        if let Some(running) = &mut self.now().running {
            with(running);
        }
        self.kept.rig.forget();
    }

    /// The line to the run that goes on; what was wanted of it before there was one is told now.
    pub(super) fn line_is_there(&self, start: Start) {
        let mut now = self.now();
        if let Some(running) = &mut now.running {
            if running.cancelled.is_some() || self.is_closing() {
                start.tell(Operator::Cancel);
            }
            running.start = Some(start);
        }
    }

    /// What the next job waits for; tells viewers where that changed.
    pub(super) fn set_needs(&self, needs: Option<(i64, String)>) {
        let changed = std::mem::replace(&mut self.now().needs, needs.clone()) != needs;
        if changed {
            self.news.tell(Happening::Queue);
        }
    }

    /// When the queue was opened with the rig's check standard.
    pub(super) fn opened(&self) -> Option<UtcTime> {
        self.now().opened
    }

    /// The queue was opened, or is closed.
    pub(super) fn set_opened(&self, opened: Option<UtcTime>) {
        self.now().opened = opened;
    }

    /// Says something to people until it no longer holds; true where that is new.
    pub(super) fn warn(&self, about: &'static str, what: Option<String>) -> bool {
        let changed = {
            let mut now = self.now();
            match what {
                Some(what) if now.warnings.get(about) == Some(&what) => false,
                Some(what) => {
                    tracing::warn!("{what}");
                    now.warnings.insert(about, what);
                    true
                }
                None => now.warnings.remove(about).is_some(),
            }
        };
        // Whoever reads the rig's state says each time that something is well: that is no reason to read it again.
        if changed {
            self.kept.rig.forget();
        }
        changed
    }

    /// The daemon winds down: a run that goes on ends, and nothing begins any more.
    pub fn close(&self) {
        self.closing.store(true, Ordering::SeqCst);
        if let Some(start) = self.running().and_then(|r| r.start) {
            start.tell(Operator::Cancel);
        }
        self.changed.notify_one();
    }

    /// Makes the run that goes on safe at once.
    pub fn hurry(&self) {
        if let Some(start) = self.running().and_then(|r| r.start) {
            start.tell(Operator::Stop);
        }
    }

    /// Lets go of the database.
    pub async fn close_store(&self) {
        self.store.close().await;
    }

    /// True once the daemon winds down.
    #[must_use]
    pub fn is_closing(&self) -> bool {
        self.closing.load(Ordering::SeqCst)
    }

    /// Where runs lie.
    #[must_use]
    pub fn runs(&self) -> &Path {
        &self.runs
    }

    /// The rig's name, and whether it is simulated.
    #[must_use]
    pub fn rig_name(&self) -> (String, bool) {
        let rig = self.rig();
        (rig.name().to_owned(), rig.simulated)
    }

    /// The rig as it is in force.
    pub(super) fn rig(&self) -> Arc<OwnRig> {
        self.own.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// A run came to its end or was released: what was read of it is old.
    pub(super) fn records_changed(&self) {
        self.kept.runs.forget();
        self.kept.results.forget();
    }

    /// The queue changed: viewers and the keeper are told.
    pub(super) fn queue_changed(&self) {
        self.kept.rig.forget();
        self.news.tell(Happening::Queue);
        self.changed.notify_one();
    }
}

/// Whether a person has a role, else the refusal.
fn needs_role(who: &Person, role: Role) -> Result<(), Refusal> {
    if who.may(role) {
        return Ok(());
    }
    let word = match role {
        Role::Viewer => "viewer",
        Role::Stopper => "stopper",
        Role::Operator => "operator",
        Role::Approver => "approver",
        Role::Admin => "admin",
    };
    Err(Refusal::NotAllowed(format!("{} is no {word}", who.name)))
}

#[cfg(test)]
mod tests;
