//! The journal of a run: one entry a line, each chained to the bytes of the line before.
//!
//! What is hashed is what is stored, never a re-serialisation. The chain shows accidents and careless edits.
//! A torn last line is what a power cut leaves: it is set aside and said; a torn line elsewhere is corruption.

use crate::hash::sha256;
use crate::record::channel_ratio::{ConfirmedEntry, RatioToneEntry};
use crate::record::result::{AmbientRecord, Finding, TripRecord};
use crate::record::substitution::SubstitutedEntry;
use crate::record::time::UtcTime;
use crate::record::words::Outcome;
use serde::{Deserialize, Serialize};

/// `prev` of the first entry.
pub const GENESIS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Entry {
    /// Number of the entry, from 0.
    pub seq: u64,
    /// When it was written, UTC.
    pub t_utc: UtcTime,
    /// What it is and what it says.
    #[serde(flatten)]
    pub what: What,
    /// SHA-256 of the line before without its newline; zeros for the first.
    pub prev: String,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "kind", content = "body", rename_all = "snake_case")]
pub enum What {
    /// The run began.
    Started(StartedEntry),
    /// A quiet part is kept.
    Quiet(QuietEntry),
    /// The first motion is kept.
    FirstMotion(FirstMotionEntry),
    /// A dwell is kept.
    Point(PointEntry),
    /// One voltage in all channels is kept.
    RatioTone(RatioToneEntry),
    /// A point with the reference in the sensors' channels is kept.
    Substituted(SubstitutedEntry),
    /// A person moved cables.
    Confirmed(ConfirmedEntry),
    /// A point was not measured.
    Unreached(UnreachedEntry),
    /// What follows was recorded by an earlier run of the same job, which this one goes on with.
    TakenOver(TakenOverEntry),
    /// The run pauses at zero drive until the room is within the plan's limits.
    Paused(PausedEntry),
    /// The room is back; the run goes on.
    WentOn(WentOnEntry),
    /// The interlock tripped; the waveforms around it are kept.
    Trip(TripEntry),
    /// The wall clock of the machine was set in mid-run.
    ClockSet(ClockSetEntry),
    /// The run is over.
    Finished(Box<FinishedEntry>),
}

impl What {
    /// The waveforms that it names.
    #[must_use]
    pub fn raw_sha256(&self) -> Option<&str> {
        match self {
            Self::Quiet(entry) => Some(&entry.raw_sha256),
            Self::FirstMotion(entry) => Some(&entry.raw_sha256),
            Self::Point(entry) => Some(&entry.raw_sha256),
            Self::Trip(entry) => Some(&entry.raw_sha256),
            Self::RatioTone(entry) => Some(&entry.raw_sha256),
            Self::Substituted(entry) => Some(&entry.raw_sha256),
            Self::Confirmed(_)
            | Self::Started(_)
            | Self::Unreached(_)
            | Self::TakenOver(_)
            | Self::ClockSet(_)
            | Self::Paused(_)
            | Self::WentOn(_)
            | Self::Finished(_) => None,
        }
    }
}

/// The run began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StartedEntry {
    /// SHA-256 of `run.json`.
    pub run_sha256: String,
    /// The leave to move under which it began; null for dry runs.
    pub leave: Option<LeaveEntry>,
}

/// Leave to move.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LeaveEntry {
    /// Who gave it.
    pub name: String,
    /// When.
    pub given_utc: UtcTime,
    /// Until when.
    pub until_utc: UtcTime,
    /// What was confirmed, line by line.
    pub checklist: Vec<String>,
}

/// A quiet part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuietEntry {
    /// True for the one before the first motion, false for the one after the last.
    pub before: bool,
    /// Index of its first sample.
    pub first_sample: u64,
    /// SHA-256 of its raw file, which is also the file's name.
    pub raw_sha256: String,
}

/// The first motion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FirstMotionEntry {
    /// Index of its first sample.
    pub first_sample: u64,
    /// Frequency as the source applied it.
    pub applied_frequency_hz: f64,
    /// Drive as the source applied it.
    pub drive_v_peak: f64,
    /// Indices of the samples at which the tone began at the earliest and at the latest, rising from zero; null where the
    /// source does not say at which phase it begins.
    pub began_samples: Option<(u64, u64)>,
    /// What was found against sensors; they take no part in the run any more.
    pub findings: Vec<Finding>,
    /// SHA-256 of its raw file, which is also the file's name.
    pub raw_sha256: String,
}

/// A dwell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PointEntry {
    /// Number of the point in the plan, from 1.
    pub point: u64,
    /// Number of the repeat, from 1.
    pub repeat: u32,
    /// True if this is the closing look at the point that was measured first.
    pub closing: bool,
    /// Index of its first sample.
    pub first_sample: u64,
    /// Frequency as the source applied it.
    pub applied_frequency_hz: f64,
    /// Frequency at which the fit starts: as applied, times the ratio of the clocks as known by then.
    pub start_frequency_hz: f64,
    /// Drive as the source applied it.
    pub drive_v_peak: f64,
    /// Time from the start of the point to the dwell.
    pub settle_s: f64,
    /// How far the amplitude was off its target when the dwell began.
    pub settled_error_percent: f64,
    /// Temperature when the dwell began.
    pub temperature_degc: Option<f64>,
    /// Findings that the waveforms alone don't show.
    pub findings: Vec<Finding>,
    /// SHA-256 of its raw file, which is also the file's name.
    pub raw_sha256: String,
}

/// A point that was not measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnreachedEntry {
    /// Number of the point in the plan, from 1.
    pub point: u64,
    /// Number of the repeat, from 1.
    pub repeat: u32,
    /// True if this was the closing look at the point that was measured first.
    pub closing: bool,
    /// Time spent on it.
    pub settle_s: f64,
    /// Why.
    pub finding: Finding,
}

/// The entries that follow, as many as it says, are those of an earlier run, with their times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TakenOverEntry {
    /// Name of the earlier run.
    pub run: String,
    /// SHA-256 of the last whole line of its journal.
    pub journal_sha256: String,
    /// How many entries follow.
    pub entries: u64,
}

/// A pause begins.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PausedEntry {
    /// Number of the point in the plan, from 1, whose measurement was given up and is done anew; null between points.
    pub point: Option<u64>,
    /// What was out of its limits.
    pub finding: Finding,
}

/// A pause ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WentOnEntry {
    /// How long the pause took.
    pub paused_s: f64,
}

/// A trip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TripEntry {
    /// The trip.
    pub trip: TripRecord,
    /// Index of the first sample kept.
    pub first_sample: u64,
    /// SHA-256 of the raw file with the waveforms around it.
    pub raw_sha256: String,
}

/// The wall clock was set. Times of this journal go on as if it had not been: those of entries before and after this one can be
/// compared, and what the clock shows from now on is so much later.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClockSetEntry {
    /// By how much; negative where it was set back.
    pub set_by_s: f64,
}

/// The run is over: what can't be derived from the entries before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FinishedEntry {
    /// How it ended.
    pub outcome: Outcome,
    /// When the first motion was prepared.
    pub started: UtcTime,
    /// When everything was at rest.
    pub ended: UtcTime,
    /// Time from the first sample to the last.
    pub rig_s: f64,
    /// Waits that were foreseen.
    pub foreseen_wait_s: f64,
    /// Time that was spent in them.
    pub waited_s: f64,
    /// Why somebody has to look before anything else is run, as far as the results don't say.
    pub hold: Option<String>,
    /// The trip, if it tripped.
    pub trip: Option<TripRecord>,
    /// Ambient conditions.
    pub ambient: Option<AmbientRecord>,
    /// SHA-256 of `result.json`.
    pub result_sha256: String,
    /// SHA-256 of `truth.json`, for dry runs.
    pub truth_sha256: Option<String>,
}

/// Writes entries: keeps the number and the hash of the last line.
#[derive(Debug, Clone)]
pub struct Chain {
    seq: u64,
    prev: String,
}

impl Default for Chain {
    fn default() -> Self {
        Self { seq: 0, prev: GENESIS.to_owned() }
    }
}

impl Chain {
    /// The line of the next entry, with its newline.
    ///
    /// # Errors
    /// Only where the entry can't be written as JSON, which is a mistake in the program.
    pub fn line(&mut self, at: UtcTime, what: What) -> Result<String, serde_json::Error> {
        let entry = Entry { seq: self.seq, t_utc: at, what, prev: self.prev.clone() };
        let mut line = serde_json::to_string(&entry)?;
        self.seq += 1;
        self.prev = sha256(line.as_bytes());
        line.push('\n');
        Ok(line)
    }
}

/// A journal as it was read back.
#[derive(Debug, Clone, PartialEq)]
pub struct Journal {
    /// Its entries.
    pub entries: Vec<Entry>,
    /// A torn last line, set aside.
    pub torn: Option<String>,
    /// SHA-256 of the last whole line; zeros where there is none.
    pub head: String,
}

impl Journal {
    /// Reads a journal and verifies its chain.
    ///
    /// # Errors
    /// What is wrong, with the number of the line.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        let mut journal = Self { entries: Vec::new(), torn: None, head: GENESIS.to_owned() };
        let mut prev = GENESIS.to_owned();
        let mut rest = bytes;
        let mut number = 0usize;
        while !rest.is_empty() {
            number += 1;
            let Some(end) = rest.iter().position(|b| *b == b'\n') else {
                journal.torn = Some(String::from_utf8_lossy(rest).into_owned());
                break;
            };
            let (line, after) = rest.split_at(end);
            rest = after.get(1..).unwrap_or(&[]);
            let entry: Entry =
                serde_json::from_slice(line).map_err(|e| format!("line {number} can't be read: {e}"))?;
            if entry.prev != prev {
                return Err(format!("line {number} does not follow from the line before it"));
            }
            if entry.seq + 1 != number as u64 {
                return Err(format!("line {number} has the number {}", entry.seq));
            }
            prev = sha256(line);
            journal.entries.push(entry);
        }
        journal.head = prev;
        Ok(journal)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written() -> Vec<u8> {
        let mut chain = Chain::default();
        let at: UtcTime = "2000-01-01T00:00:00Z".parse().unwrap();
        ["a", "b", "c"]
            .iter()
            .map(|hash| {
                chain
                    .line(at, What::Started(StartedEntry { run_sha256: (*hash).to_owned(), leave: None }))
                    .unwrap()
            })
            .collect::<String>()
            .into_bytes()
    }

    #[test]
    fn reads_back() {
        let journal = Journal::read(&written()).unwrap();
        assert_eq!(journal.entries.len(), 3);
        assert_eq!(journal.torn, None);
    }

    #[test]
    fn any_flipped_byte_is_found_unless_it_tears_the_last_line() {
        let good = written();
        for position in 0..good.len() {
            let mut bad = good.clone();
            bad[position] ^= 1;
            if let Ok(journal) = Journal::read(&bad) {
                // Only the last line has no successor that vouches for it; its own hash is kept by who reads it.
                let last = good[..good.len() - 1].iter().rposition(|b| *b == b'\n').unwrap();
                assert!(position > last, "byte {position}");
                assert!(
                    journal.torn.is_some() || journal.entries[2] != Journal::read(&good).unwrap().entries[2]
                );
            }
        }
    }

    #[test]
    fn a_torn_last_line_is_set_aside_and_a_missing_line_is_not() {
        let good = written();
        let torn = Journal::read(&good[..good.len() - 5]).unwrap();
        assert_eq!(torn.entries.len(), 2);
        assert!(torn.torn.is_some());
        let lines: Vec<&[u8]> = good.split_inclusive(|b| *b == b'\n').collect();
        assert!(Journal::read(&[lines[0], lines[2]].concat()).is_err());
    }
}
