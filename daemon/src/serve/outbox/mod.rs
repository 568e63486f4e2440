//! What other programs are told: a run finished, a job waits for a person, the rig tripped.
//!
//! Each notice lies in a folder until its receiver has taken it (a status 2xx), so that neither a restart nor a network that is away
//! loses one. Must not: hold anything up; a notice is no part of safety or of the records.

mod receiver;
mod spool;

pub use receiver::ReceiverError;
pub use spool::Notice;

use super::desk::Desk;
use super::words::{Happening, LatchState, QueueEntry, Stage};
use crate::files::Files;
use crate::record::UtcTime;
use receiver::Receiver;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use spool::Spool;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;

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

/// Notices that wait, and where they go.
pub struct Outbox {
    spool: Spool,
    receivers: Vec<Receiver>,
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
        let spool = Spool::open(state.join("outbox"), files)?;
        Ok(Some(Self { spool, receivers }))
    }

    /// Tells until the task is dropped. What waits from before goes first.
    pub async fn run(mut self, desk: Arc<dyn Desk>) {
        let mut seen = Seen::of(desk.as_ref()).await;
        let (_, mut news) = desk.news(None);
        loop {
            let next = self.spool.next(UtcTime::now());
            tokio::select! {
                heard = news.recv() => match heard {
                    Ok(one) => {
                        let notices = seen.notices(desk.as_ref(), one.news.what.clone()).await;
                        self.keep(notices);
                    }
                    // Moments come fast; what was missed shows in the state of things.
                    Err(RecvError::Lagged(_)) => {
                        let notices = seen.notices(desk.as_ref(), Happening::Queue).await;
                        self.keep(notices);
                    }
                    Err(RecvError::Closed) => return,
                },
                () = tokio::time::sleep(next) => self.send().await,
            }
        }
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
        for waiting in self.spool.due(UtcTime::now()) {
            let Some(receiver) = self.receivers.iter().find(|r| r.address() == waiting.receiver) else {
                // The settings name it no more.
                self.spool.done(&waiting);
                continue;
            };
            match receiver.post(&waiting.notice).await {
                Ok(()) => self.spool.done(&waiting),
                Err(error) => {
                    tracing::warn!(%error, tries = waiting.tries + 1, "{} was not told", receiver.address());
                    self.spool.again(waiting, UtcTime::now());
                }
            }
        }
    }
}

/// What was told already.
struct Seen {
    needs: Option<(i64, String)>,
    tripped: bool,
}

impl Seen {
    async fn of(desk: &dyn Desk) -> Self {
        let tripped = desk.rig().await.is_ok_and(|r| r.latch == LatchState::Tripped);
        Self { needs: waits(desk).await.map(|e| (e.job, reason(&e))), tripped }
    }

    /// The notices that something that happened gives rise to.
    async fn notices(&mut self, desk: &dyn Desk, what: Happening) -> Vec<Notice> {
        let Ok(rig) = desk.rig().await else { return Vec::new() };
        let notice = |kind: &str, run: Option<String>, message: String| Notice {
            kind: kind.to_owned(),
            rig: rig.rig.clone(),
            simulated: rig.simulated,
            run,
            at_utc: UtcTime::now(),
            message,
        };
        match what {
            Happening::Moment(_) | Happening::Point(_) | Happening::Began(_) => Vec::new(),
            Happening::Ended(run) => {
                let how = run.outcome.map_or("cut off", |o| o.word());
                vec![notice("finished", Some(run.run), format!("{}: {how}", run.name))]
            }
            Happening::Rig(state) => {
                let fresh = state.latch == LatchState::Tripped && !self.tripped;
                self.tripped = state.latch == LatchState::Tripped;
                let message = state.message.or(state.trip).unwrap_or_else(|| "tripped".to_owned());
                if fresh { vec![notice("tripped", state.running, message)] } else { Vec::new() }
            }
            Happening::Queue => {
                let needs = waits(desk).await.map(|e| (e.job, reason(&e)));
                let fresh = needs.clone().filter(|n| Some(n) != self.needs.as_ref());
                self.needs = needs;
                fresh
                    .map(|(job, why)| notice("needs_person", None, format!("job {job}: {why}")))
                    .into_iter()
                    .collect()
            }
        }
    }
}

/// The job that waits for a person.
async fn waits(desk: &dyn Desk) -> Option<QueueEntry> {
    desk.queue().await.ok()?.into_iter().find(|e| e.stage == Stage::NeedsPerson)
}

fn reason(entry: &QueueEntry) -> String {
    entry.waits_for.clone().unwrap_or_else(|| "it waits for a person".to_owned())
}

/// How long until the next try after so many: 10 s, then twice as long each time, an hour at most.
fn pause(tries: u32) -> Duration {
    Duration::from_secs(10 << tries.min(9)).min(Duration::from_secs(3600))
}

#[cfg(test)]
mod tests;
