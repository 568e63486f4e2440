//! What comes next, and what a run that ended means for those behind it. Pure.
//!
//! Rules. The queue keeps its order: the first job that is not held back is the next, and where a person has to do something
//! for it, those behind it wait too, for they stand behind it. A held queue starts nothing. A trip or a fault of an instrument
//! holds the queue, a check standard out of its limits does, and so does whatever else the run says to look at; a point that was
//! rejected, a sensor that failed, and a person who cancelled one job do not.
//!
//! Where the rig names a check standard the queue opens with it: no job without it begins before one measured it within its
//! limits. What holds the queue by itself closes it again, and so does a day.

use crate::record::time::UtcTime;
use crate::record::words::Outcome;
use jiff::SignedDuration;

/// A job that waits, as the queue sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Its number.
    pub job: i64,
    /// A person holds it back.
    pub held: bool,
}

/// What the next job has to have, asked at this moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Need {
    /// Nothing: it may begin.
    Nothing,
    /// A person has to do something first; what, in words.
    Person(String),
}

/// What comes next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// This job begins.
    Begin(i64),
    /// It is this job's turn, but a person has to do something first.
    Needs(i64, String),
    /// Nothing begins.
    Nothing,
}

/// The job whose turn it is: the first in order that is not held back.
#[must_use]
pub fn turn(waiting: &[Waiting]) -> Option<i64> {
    waiting.iter().find(|w| !w.held).map(|w| w.job)
}

/// What comes next. `held` is true for a held queue or a daemon that winds down; `need` is asked of the job whose turn it is.
#[must_use]
pub fn next(waiting: &[Waiting], held: bool, need: impl FnOnce(i64) -> Need) -> Next {
    match turn(waiting) {
        Some(job) if !held => match need(job) {
            Need::Nothing => Next::Begin(job),
            Need::Person(what) => Next::Needs(job, what),
        },
        _ => Next::Nothing,
    }
}

/// How long a check standard that was within its limits keeps the queue open. Common practice, no source: once a working day.
const OPEN: SignedDuration = SignedDuration::from_hours(24);

/// Why a job can't begin before the check standard was measured; `None` where it may. `mounted` are the check standards of the
/// job itself, `opened` is when `wanted` was measured within its limits.
#[must_use]
pub fn opening(wanted: &str, mounted: &[&str], opened: Option<UtcTime>, now: UtcTime) -> Option<String> {
    let since = opened.map(|at| now.timestamp().duration_since(at.timestamp()));
    // A clock that was set back says nothing.
    let is_open = since.is_some_and(|since| !since.is_negative() && since < OPEN);
    (!is_open && !mounted.contains(&wanted)).then(|| {
        format!(
            "the queue opens with the check standard {wanted}: put a job before this one in which it is mounted with role = \"check \
             standard\""
        )
    })
}

/// How a run ended, as far as the queue is concerned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// To its end, however it ended.
    Run {
        /// How.
        outcome: Outcome,
        /// Word of the trip.
        trip: Option<String>,
        /// Why somebody has to look, from the run or its witnesses.
        hold: Option<String>,
        /// Why it was not let begin or go on: a permissive, or leave that ended.
        refused: Option<String>,
        /// What failed.
        failures: Vec<String>,
    },
    /// It has no result: the station or the program failed.
    Broken(String),
}

/// Why the queue holds after a run; `None` where it goes on.
#[must_use]
pub fn hold_after(run: &str, ended: &Ended) -> Option<String> {
    let first =
        |failures: &[String]| failures.first().cloned().unwrap_or_else(|| "see its journal".to_owned());
    match ended {
        Ended::Broken(why) => Some(format!("run {run} has no result: {why}")),
        Ended::Run { outcome: Outcome::Tripped, trip, .. } => {
            let reason = trip.as_deref().unwrap_or("unknown");
            Some(format!("run {run} tripped ({reason}); look, acknowledge, then let the queue go on"))
        }
        Ended::Run { outcome: Outcome::Failed, failures, .. } => {
            Some(format!("run {run} failed: {}", first(failures)))
        }
        Ended::Run { outcome: Outcome::Interrupted, .. } => Some(format!("run {run} was cut off")),
        Ended::Run { hold: Some(why), .. } => Some(format!("run {run}: {why}")),
        Ended::Run { outcome: Outcome::Cancelled, refused: Some(why), .. } => {
            Some(format!("run {run}: {why}"))
        }
        Ended::Run { outcome: Outcome::Done | Outcome::Cancelled, .. } => None,
    }
}

#[cfg(test)]
mod tests;
