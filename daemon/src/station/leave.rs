//! Leave to move: who gave it, for how long, and what it lapses on.
//!
//! Owns the record of a leave and the one rule by which it is judged, as a total function of everything it depends on.
//! Pure: must not read a clock, a file or this machine; [`super::leave_file`] does.
//!
//! Leave is given by a named person at the machine: the record lies in the state folder, where only a process of this
//! machine writes. Nothing listens on a network; what ever gives leave from afar needs a setting of its own first.

use super::latch::Latch;
use crate::hash::sha256;
use crate::record::UtcTime;
use calibration::interlock::TripReason;
use plan_schema::record::to_json;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Leave to move a rig, as it is stored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Leave {
    /// Number of this leave on this rig, from 1: each that is given has a higher one.
    pub generation: u64,
    /// Who gave it.
    pub name: String,
    /// When.
    pub given_utc: UtcTime,
    /// Until when.
    pub until_utc: UtcTime,
    /// What was confirmed, line by line.
    pub checklist: Vec<String>,
    /// Which start of the machine it was given in; null where the machine does not tell.
    pub boot_id: Option<String>,
    /// How long the machine had been up then: its wall clock may be set back meanwhile. Null where the machine does not tell.
    #[serde(default)]
    pub given_up_s: Option<f64>,
    /// SHA-256 of what the rig file said.
    pub rig_sha256: String,
    /// SHA-256 of what the first run under it had mounted; null before that run.
    pub mounted_sha256: Option<String>,
    /// When the last trip before it was acknowledged, as the latch says; null if there was none.
    pub acknowledged_utc: Option<String>,
    /// Set once it was taken away.
    pub withdrawn: Option<Withdrawal>,
}

/// Why and when leave was taken away before its time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Withdrawal {
    /// When.
    pub at_utc: UtcTime,
    /// By what.
    pub by: WithdrawnBy,
}

/// What takes leave away before its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WithdrawnBy {
    /// A person said stop.
    Stop,
    /// A trip.
    Trip,
    /// The door of a guard was open.
    Guard,
}

/// What lies in the place of a leave.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// Nothing.
    Nothing,
    /// A record that can't be used, and why.
    Unreadable(String),
    /// A record.
    Record(Box<Leave>),
}

/// Everything that a leave depends on, at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Around<'a> {
    /// Wall time.
    pub now: UtcTime,
    /// Which start of the machine this is; `None` where it does not tell.
    pub boot_id: Option<&'a str>,
    /// How long the machine has been up; `None` where it does not tell.
    pub up_s: Option<f64>,
    /// SHA-256 of what the rig file says now, by [`rig_sha256`].
    pub rig_sha256: &'a str,
    /// SHA-256 of what the job at hand has mounted, by [`mounted_sha256`]; `None` where no job is at hand.
    pub mounted_sha256: Option<&'a str>,
    /// What the latch says.
    pub latch: &'a Latch,
}

/// Whether there is leave to move.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    /// There is, until then.
    Given(UtcTime),
    /// There is none.
    Lapsed(Lapse),
}

/// Why there is no leave.
#[derive(Debug, Clone, PartialEq)]
pub enum Lapse {
    /// Nobody gave it.
    NeverGiven,
    /// The record can't be used.
    Unreadable(String),
    /// The rig is tripped; the word of the reason.
    Tripped(String),
    /// A run was cut off.
    CutOff,
    /// The rig tripped after it was given, and was acknowledged since.
    TrippedSince,
    /// It was taken away.
    Withdrawn(Withdrawal),
    /// The machine was started anew.
    Restarted,
    /// Its time is over; since when.
    TimeOver(UtcTime),
    /// The clock shows a time before it was given.
    ClockWentBack(UtcTime),
    /// The rig file says something else.
    RigChanged,
    /// Other sensors or channels are mounted than at the last run.
    Remounted,
}

/// Whether there is leave to move, by the first reason that speaks against it.
#[must_use]
pub fn standing(found: &Found, around: &Around<'_>) -> Standing {
    let acknowledged = match around.latch {
        Latch::Tripped { reason, .. } if *reason != TripReason::RestartWhileMoving.word() => {
            return Standing::Lapsed(Lapse::Tripped(reason.clone()));
        }
        Latch::Tripped { .. } | Latch::MayBeMoving { .. } => return Standing::Lapsed(Lapse::CutOff),
        Latch::Clear { acknowledged, .. } => acknowledged.as_ref().map(|a| a.at_utc.as_str()),
    };
    judged(found, around, Some(acknowledged))
}

/// Whether the leave of a run that goes on stands still. The latch of a rig that may be moving says nothing of it: that the leave
/// stood before was seen to when the run began.
#[must_use]
pub fn standing_in_run(found: &Found, around: &Around<'_>) -> Standing {
    judged(found, around, None)
}

/// By everything but the latch; `acknowledged` is its last acknowledgement, where it has one to say.
fn judged(found: &Found, around: &Around<'_>, acknowledged: Option<Option<&str>>) -> Standing {
    let leave = match found {
        Found::Nothing => return Standing::Lapsed(Lapse::NeverGiven),
        Found::Unreadable(why) => return Standing::Lapsed(Lapse::Unreadable(why.clone())),
        Found::Record(leave) => leave,
    };
    let mounted = leave.mounted_sha256.as_deref().zip(around.mounted_sha256);
    let lapse = if let Some(withdrawal) = &leave.withdrawn {
        Lapse::Withdrawn(withdrawal.clone())
    } else if acknowledged.is_some_and(|last| leave.acknowledged_utc.as_deref() != last) {
        Lapse::TrippedSince
    } else if leave.boot_id.as_deref() != around.boot_id {
        Lapse::Restarted
    } else if around.now < leave.given_utc {
        Lapse::ClockWentBack(leave.given_utc)
    } else if around.now >= leave.until_utc || leave.is_used_up(around.up_s) {
        Lapse::TimeOver(leave.until_utc)
    } else if leave.rig_sha256 != around.rig_sha256 {
        Lapse::RigChanged
    } else if mounted.is_some_and(|(then, now)| then != now) {
        Lapse::Remounted
    } else {
        return Standing::Given(leave.until_utc);
    };
    Standing::Lapsed(lapse)
}

impl Leave {
    /// Whether the machine has been up for as long as it was given: that can't be set back.
    fn is_used_up(&self, up_s: Option<f64>) -> bool {
        let lasts = self.until_utc.timestamp().duration_since(self.given_utc.timestamp()).as_secs_f64();
        self.given_up_s.zip(up_s).is_some_and(|(given, now)| now - given >= lasts)
    }
}

/// SHA-256 of what a rig file says: its keys and values, not its comments.
#[must_use]
pub fn rig_sha256(rig: &Rig) -> String {
    sha256(to_json(rig).to_string().as_bytes())
}

/// SHA-256 of what a job has mounted where.
#[must_use]
pub fn mounted_sha256(job: &ResolvedJob) -> String {
    sha256(to_json(&job.job.mounted).to_string().as_bytes())
}

impl fmt::Display for Lapse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeverGiven => write!(f, "nobody gave leave to move this rig"),
            Self::Unreadable(why) => write!(f, "the leave to move can't be read: {why}"),
            Self::Tripped(reason) => {
                write!(f, "the rig is tripped ({reason}), which ended the leave to move")
            }
            Self::CutOff => write!(f, "a run was cut off, which ended the leave to move"),
            Self::TrippedSince => write!(f, "the rig tripped after leave was given; that ended it"),
            Self::Withdrawn(Withdrawal { at_utc, by }) => {
                let by = match by {
                    WithdrawnBy::Stop => "a person said stop",
                    WithdrawnBy::Trip => "the rig tripped",
                    WithdrawnBy::Guard => "a guard was open",
                };
                write!(f, "the leave to move was withdrawn at {at_utc}: {by}")
            }
            Self::Restarted => {
                write!(f, "the machine was started anew, or is another one: the leave to move is over")
            }
            Self::TimeOver(until) => write!(f, "the leave to move ended at {until}"),
            Self::ClockWentBack(given) => {
                write!(
                    f,
                    "leave to move was given at {given}, which the clock of this machine has not reached"
                )
            }
            Self::RigChanged => write!(f, "the rig file was changed after leave to move was given"),
            Self::Remounted => {
                write!(
                    f,
                    "other sensors or channels are mounted than in the last run under this leave to move"
                )
            }
        }
    }
}

#[cfg(test)]
mod tests;
