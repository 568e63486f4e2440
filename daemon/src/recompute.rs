//! Deriving every result of a run directory again from its raw waveforms, and verifying its chain.
//!
//! Same program and target: identical bytes. Otherwise figures agree within 1e-11.

use crate::files::Files;
use crate::hash::sha256;
use crate::record::ResultRecord;
use crate::record::assemble::assemble;
use crate::record::channel_ratio::RatioToneEntry;
use crate::record::convert;
use crate::record::convert::cable_back;
use crate::record::estimators::{Estimator, estimator};
use crate::record::journal::{
    FinishedEntry, FirstMotionEntry, Journal, PointEntry, QuietEntry, UnreachedEntry, What,
};
use crate::record::raw::Raw;
use crate::record::run::{RunRecord, target};
use crate::record::substitution::SubstitutedEntry;
use calibration::evaluate::{Conventions, RunFacts};
use calibration::sequence::{
    FirstMotion, Measurement, PointEnd, QuietRecord, QuietTime, RatioTone, Setup, Standing,
};
use plan_schema::units::{Celsius, Hertz, SampleIndex, Seconds, Volts};
use serde_json::Value;
use std::collections::BTreeSet;
use std::fmt;
use std::path::Path;
use std::sync::Arc;

/// What was derived again.
#[derive(Debug)]
pub struct Recomputed {
    /// Name of the run.
    pub run: String,
    /// Points and repeats that were fitted again.
    pub dwells: usize,
    /// Entries of the journal.
    pub entries: usize,
    /// The result as derived again; `None` for a run that was cut off.
    pub result: Option<ResultRecord>,
    /// True if the bytes are the same, false if only the figures are.
    pub identical: bool,
    /// What results state today and this one does not, being of an earlier time: it has nothing to be compared with.
    pub not_stated: Vec<String>,
    /// A torn last line of the journal, set aside.
    pub torn: Option<String>,
}

/// Something in the records is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Discrepancy {
    /// The file.
    pub file: String,
    /// What is wrong with it.
    pub what: String,
}

impl fmt::Display for Discrepancy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.file, self.what)
    }
}

impl std::error::Error for Discrepancy {}

fn wrong(file: impl Into<String>, what: impl Into<String>) -> Discrepancy {
    Discrepancy { file: file.into(), what: what.into() }
}

/// Derives a run again and compares.
///
/// # Errors
/// The first thing that is not as it was written, with the file's name.
pub fn recompute(directory: &Path, files: &dyn Files) -> Result<Recomputed, Discrepancy> {
    let read = |name: &str| {
        files.read(&directory.join(name)).map_err(|e| wrong(name, format!("can't be read: {e}")))
    };
    let journal = Journal::read(&read("journal.jsonl")?).map_err(|e| wrong("journal.jsonl", e))?;
    let run_bytes = read("run.json")?;
    let Some(What::Started(start)) = journal.entries.first().map(|e| &e.what) else {
        return Err(wrong("journal.jsonl", "its first entry does not begin a run"));
    };
    if sha256(&run_bytes) != start.run_sha256 {
        return Err(wrong("run.json", "its hash is not the one in the journal"));
    }
    let record: RunRecord =
        serde_json::from_slice(&run_bytes).map_err(|e| wrong("run.json", format!("can't be read: {e}")))?;
    let estimator = estimator(record.estimator).map_err(|what| wrong("run.json", what))?;
    let job = record.job().map_err(|e| wrong("run.json", e.to_string()))?;
    let mut setup = Setup::new(job);
    // What it says is held against its hash below.
    setup.conventions = read("result.json").map_or(Conventions::default(), |stored| conventions(&stored));
    let replay = Replay { directory, files, setup: &setup, estimator };
    let (facts, end) = replay.facts(&journal)?;
    let mut recomputed = Recomputed {
        run: record.run.clone(),
        dwells: facts.ends.iter().filter(|e| matches!(e, PointEnd::Measured(_))).count(),
        entries: journal.entries.len(),
        result: None,
        identical: false,
        not_stated: Vec::new(),
        torn: journal.torn.clone(),
    };
    let Some(end) = end else {
        // Cut off: there is no result to compare with, and what is there is as it was written.
        return Ok(recomputed);
    };
    if let Some(hash) = &end.truth_sha256
        && sha256(&read("truth.json")?) != *hash
    {
        return Err(wrong("truth.json", "its hash is not the one in the journal"));
    }
    let stored = read("result.json")?;
    if sha256(&stored) != end.result_sha256 {
        return Err(wrong("result.json", "its hash is not the one in the journal"));
    }
    let result = assemble(&record, &setup, &facts, &end).map_err(|e| wrong("run.json", e.to_string()))?;
    (recomputed.identical, recomputed.not_stated) = compare(&record, &stored, &result)?;
    recomputed.result = Some(result);
    Ok(recomputed)
}

/// Derives the facts of a run again from some of its entries and the waveforms that they name, which are verified, with the
/// estimator of this number.
///
/// # Errors
/// The first thing that is not as it was written.
pub fn replay(
    directory: &Path,
    files: &dyn Files,
    setup: &Setup,
    journal: &Journal,
    number: u32,
) -> Result<RunFacts, Discrepancy> {
    let estimator = estimator(number).map_err(|what| wrong("run.json", what))?;
    Replay { directory, files, setup, estimator }.facts(journal).map(|(facts, _)| facts)
}

struct Replay<'a> {
    directory: &'a Path,
    files: &'a dyn Files,
    setup: &'a Setup,
    estimator: &'static Estimator,
}

impl Replay<'_> {
    fn facts(&self, journal: &Journal) -> Result<(RunFacts, Option<FinishedEntry>), Discrepancy> {
        let mut facts = RunFacts::default();
        let mut end = None;
        for entry in &journal.entries {
            match &entry.what {
                What::Started(_)
                | What::TakenOver(_)
                | What::Paused(_)
                | What::WentOn(_)
                | What::ClockSet(_) => {}
                What::Quiet(quiet) => facts.quiet.push(self.quiet(quiet)?),
                What::FirstMotion(motion) => {
                    facts.first_motion = Some(self.first_motion(motion, facts.rest())?);
                }
                What::Point(point) => {
                    let measured = self.dwell(point, &facts)?;
                    facts.ends.push(PointEnd::Measured(measured));
                }
                What::RatioTone(tone) => facts.channels.push(self.ratio_tone(tone)?),
                What::Substituted(tone) => facts.channels.push(self.substituted(tone)?),
                What::Confirmed(entry_of) => {
                    let (cable, name) = (cable_back(entry_of.cable), entry_of.name.clone());
                    facts.confirmed.push((cable, name, entry.t_utc.to_string()));
                }
                What::Unreached(unreached) => facts.ends.push(unreached_back(unreached)),
                What::Trip(trip) => drop(self.raw(&trip.raw_sha256)?),
                // No later line vouches for the last one: what it says is held against the result, its time here.
                What::Finished(finished) if finished.ended != entry.t_utc => {
                    return Err(wrong("journal.jsonl", "its last entry was not written when the run ended"));
                }
                What::Finished(finished) => end = Some(finished.as_ref().clone()),
            }
        }
        Ok((facts, end))
    }

    /// Reads waveforms and verifies that they are the ones that the journal names.
    fn raw(&self, hash: &str) -> Result<Raw, Discrepancy> {
        let name = format!("raw/{hash}.parquet");
        let path = self.directory.join(&name);
        let bytes = self.files.read(&path).map_err(|e| wrong(&name, format!("can't be read: {e}")))?;
        if sha256(&bytes) != hash {
            return Err(wrong(&name, "its hash is not its name"));
        }
        Raw::decode(bytes).map_err(|e| wrong(&name, format!("can't be read: {e}")))
    }

    fn quiet(&self, entry: &QuietEntry) -> Result<QuietRecord, Discrepancy> {
        let raw = self.raw(&entry.raw_sha256)?;
        let when = if entry.before { QuietTime::Before } else { QuietTime::After };
        let rig = &self.setup.job.rig;
        let (rate, mains) = (rig.acquisition.rate, rig.mains_frequency);
        Ok(QuietRecord::of(when, SampleIndex(entry.first_sample), Arc::new(raw.columns), rate, mains))
    }

    fn first_motion(
        &self,
        entry: &FirstMotionEntry,
        rest: Option<&QuietRecord>,
    ) -> Result<FirstMotion, Discrepancy> {
        let raw = self.raw(&entry.raw_sha256)?;
        let tone = (Hertz::new(entry.applied_frequency_hz), Volts::new(entry.drive_v_peak));
        let began =
            entry.began_samples.map(|(earliest, latest)| (SampleIndex(earliest), SampleIndex(latest)));
        let first_sample = SampleIndex(entry.first_sample);
        let motion = FirstMotion::of(self.setup, rest, tone, began, first_sample, Arc::new(raw.columns));
        let found: Vec<_> = motion.verdict.findings.iter().map(convert::finding).collect();
        if found != entry.findings {
            return Err(wrong(
                "journal.jsonl",
                "the first motion's findings do not follow from its waveforms",
            ));
        }
        Ok(FirstMotion { samples: Arc::default(), ..motion })
    }

    fn ratio_tone(&self, entry: &RatioToneEntry) -> Result<RatioTone, Discrepancy> {
        let raw = self.raw(&entry.raw_sha256)?;
        let when = if entry.before { QuietTime::Before } else { QuietTime::After };
        let number = usize::try_from(entry.tone.saturating_sub(1)).unwrap_or(usize::MAX);
        let tone = (Hertz::new(entry.applied_frequency_hz), Volts::new(entry.drive_v_peak));
        let columns = Arc::new(raw.columns);
        let tone = RatioTone::of(self.setup, (when, number), tone, SampleIndex(entry.first_sample), columns);
        if tone.wanted(&self.setup.job).is_none() {
            return Err(wrong("journal.jsonl", format!("the plan has no tone {} for channels", entry.tone)));
        }
        Ok(RatioTone { samples: Arc::default(), ..tone })
    }

    fn substituted(&self, entry: &SubstitutedEntry) -> Result<RatioTone, Discrepancy> {
        let raw = self.raw(&entry.raw_sha256)?;
        let point = usize::try_from(entry.point.saturating_sub(1)).unwrap_or(usize::MAX);
        let tone = (Hertz::new(entry.applied_frequency_hz), Volts::new(entry.drive_v_peak));
        let (first, columns) = (SampleIndex(entry.first_sample), Arc::new(raw.columns));
        let tone = RatioTone::of_reference(self.setup, point, tone, first, columns);
        if tone.wanted(&self.setup.job).is_none() {
            return Err(wrong("journal.jsonl", format!("the plan has no point {}", entry.point)));
        }
        Ok(RatioTone { samples: Arc::default(), ..tone })
    }

    fn dwell(&self, entry: &PointEntry, facts: &RunFacts) -> Result<Measurement, Discrepancy> {
        let number = usize::try_from(entry.point.saturating_sub(1)).unwrap_or(usize::MAX);
        let job = &self.setup.job;
        if number >= job.points.len() {
            return Err(wrong("journal.jsonl", format!("the plan has no point {}", entry.point)));
        }
        let raw = self.raw(&entry.raw_sha256)?;
        let applied_frequency = Hertz::new(entry.applied_frequency_hz);
        let start_frequency = Hertz::new(entry.start_frequency_hz);
        let excluded = facts.first_motion.as_ref().map(|m| m.verdict.excluded(job)).unwrap_or_default();
        let standing = Standing { job, point: number, rest: facts.rest(), excluded: &excluded };
        let (estimate, mut findings) =
            (self.estimator.measure)(&standing, applied_frequency, start_frequency, &raw.columns);
        findings.extend(entry.findings.iter().map(convert::finding_back));
        Ok(Measurement {
            point: number,
            repeat: entry.repeat.saturating_sub(1),
            closing: entry.closing,
            first_sample: SampleIndex(entry.first_sample),
            length: raw.columns.first().map_or(0, Vec::len),
            samples: Arc::default(),
            applied_frequency,
            start_frequency,
            drive: Volts::new(entry.drive_v_peak),
            settle: Seconds::new(entry.settle_s),
            settled_error: entry.settled_error_percent / 100.0,
            temperature: entry.temperature_degc.map(Celsius::new),
            estimate,
            findings,
        })
    }
}

fn unreached_back(entry: &UnreachedEntry) -> PointEnd {
    PointEnd::Unreached {
        point: usize::try_from(entry.point.saturating_sub(1)).unwrap_or(usize::MAX),
        repeat: entry.repeat.saturating_sub(1),
        closing: entry.closing,
        settle: Seconds::new(entry.settle_s),
        finding: convert::finding_back(&entry.finding),
    }
}

/// What results did not always state. Whatever else is missing was taken away.
const LATER: [&str; 8] = [
    "scope",
    "guard_band_percent",
    "conformity_percent",
    "accredited",
    "phase_accredited",
    "budgets",
    "channel_ratio",
    "substitution",
];

/// By which conventions a result was stated: its keys tell.
fn conventions(stored: &[u8]) -> Conventions {
    let Ok(result) = serde_json::from_slice::<Value>(stored) else { return Conventions::default() };
    let sensors = result["sensors"].as_array().into_iter().flatten();
    let mut points = sensors.flat_map(|s| s["points"].as_array().into_iter().flatten());
    if points.any(|point| point.get("budgets").is_none()) {
        Conventions::FirstOrder
    } else if result.get("substitution").is_none() {
        Conventions::Simulated
    } else {
        Conventions::ByDistribution
    }
}

/// True for identical bytes, and what is not stated; an error where figures differ by more than they may.
fn compare(
    record: &RunRecord,
    stored: &[u8],
    result: &ResultRecord,
) -> Result<(bool, Vec<String>), Discrepancy> {
    let bug = |e: serde_json::Error| wrong("result.json", e.to_string());
    let mut text = serde_json::to_string_pretty(result).map_err(bug)?;
    text.push('\n');
    if text.as_bytes() == stored {
        return Ok((true, Vec::new()));
    }
    let same_program = record.target == target() && record.software.version == env!("CARGO_PKG_VERSION");
    let was: Value = serde_json::from_slice(stored).map_err(bug)?;
    let is = serde_json::to_value(result).map_err(bug)?;
    let mut not_stated = BTreeSet::new();
    match difference("", &was, &is, &mut not_stated) {
        Some(place) => Err(wrong("result.json", format!("derived again it differs at {place}"))),
        None if same_program && not_stated.is_empty() => {
            Err(wrong("result.json", "derived again its bytes differ, though its figures do not"))
        }
        None => Ok((false, not_stated.into_iter().collect())),
    }
}

/// Where two JSON values differ by more than 1e-11, relative or absolute. Keys that came later and the first lacks are
/// noted, each once, whatever its place in a list.
fn difference(place: &str, was: &Value, is: &Value, not_stated: &mut BTreeSet<String>) -> Option<String> {
    match (was, is) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap_or(f64::NAN), b.as_f64().unwrap_or(f64::NAN));
            let near = (a - b).abs() <= 1e-11 * a.abs().max(b.abs()).max(1.0);
            (!near).then(|| format!("{place}: {a} was stored, {b} follows from the waveforms"))
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => a
            .iter()
            .zip(b)
            .enumerate()
            .find_map(|(n, (a, b))| difference(&format!("{place}[{n}]"), a, b, not_stated)),
        (Value::Object(a), Value::Object(b)) => {
            let lost = a.iter().find(|(key, _)| !b.contains_key(*key));
            if let Some((key, value)) = lost {
                return Some(format!(
                    "{place}.{key}: {value} was stored, nothing follows from the waveforms"
                ));
            }
            b.iter().find_map(|(key, is)| match a.get(key) {
                Some(was) => difference(&format!("{place}.{key}"), was, is, not_stated),
                None if LATER.contains(&key.as_str()) => {
                    not_stated.insert(format!("{}{key}", of_any(place)));
                    None
                }
                None => Some(format!("{place}.{key}: nothing was stored, {is} follows from the waveforms")),
            })
        }
        (a, b) => (a != b).then(|| format!("{place}: {a} was stored, {b} follows from the waveforms")),
    }
}

/// A place without its numbers in lists, ready for a key: `sensors.points.`; empty for the whole.
fn of_any(place: &str) -> String {
    let mut names: Vec<&str> = place.split('.').map(|p| p.split('[').next().unwrap_or(p)).collect();
    names.retain(|name| !name.is_empty());
    names.iter().map(|name| format!("{name}.")).collect()
}
