//! The end of a run: from the station's report to `result.json` and certificates.

use super::begun::Bench;
use crate::certificate::issue;
use crate::record::assemble::assemble;
use crate::record::convert;
use crate::record::journal::FinishedEntry;
use crate::record::truth::TruthRecord;
use crate::record::words::Outcome;
use crate::record::{ResultRecord, RunDirectory, RunRecord};
use crate::settings::Settings;
use crate::station::{Report, StationError};
use calibration::evaluate::RunFacts;
use calibration::sequence::{PointEnd, Resumed, Setup};
use std::fmt;
use std::path::PathBuf;

/// A run that is over, with everything that was derived from it.
#[derive(Debug)]
pub struct Done {
    /// The result, as it was stored.
    pub result: ResultRecord,
    /// What the station says of it.
    pub report: Report,
    /// The run directory.
    pub directory: PathBuf,
    /// Remarks on the certificates.
    pub warnings: Vec<String>,
    /// Why there are no certificates where there should be; the results are kept.
    pub no_certificates: Option<String>,
}

/// Why a run has no result. What was recorded stays.
#[derive(Debug)]
pub enum NotDone {
    /// It did not begin, or was cut off.
    Station(StationError),
    /// Its results can't be evaluated or written.
    Results(String),
    /// A simulated rig was left with drive on, which is a mistake in the program.
    Driven,
}

impl fmt::Display for NotDone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Station(error) => error.fmt(f),
            Self::Results(message) => f.write_str(message),
            Self::Driven => {
                f.write_str("the simulated rig was left with drive on; this is a mistake in the program")
            }
        }
    }
}

impl std::error::Error for NotDone {}

pub(super) fn conclude(
    settings: &Settings,
    certificates: bool,
    (setup, record, bench): (Setup, RunRecord, Bench),
    report: Report,
    mut store: RunDirectory,
) -> Result<Done, NotDone> {
    let truth = match &bench {
        Bench::Simulated(rig) => {
            rig.run_out();
            Some(rig.truth(&record.run))
        }
        Bench::Real { .. } => None,
    };
    let mut entry = finished(&setup, &record, &report);
    if let Some(resumed) = &setup.resumed {
        // The time of what was taken over was spent on the rig too.
        entry.rig_s += taken_over_s(&setup, resumed, &store.facts);
    }
    let result =
        write_results(&setup, &record, entry, truth.as_ref(), &mut store).map_err(NotDone::Results)?;
    if let Bench::Simulated(rig) = &bench
        && !rig.is_safe()
    {
        return Err(NotDone::Driven);
    }
    let mut warnings = Vec::new();
    let mut no_certificates = None;
    if certificates && result.outcome == Outcome::Done {
        let requests = issue::requests(settings, &setup.job, &result);
        match issue::write(settings, &requests, store.path()) {
            Ok(rendered) => warnings.extend(rendered.into_iter().flat_map(|r| r.warnings)),
            Err(error) => no_certificates = Some(error.to_string()),
        }
    }
    Ok(Done { result, report, directory: store.path().to_owned(), warnings, no_certificates })
}

/// Time of the dwells that an earlier run measured.
fn taken_over_s(setup: &Setup, resumed: &Resumed, facts: &RunFacts) -> f64 {
    let samples: usize = facts
        .ends
        .iter()
        .map(|end| match end {
            PointEnd::Measured(m) if !m.closing && resumed.done.contains(&m.point) => m.length,
            PointEnd::Measured(_) | PointEnd::Unreached { .. } => 0,
        })
        .sum();
    samples as f64 / setup.job.rig.acquisition.rate.si()
}

fn finished(setup: &Setup, record: &RunRecord, report: &Report) -> FinishedEntry {
    let tripped_at = report.tripped_at.unwrap_or(report.ended);
    FinishedEntry {
        outcome: convert::outcome(report.outcome),
        started: report.started.into(),
        ended: report.ended.into(),
        rig_s: report.rig_time.si(),
        foreseen_wait_s: setup.waits().total().si(),
        waited_s: report.waited.si(),
        hold: report.hold.clone(),
        trip: report.trip.as_ref().map(|trip| convert::trip(trip, &record.run, tripped_at.into())),
        ambient: convert::ambient(&report.ambient, setup.job.rig.roles.ambient.as_deref()),
        result_sha256: String::new(),
        truth_sha256: None,
    }
}

fn write_results(
    setup: &Setup,
    record: &RunRecord,
    entry: FinishedEntry,
    truth: Option<&TruthRecord>,
    store: &mut RunDirectory,
) -> Result<ResultRecord, String> {
    let facts = std::mem::take(&mut store.facts);
    let result = assemble(record, setup, &facts, &entry)
        .map_err(|e| format!("the results can't be evaluated: {e}; the waveforms are kept"))?;
    store.finish(entry, &result, truth).map_err(|e| {
        format!("{}: the results can't be written: {e}; the waveforms are kept", store.path().display())
    })?;
    Ok(result)
}
