//! An earlier run of the same job that was ended before its end: what of it is complete, to go on with.
//!
//! Owns which of its records count. A point is complete where the run went on from it, or where its last dwell had nothing
//! against it and it was repeated as often as the plan says; what is not complete is left where it is, and measured anew.

use super::journal::{Entry, Journal, What};
use super::run::RunRecord;
use crate::files::Files;
use crate::recompute::replay;
use calibration::evaluate::RunFacts;
use calibration::sequence::{PointEnd, Resumed, Setup};
use std::collections::BTreeSet;
use std::path::Path;

/// What is taken over from an earlier run.
#[derive(Debug, Clone)]
pub struct Earlier {
    /// Name of that run.
    pub run: String,
    /// SHA-256 of the last whole line of its journal.
    pub head: String,
    /// The entries that count, as they were.
    pub entries: Vec<Entry>,
    /// What they say, without samples.
    pub facts: RunFacts,
    /// The same for the run machine.
    pub resumed: Resumed,
}

/// Reads what is complete of an earlier run; `None` where no point is. `record` is that of the run that goes on.
///
/// # Errors
/// In words: another job, another rig file, records that are not as they were written.
pub fn earlier(
    directory: &Path,
    files: &dyn Files,
    setup: &Setup,
    record: &RunRecord,
) -> Result<Option<Earlier>, String> {
    let read = |name: &str| files.read(&directory.join(name)).map_err(|e| format!("{name}: {e}"));
    let before: RunRecord =
        serde_json::from_slice(&read("run.json")?).map_err(|e| format!("run.json: {e}"))?;
    if let Some(what) = differs(&before, record) {
        return Err(format!("run {} had another {what}; hand the job in anew", before.run));
    }
    let whole = Journal::read(&read("journal.jsonl")?).map_err(|e| format!("journal.jsonl: {e}"))?;
    let counts = |entry: &&Entry| match &entry.what {
        What::Quiet(quiet) => quiet.before,
        What::FirstMotion(_) | What::Point(_) | What::Unreached(_) => true,
        What::Started(_)
        | What::TakenOver(_)
        // Channels are compared anew, and those of the run that goes on count.
        | What::RatioTone(_)
        | What::Substituted(_)
        | What::Confirmed(_)
        | What::Paused(_)
        | What::WentOn(_)
        | What::Trip(_)
        | What::ClockSet(_)
        | What::Finished(_) => false,
    };
    let entries: Vec<Entry> = whole.entries.iter().filter(counts).cloned().collect();
    let ended = whole.entries.iter().any(|e| matches!(&e.what, What::Quiet(quiet) if !quiet.before));
    let journal = Journal { entries, torn: None, head: whole.head };
    let mut facts = replay(directory, files, setup, &journal, before.estimator).map_err(|e| e.to_string())?;
    let complete = complete(setup, &facts.ends, ended);
    let mut kept = complete.iter();
    let is_end = |entry: &Entry| matches!(entry.what, What::Point(_) | What::Unreached(_));
    let entries: Vec<Entry> = journal
        .entries
        .into_iter()
        .filter(|entry| !is_end(entry) || kept.next().copied().unwrap_or(false))
        .collect();
    let mut kept = complete.iter();
    facts.ends.retain(|_| kept.next().copied().unwrap_or(false));
    let first = facts.ends.iter().find_map(|end| match end {
        PointEnd::Measured(m) if !m.closing && m.estimate.is_ok() => Some(m.clone()),
        PointEnd::Measured(_) | PointEnd::Unreached { .. } => None,
    });
    let Some(first) = first else { return Ok(None) };
    let done: BTreeSet<usize> = facts.ends.iter().filter_map(point_of).collect();
    let excluded = facts.first_motion.as_ref().map(|m| m.verdict.excluded(&setup.job)).unwrap_or_default();
    let resumed = Resumed { run: before.run.clone(), done, first, excluded };
    Ok(Some(Earlier { run: before.run, head: journal.head, entries, facts, resumed }))
}

/// The number of the point that an end is of; none for a closing look.
fn point_of(end: &PointEnd) -> Option<usize> {
    match end {
        PointEnd::Measured(m) => (!m.closing).then_some(m.point),
        PointEnd::Unreached { point, closing, .. } => (!closing).then_some(*point),
    }
}

/// For each end whether its point is complete. `ended` says that the run came to its closing quiet part.
fn complete(setup: &Setup, ends: &[PointEnd], ended: bool) -> Vec<bool> {
    let key = |end: &PointEnd| match end {
        PointEnd::Measured(m) => (m.point, m.closing),
        PointEnd::Unreached { point, closing, .. } => (*point, *closing),
    };
    let Some(last) = ends.last() else { return Vec::new() };
    let of_last = ends.iter().rev().take_while(|end| key(end) == key(last)).count();
    let went_on = ended || last_is_whole(setup, last, of_last);
    let before = ends.len() - of_last;
    (0..ends.len()).map(|n| n < before || went_on).collect()
}

/// Whether the last point needs no further dwell.
fn last_is_whole(setup: &Setup, last: &PointEnd, count: usize) -> bool {
    match last {
        PointEnd::Unreached { .. } => true,
        PointEnd::Measured(m) => {
            let wanted = setup.job.points.get(m.point).map_or(1, |p| p.repeats);
            let enough = m.closing || count >= usize::try_from(wanted).unwrap_or(usize::MAX);
            m.estimate.is_ok() && m.findings.is_empty() && enough
        }
    }
}

/// What of two runs is not the same, so that the one can't go on with the other.
fn differs(before: &RunRecord, now: &RunRecord) -> Option<&'static str> {
    let same = [
        ("job", before.job == now.job),
        ("plan", before.plan == now.plan && before.points == now.points),
        ("rig file", before.rig == now.rig),
        ("register of sensors", before.sensors == now.sensors),
        ("calibration of its reference", before.references == now.references),
        ("rig, real or simulated", before.simulated == now.simulated && before.seed == now.seed),
        ("estimator", before.estimator == now.estimator),
    ];
    same.iter().find(|(_, same)| !same).map(|(what, _)| *what)
}
