//! The desk: everything that may be asked of the daemon, by whomever reached it.
//!
//! The one boundary between the doors (socket, port, page) and the house (queue, store, runs): the doors find out who asks and
//! hold no state of the house; the house decides and knows no protocol.

use super::counts::Watched;
use super::news::Told;
use super::words::{
    Acknowledging, Arming, AuditEntry, Draining, HistoryPoint, Person, QueueEntry, Registers, Reloaded,
    Reloading, RigState, RunFilter, RunSummary, Stopped, Submission, Whence,
};
use crate::record::ResultRecord;
use async_trait::async_trait;
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::broadcast;

/// Why something was not done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// There is no such job, run, sensor or file.
    NotThere(String),
    /// This person may not.
    NotAllowed(String),
    /// Written input that can't be used; the text shows place and remedy, as `check` prints them.
    Input(String),
    /// Not in this state: tripped, running, ended, no leave.
    State(String),
    /// The same key came with something else.
    KeyUsed(String),
    /// Disk or database; what they failed at the end of may be done all the same.
    Environment(String),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotThere(text)
            | Self::NotAllowed(text)
            | Self::Input(text)
            | Self::State(text)
            | Self::KeyUsed(text)
            | Self::Environment(text) => f.write_str(text),
        }
    }
}

impl std::error::Error for Refusal {}

/// A file of a run that may be fetched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunFile {
    /// Where it lies.
    pub path: PathBuf,
    /// Its media type.
    pub media_type: &'static str,
}

/// What may be asked of the daemon. Whether the person has the role for it is asked by the house, at each change, and the change
/// is in the audit before it is answered.
#[async_trait]
pub trait Desk: Send + Sync {
    /// Whether work is taken: not while the daemon winds down or drains, nor without its database.
    async fn ready(&self) -> Result<(), Refusal>;
    /// What was counted, and what is so now.
    async fn watched(&self) -> Watched;
    /// State of the rig.
    async fn rig(&self) -> Result<RigState, Refusal>;
    /// Hands in a job; with the same key again, the same answer comes without a second job.
    async fn submit(&self, who: &Person, job: Submission, key: Option<String>)
    -> Result<QueueEntry, Refusal>;
    /// The queue: what runs, what waits in order, then what ended lately.
    async fn queue(&self) -> Result<Vec<QueueEntry>, Refusal>;
    /// One job.
    async fn job(&self, job: i64) -> Result<QueueEntry, Refusal>;
    /// Holds a job back, or without a number the queue.
    async fn hold(&self, who: &Person, job: Option<i64>, reason: &str) -> Result<(), Refusal>;
    /// Lets go on what was held.
    async fn unhold(&self, who: &Person, job: Option<i64>) -> Result<(), Refusal>;
    /// Puts a job that waits at a place, from 1.
    async fn move_to(&self, who: &Person, job: i64, place: u32) -> Result<QueueEntry, Refusal>;
    /// Takes a job out; one that runs winds down.
    async fn cancel(&self, who: &Person, job: i64, reason: &str) -> Result<QueueEntry, Refusal>;
    /// Puts the interrupted or tripped run of a job in the queue again, to go on at its first missing point.
    async fn resume(&self, who: &Person, run: &str) -> Result<QueueEntry, Refusal>;
    /// Makes the rig safe now; a person is not needed for it. Answers how it went.
    async fn stop(&self, who: Option<&Person>, from: &Whence) -> Result<Stopped, Refusal>;
    /// Gives leave to move.
    async fn arm(&self, who: &Person, what: Arming) -> Result<RigState, Refusal>;
    /// Clears a trip.
    async fn acknowledge(&self, who: &Person, what: Acknowledging) -> Result<RigState, Refusal>;
    /// Runs, newest first.
    async fn runs(&self, filter: &RunFilter) -> Result<Vec<RunSummary>, Refusal>;
    /// One run.
    async fn run(&self, run: &str) -> Result<RunSummary, Refusal>;
    /// The result of a run that has ended.
    async fn result(&self, run: &str) -> Result<Arc<ResultRecord>, Refusal>;
    /// A file of a run: `result.json`, `journal.jsonl`, a certificate, a raw file; nothing outside of its directory.
    async fn file(&self, run: &str, name: &str) -> Result<RunFile, Refusal>;
    /// Releases a draft.
    async fn approve(&self, who: &Person, run: &str) -> Result<RunSummary, Refusal>;
    /// Puts the rig's file and the certificate template in force as they lie on the disk, while nothing runs; first checks them.
    async fn reload(&self, who: &Person, what: Reloading) -> Result<Reloaded, Refusal>;
    /// Lets the run that goes on end and begins no other.
    async fn drain(&self, who: &Person, what: Draining) -> Result<RigState, Refusal>;
    /// What one sensor showed over the years, oldest first.
    async fn history(&self, serial: &str) -> Result<Vec<HistoryPoint>, Refusal>;
    /// What the registers said of everything that was mounted here, and what is due.
    async fn registers(&self) -> Result<Registers, Refusal>;
    /// The audit, newest first, before an entry where one is named.
    async fn audit(&self, before: Option<i64>, limit: u32) -> Result<Vec<AuditEntry>, Refusal>;
    /// What happened since a number (as far as it is kept), and what happens from now on. A viewer that lags loses news.
    fn news(&self, since: Option<u64>) -> (Vec<Told>, broadcast::Receiver<Told>);
}
