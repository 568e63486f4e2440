//! Runs of a job in this process, with a memory in place of the run directory: thousands of them, for searches.
//!
//! Engine, run, interlock and simulated rig are those of the program; only the disk is missing. Owns: such a run and what it
//! left ([`Ran`]). Must not: judge.

use anyhow::{Context, Result};
use calibration::evaluate::RunFacts;
use calibration::interlock::Trip;
use calibration::sequence::{
    Cable, Event, FirstMotion, Measurement, Outcome, Pause, PointEnd, QuietRecord, RatioTone, Recent, Setup,
};
use calwright::files::Files;
use calwright::record::assemble::assemble;
use calwright::record::journal::FinishedEntry;
use calwright::record::result::Software;
use calwright::record::{ResultRecord, convert};
use calwright::record::{RunRecord, UtcTime};
use calwright::station::latch::LatchFile;
use calwright::station::{self, Authority, Mission, Observer, Report, RunStore};
use calwright::wiring::Simulated;
use plan_schema::faults::Faults;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Mono, Seconds};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// What a run left.
pub struct Ran {
    /// What the engine says.
    pub report: Report,
    /// The result, as `result.json` would say it.
    pub result: ResultRecord,
    /// What the simulator knows, as `truth.json` would say it.
    pub truth: calwright::record::TruthRecord,
    /// True if nothing could move any more when it was over.
    pub at_rest: bool,
    /// When each point and each dwell began, in simulated time.
    pub begun: Vec<(Begun, Mono)>,
}

/// What began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begun {
    /// The way to a point's amplitude.
    Point,
    /// Its dwell.
    Dwell,
}

/// Runs a job to its end.
///
/// # Errors
/// If the run does not begin, or its result can't be evaluated.
pub fn run(setup: &Setup, seed: u64, faults: &Faults, folder: &Path) -> Result<Ran> {
    let job = &setup.job;
    let simulated = Simulated::new(job, seed, faults).map_err(|e| anyhow::anyhow!("{e}"))?;
    let record = record(setup, seed)?;
    let clock = Arc::new(Mutex::new(Vec::new()));
    let mission = Mission {
        run: "quick".to_owned(),
        registry: simulated.registry(job),
        clock: simulated.clock(record.started),
        files: Arc::new(Memory::default()),
        latch: LatchFile::of(folder, &job.rig.name, true),
        authority: Authority::DryRun,
        observers: vec![simulated.observer(), Box::new(Moments(clock.clone()))],
        setup: setup.clone(),
    };
    // The lock lies on a disk; it is let go with the run.
    std::fs::create_dir_all(mission.latch.directory())?;
    let (report, store) =
        station::run(mission, Kept::default(), |_| ()).map_err(|e| anyhow::anyhow!("{e}"))?;
    simulated.run_out();
    let begun = clock.lock().unwrap_or_else(PoisonError::into_inner).clone();
    ran(setup, seed, report, &store.facts, &simulated, begun)
}

/// When every run begins.
pub(crate) const STARTED: &str = "2000-01-01T00:00:00Z";

fn record(setup: &Setup, seed: u64) -> Result<RunRecord> {
    let software = Software { version: "quick".to_owned(), hash: None, validated: false };
    Ok(RunRecord::of(&setup.job, "quick", Some(seed), STARTED.parse()?, software))
}

/// What a run left, once everything is at rest.
///
/// # Errors
/// If its result can't be evaluated.
pub(crate) fn ran(
    setup: &Setup,
    seed: u64,
    report: Report,
    facts: &RunFacts,
    simulated: &Simulated,
    begun: Vec<(Begun, Mono)>,
) -> Result<Ran> {
    let record = record(setup, seed)?;
    let entry = finished(&setup.job, &record, &report, setup);
    let result = assemble(&record, setup, facts, &entry)
        .map_err(|e| anyhow::anyhow!("{e}"))
        .context("the results can't be evaluated")?;
    Ok(Ran { report, result, truth: simulated.truth("quick"), at_rest: simulated.is_safe(), begun })
}

fn finished(job: &ResolvedJob, record: &RunRecord, report: &Report, setup: &Setup) -> FinishedEntry {
    let at = report.tripped_at.unwrap_or(report.ended);
    FinishedEntry {
        outcome: convert::outcome(report.outcome),
        started: report.started.into(),
        ended: report.ended.into(),
        rig_s: report.rig_time.si(),
        foreseen_wait_s: setup.waits().total().si(),
        waited_s: report.waited.si(),
        hold: report.hold.clone(),
        trip: report.trip.as_ref().map(|trip| convert::trip(trip, &record.run, at.into())),
        ambient: convert::ambient(&report.ambient, job.rig.roles.ambient.as_deref()),
        result_sha256: String::new(),
        truth_sha256: None,
    }
}

impl Ran {
    /// True if it came to its end.
    #[must_use]
    pub fn is_done(&self) -> bool {
        self.report.outcome == Outcome::Done
    }

    /// Word of the reason of its trip.
    #[must_use]
    pub fn trip(&self) -> Option<&'static str> {
        self.report.trip.as_ref().map(|trip| trip.reason.word())
    }
}

struct Moments(Arc<Mutex<Vec<(Begun, Mono)>>>);

impl Observer for Moments {
    fn event(&mut self, now: Mono, event: &Event) {
        let begun = match event {
            Event::PointBegins(_) => Begun::Point,
            Event::DwellBegins { .. } => Begun::Dwell,
            _ => return,
        };
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push((begun, now));
    }
}

/// The facts of a run, as the run directory keeps them.
#[derive(Default)]
struct Kept {
    facts: RunFacts,
}

impl RunStore for Kept {
    fn quiet(&mut self, _at: jiff::Timestamp, record: QuietRecord) -> io::Result<()> {
        keep_quiet(&mut self.facts, record);
        Ok(())
    }

    fn first_motion(&mut self, _at: jiff::Timestamp, motion: FirstMotion) -> io::Result<()> {
        keep_first_motion(&mut self.facts, motion);
        Ok(())
    }

    fn point(&mut self, _at: jiff::Timestamp, end: PointEnd) -> io::Result<()> {
        keep_point(&mut self.facts, end);
        Ok(())
    }

    fn ratio_tone(&mut self, _at: jiff::Timestamp, tone: RatioTone) -> io::Result<()> {
        self.facts.channels.push(RatioTone { samples: Arc::default(), ..tone });
        Ok(())
    }

    fn confirmed(&mut self, at: jiff::Timestamp, cable: Cable, name: &str) -> io::Result<()> {
        self.facts.confirmed.push((cable, name.to_owned(), UtcTime::from(at).to_string()));
        Ok(())
    }

    fn pause(&mut self, _at: jiff::Timestamp, _pause: &Pause) -> io::Result<()> {
        Ok(())
    }

    fn trip(&mut self, _at: jiff::Timestamp, _trip: &Trip, _recent: &Recent) -> io::Result<()> {
        Ok(())
    }
}

/// Keeps a quiet part without its samples.
pub(crate) fn keep_quiet(facts: &mut RunFacts, record: QuietRecord) {
    facts.quiet.push(QuietRecord { samples: Arc::default(), ..record });
}

/// Keeps the first motion without its samples.
pub(crate) fn keep_first_motion(facts: &mut RunFacts, motion: FirstMotion) {
    facts.first_motion = Some(FirstMotion { samples: Arc::default(), ..motion });
}

/// Keeps the end of a point without its samples.
pub(crate) fn keep_point(facts: &mut RunFacts, end: PointEnd) {
    facts.ends.push(match end {
        PointEnd::Measured(m) => PointEnd::Measured(Measurement { samples: Arc::default(), ..m }),
        unreached @ PointEnd::Unreached { .. } => unreached,
    });
}

/// A disk in memory.
#[derive(Default)]
struct Memory(Mutex<BTreeMap<PathBuf, Vec<u8>>>);

impl Memory {
    fn with<T>(&self, act: impl FnOnce(&mut BTreeMap<PathBuf, Vec<u8>>) -> T) -> T {
        act(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Files for Memory {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.with(|files| files.insert(path.to_owned(), bytes.to_vec()));
        Ok(())
    }

    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.with(|files| files.entry(path.to_owned()).or_default().extend_from_slice(bytes));
        Ok(())
    }

    fn create_dir(&self, _path: &Path) -> io::Result<()> {
        Ok(())
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.with(|files| files.get(path).cloned()).ok_or_else(|| io::ErrorKind::NotFound.into())
    }
}

/// How long a moment is after another.
#[must_use]
pub fn between(from: Mono, to: Mono) -> Seconds {
    to.since(from)
}
