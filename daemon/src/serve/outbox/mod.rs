//! What other programs are told: a run finished, a job waits for a person, the rig tripped.
//!
//! Each notice lies in a folder until its receiver has taken it (a status 2xx), so that neither a restart nor a network that is away
//! loses one. Must not: hold anything up; a notice is no part of safety or of the records.

mod receiver;
mod spool;
mod told;

pub use receiver::ReceiverError;
pub use spool::Notice;

use super::desk::Desk;
use super::words::{Happening, LatchState, QueueEntry, RigState, RunFilter, RunSummary, Stage};
use crate::files::Files;
use crate::record::UtcTime;
use receiver::Receiver;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use spool::Spool;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use told::Told;

/// Which programs are told of what happens, over HTTP.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct OutboxSettings {
    /// Addresses that each notice is posted to as JSON, such as "http://192.0.2.9:8080/calibration".
    pub receivers: Vec<String>,
    /// File with a token that is sent as `Authorization: Bearer …`; readable by nobody else.
    pub token: Option<PathBuf>,
    /// File of the certificates, PEM, that receivers over https are trusted by; needed for them, there is no other list.
    pub authorities: Option<PathBuf>,
}

/// Its folder below the folder of state.
const FOLDER: &str = "outbox";

/// Notices that wait, and where they go.
pub struct Outbox {
    spool: Spool,
    receivers: Vec<Receiver>,
    told: Told,
}

impl Outbox {
    /// An outbox with its folder below the state folder; `None` where nobody is to be told.
    ///
    /// # Errors
    /// Settings that can't be used.
    pub fn open(
        settings: &OutboxSettings,
        state: &Path,
        files: Arc<dyn Files>,
    ) -> Result<Option<Self>, ReceiverError> {
        if settings.receivers.is_empty() {
            return Ok(None);
        }
        let receivers = Receiver::all(settings)?;
        let folder = state.join(FOLDER);
        let spool = Spool::open(folder.clone(), files.clone())?;
        Ok(Some(Self { spool, receivers, told: Told::read(&folder, files) }))
    }

    /// Tells until the task is dropped. What waits from before goes first, and what came to be while no daemon ran is told too.
    pub async fn run(mut self, desk: Arc<dyn Desk>) {
        let (_, mut news) = desk.news(None);
        self.look(desk.as_ref(), None).await;
        self.look_for_ends(desk.as_ref()).await;
        loop {
            let next = self.spool.next(UtcTime::now());
            tokio::select! {
                heard = news.recv() => match heard {
                    Ok(one) => match one.news.what.clone() {
                        Happening::Moment(_) | Happening::Point(_) | Happening::Began(_) => {}
                        Happening::Ended(run) => self.ended(desk.as_ref(), vec![run], false).await,
                        Happening::Rig(state) => self.look(desk.as_ref(), Some(state)).await,
                        Happening::Queue => self.look(desk.as_ref(), None).await,
                    },
                    // Moments come fast; what was missed shows in the state of things.
                    Err(RecvError::Lagged(_)) => {
                        self.look(desk.as_ref(), None).await;
                        self.look_for_ends(desk.as_ref()).await;
                    }
                    Err(RecvError::Closed) => return,
                },
                () = tokio::time::sleep(next) => self.send().await,
            }
        }
    }

    /// Tells of runs that ended, the oldest first, as far as nobody was told of them; a release is no end.
    async fn ended(&mut self, desk: &dyn Desk, runs: Vec<RunSummary>, old: bool) {
        let Ok(rig) = desk.rig().await else { return };
        let ends: Vec<_> =
            runs.iter().filter(|r| r.state != "running").map(|r| (r.run.as_str(), how(r))).collect();
        let fresh = self.told.fresh_ends(&ends, old);
        let fresh = runs.iter().filter(|r| fresh.contains(&r.run.as_str()));
        let notices =
            fresh.map(|r| notice(&rig, "finished", Some(r.run.clone()), format!("{}: {}", r.name, how(r))));
        self.keep(notices.collect());
        self.told.keep();
    }

    /// Looks for runs whose end nobody was told of: of a daemon that was cut off, or of one that ends them at its start.
    async fn look_for_ends(&mut self, desk: &dyn Desk) {
        let Ok(mut runs) = desk.runs(&RunFilter::default()).await else { return };
        runs.reverse();
        self.ended(desk, runs.clone(), true).await;
        self.told.remember(&runs.iter().map(|r| r.run.as_str()).collect());
    }

    /// Looks whether there is something that nobody was told of: a trip, or something that a person has to do.
    async fn look(&mut self, desk: &dyn Desk, state: Option<RigState>) {
        let state = match state {
            Some(state) => Ok(state),
            None => desk.rig().await,
        };
        // A database that is away says nothing new.
        let (Ok(rig), Ok(queue)) = (state, desk.queue().await) else { return };
        let fresh = self.told.fresh(tripped(&rig), waits(&rig, &queue));
        let notices =
            fresh.into_iter().map(|(kind, message)| notice(&rig, kind, rig.running.clone(), message));
        self.keep(notices.collect());
        // After the notices: a daemon that is cut off in between tells twice rather than never.
        self.told.keep();
    }

    fn keep(&mut self, notices: Vec<Notice>) {
        for notice in notices {
            for receiver in &self.receivers {
                if let Err(error) = self.spool.add(&notice, receiver.address()) {
                    tracing::warn!(%error, "a notice can't be kept; {} is not told", receiver.address());
                }
            }
        }
    }

    async fn send(&mut self) {
        // One that does not answer is not asked again for every notice that waits: each takes its time, and news waits meanwhile.
        let mut away = BTreeSet::new();
        for waiting in self.spool.due(UtcTime::now()) {
            if away.contains(&waiting.receiver) {
                self.spool.later(waiting, UtcTime::now());
                continue;
            }
            let Some(receiver) = self.receivers.iter().find(|r| r.address() == waiting.receiver) else {
                // The settings name it no more.
                self.spool.done(&waiting);
                continue;
            };
            match receiver.post(&waiting.notice).await {
                Ok(()) => self.spool.done(&waiting),
                Err(error) => {
                    tracing::warn!(%error, tries = waiting.tries + 1, "{} was not told", receiver.address());
                    away.insert(waiting.receiver.clone());
                    self.spool.again(waiting, UtcTime::now());
                }
            }
        }
    }
}

/// How many notices wait; `state` is the folder of state.
#[must_use]
pub fn waiting(state: &Path) -> usize {
    let Ok(entries) = std::fs::read_dir(state.join(FOLDER)) else { return 0 };
    entries.filter_map(Result::ok).filter(|entry| spool::is_notice(&entry.path())).count()
}

/// Whether the receivers can be told, as far as that can be seen without telling one.
///
/// # Errors
/// Settings that can't be used, or a file that they name.
pub fn examine(settings: &OutboxSettings) -> Result<(), ReceiverError> {
    Receiver::all(settings).map(|_| ())
}

/// How a run ended.
fn how(run: &RunSummary) -> &'static str {
    run.outcome.map_or("cut off", |o| o.word())
}

fn notice(rig: &RigState, kind: &str, run: Option<String>, message: String) -> Notice {
    Notice {
        kind: kind.to_owned(),
        rig: rig.rig.clone(),
        simulated: rig.simulated,
        run,
        at_utc: UtcTime::now(),
        message,
    }
}

/// What tripped. A latch that says 'may be moving' while nothing runs is that of a run that was cut off.
fn tripped(rig: &RigState) -> Option<String> {
    let is_tripped = match rig.latch {
        LatchState::Clear => false,
        LatchState::Tripped => true,
        LatchState::MayBeMoving => rig.running.is_none(),
    };
    let words = || rig.message.clone().or_else(|| rig.trip.clone()).unwrap_or_else(|| "tripped".to_owned());
    is_tripped.then(words)
}

/// What a person has to do so that the run or the queue goes on.
fn waits(rig: &RigState, queue: &[QueueEntry]) -> Option<String> {
    if let (Some(run), Some(asks)) = (&rig.running, &rig.asks) {
        return Some(format!("run {run}: {asks}"));
    }
    if let Some(entry) = queue.iter().find(|e| e.stage == Stage::NeedsPerson) {
        let why = entry.waits_for.as_deref().unwrap_or("it waits for a person");
        return Some(format!("job {}: {why}", entry.job));
    }
    let held = rig.queue_held.as_ref().filter(|_| queue.iter().any(|e| e.stage == Stage::Waiting));
    held.map(|why| format!("the queue is held: {why}"))
}

/// How long until the next try after so many: 10 s, then twice as long each time, an hour at most.
fn pause(tries: u32) -> Duration {
    Duration::from_secs(10 << tries.min(9)).min(Duration::from_secs(3600))
}

#[cfg(test)]
mod tests;
