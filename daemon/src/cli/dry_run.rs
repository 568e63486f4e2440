//! `calwright dry-run`: a job on the simulated rig, through the same engine as on a real one.

use super::progress::painter;
use super::{Context, DryRunArguments, Exit, acknowledge, check, say, summary};
use crate::certificate::issue;
use crate::files::{Disk, Files};
use crate::load;
use crate::record::assemble::assemble;
use crate::record::convert;
use crate::record::journal::FinishedEntry;
use crate::record::result::Software;
use crate::record::words::{Decision, Outcome, PointStatus};
use crate::record::{ResultRecord, RunDirectory, RunRecord};
use crate::station::latch::LatchFile;
use crate::station::{self, Authority, Mission, Observer, Report, Start, StationError};
use crate::wiring::Simulated;
use calibration::evaluate::RunFacts;
use calibration::interlock::TripReason;
use calibration::sequence::{Operator, Setup};
use plan_schema::faults::Faults;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Mono, Seconds};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

pub(super) fn run(context: &Context, arguments: &DryRunArguments) -> Exit {
    match prepare(context, arguments) {
        Ok(prepared) => execute(context, arguments, prepared),
        Err(exit) => exit,
    }
}

/// Everything that is settled before the first block.
struct Prepared {
    setup: Setup,
    simulated: Simulated,
    record: RunRecord,
    directory: PathBuf,
}

fn prepare(context: &Context, arguments: &DryRunArguments) -> Result<Prepared, Exit> {
    let mut loaded = load::job(&arguments.job).map_err(|e| check::refuse(&e))?;
    let scope = context.settings.scope.as_deref().map(load::scope).transpose();
    loaded.job.scope = scope.map_err(|e| check::refuse(&e))?;
    say::error(&loaded.warnings.render(say::colour()));
    if let Some(overdue) = check::overdue(&loaded, arguments.at) {
        say::error(&overdue.render(say::colour()));
        return Err(Exit::Input);
    }
    let setup = Setup::new(loaded.job.clone());
    if !setup.feasible() {
        say::error(&check::obstacles(&loaded, &setup).render(say::colour()));
        return Err(Exit::Input);
    }
    let tight = check::tight::found(&loaded, &setup, arguments.at);
    if !tight.0.is_empty() {
        say::error(&tight.render(say::colour()));
    }
    if !tight.is_usable() {
        return Err(Exit::Input);
    }
    let faults = match &arguments.faults {
        Some(path) => load::faults(path, &loaded.job).map_err(|e| check::refuse(&e))?,
        None => Faults { format: loaded.job.plan.format, faults: Vec::new() },
    };
    // Asked here too, so that a run that is refused leaves no directory behind.
    let rig = &loaded.job.rig.name;
    station::may_begin(&latch_of(context, &loaded.job), &Disk, rig, arguments.at.timestamp())
        .map_err(|e| refused(context, rig, &e))?;
    let simulated = Simulated::new(&loaded.job, arguments.seed, &faults).map_err(|e| {
        say::error(&format!("error: {e}"));
        Exit::Input
    })?;
    let stem = arguments.job.file_stem().map_or("job".into(), |s| s.to_string_lossy());
    let name = format!("dry-{stem}-{}", arguments.seed);
    let record = RunRecord::of(&loaded.job, &name, Some(arguments.seed), arguments.at, software());
    let directory = match &arguments.out {
        Some(out) => out.clone(),
        None => free_directory(&name),
    };
    Ok(Prepared { setup, simulated, record, directory })
}

/// The latch of the simulated rig.
fn latch_of(context: &Context, job: &ResolvedJob) -> LatchFile {
    LatchFile::of(&context.settings.state_dir(), &job.rig.name, true)
}

/// The program as records name it.
fn software() -> Software {
    Software {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        hash: option_env!("CALWRIGHT_SOURCE_HASH").map(str::to_owned),
        validated: false,
    }
}

/// `run/NAME`, or with a number behind it where that is taken.
fn free_directory(name: &str) -> PathBuf {
    let base = Path::new("run");
    let first = base.join(name);
    if !first.exists() {
        return first;
    }
    (2..).map(|n: u32| base.join(format!("{name}-{n}"))).find(|p| !p.exists()).unwrap_or(first)
}

fn execute(context: &Context, arguments: &DryRunArguments, prepared: Prepared) -> Exit {
    let Prepared { setup, simulated, record, directory } = prepared;
    let files: Arc<dyn Files> = Arc::new(Disk);
    let store = match RunDirectory::create(&directory, files.clone(), &record, &setup.job, None) {
        Ok(store) => store,
        Err(error) => {
            let exit =
                if error.kind() == io::ErrorKind::AlreadyExists { Exit::Input } else { Exit::Environment };
            say::error(&format!("error: the run directory can't be made: {error}"));
            return exit;
        }
    };
    say::error(&format!("Dry run of {}, seed {}. SIMULATED.", arguments.job.display(), arguments.seed));
    let (painter, watcher) = painter(&setup.job.points);
    let mut observers = vec![simulated.observer(), watcher];
    if let Some(speed) = arguments.speed {
        observers.push(Box::new(Pace::new(speed)));
    }
    let mission = Mission {
        run: record.run.clone(),
        registry: simulated.registry(&setup.job),
        clock: simulated.clock(record.started),
        files,
        latch: latch_of(context, &setup.job),
        authority: Authority::DryRun,
        observers,
        setup: setup.clone(),
    };
    let ended = station::run(mission, store, on_interrupt);
    painter.finish();
    match ended {
        Ok((report, store)) => {
            conclude(context, arguments, &Conclusion { setup, simulated, record, report }, store)
        }
        Err(error) => refused(context, &setup.job.rig.name, &error),
    }
}

/// Says why a run on the simulated rig did not begin, or was cut off, and what to do.
fn refused(context: &Context, rig: &str, error: &StationError) -> Exit {
    say::error(&format!("error: {error}"));
    match error {
        StationError::Tripped { reason, .. } => {
            acknowledge::invite(context, rig, true, reason);
            Exit::Tripped
        }
        StationError::Program(trip) if trip.reason == TripReason::MakeSafeFailed => {
            acknowledge::invite(context, rig, true, trip.reason.word());
            Exit::Tripped
        }
        StationError::NotArmed(_) => Exit::Tripped,
        StationError::Instrument(_) => Exit::Instrument,
        StationError::Program(_)
        | StationError::Locked(_)
        | StationError::Disk(_)
        | StationError::Line(_) => Exit::Environment,
    }
}

/// The first Ctrl-C winds down, a second one makes safe at once.
fn on_interrupt(start: Start) {
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let Ok(runtime) = runtime else {
            tracing::error!("Ctrl-C can't be listened to; use the emergency stop");
            return;
        };
        runtime.block_on(async {
            for what in [Operator::Cancel, Operator::Stop] {
                if tokio::signal::ctrl_c().await.is_ok() {
                    start.tell(what);
                }
            }
        });
    });
}

/// What is known when a run is over.
struct Conclusion {
    setup: Setup,
    simulated: Simulated,
    record: RunRecord,
    report: Report,
}

fn conclude(
    context: &Context,
    arguments: &DryRunArguments,
    done: &Conclusion,
    mut store: RunDirectory,
) -> Exit {
    let Conclusion { setup, simulated, report, .. } = done;
    simulated.run_out();
    let entry = finished(done);
    let facts = std::mem::take(&mut store.facts);
    let result = match write_results(done, &facts, entry, &mut store) {
        Ok(result) => result,
        Err(message) => {
            say::error(&format!("error: {message}"));
            return Exit::Environment;
        }
    };
    if !simulated.is_safe() {
        say::error("error: the simulated rig was left with drive on; this is a mistake in the program");
        return Exit::Environment;
    }
    if !arguments.no_certificates && result.outcome == Outcome::Done {
        let requests = issue::requests(&context.settings, &setup.job, &result);
        match issue::write(&context.settings, &requests, store.path()) {
            Ok(rendered) => rendered
                .iter()
                .flat_map(|r| &r.warnings)
                .for_each(|warning| say::error(&format!("warning: certificate: {warning}"))),
            Err(error) => {
                say::error(&format!(
                    "error: the results are kept, but no certificate could be made: {error}"
                ));
                return Exit::Environment;
            }
        }
    }
    if context.json {
        say::out(&serde_json::to_string_pretty(&result).unwrap_or_default());
    } else {
        say::out(&summary::table(&result));
        say::out(&format!("Run directory: {}", store.path().display()));
    }
    for failure in &report.failures {
        say::error(&format!("error: {failure}"));
    }
    exit(&result, report)
}

fn finished(done: &Conclusion) -> FinishedEntry {
    let Conclusion { setup, record, report, .. } = done;
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
    done: &Conclusion,
    facts: &RunFacts,
    entry: FinishedEntry,
    store: &mut RunDirectory,
) -> Result<ResultRecord, String> {
    let result = assemble(&done.record, &done.setup, facts, &entry)
        .map_err(|e| format!("the results can't be evaluated: {e}; the waveforms are kept"))?;
    let truth = done.simulated.truth(&done.record.run);
    store.finish(entry, &result, Some(&truth)).map_err(|e| {
        format!("{}: the results can't be written: {e}; the waveforms are kept", store.path().display())
    })?;
    Ok(result)
}

fn exit(result: &ResultRecord, report: &Report) -> Exit {
    match result.outcome {
        Outcome::Tripped => Exit::Tripped,
        // A permissive was not there, or leave to move ended: not armed.
        Outcome::Failed | Outcome::Cancelled if report.refused.is_some() => Exit::Tripped,
        Outcome::Failed if report.store_failed => Exit::Environment,
        Outcome::Failed => Exit::Instrument,
        Outcome::Cancelled | Outcome::Interrupted => Exit::Cancelled,
        Outcome::Done => {
            let passes = result.sensors.iter().all(|s| {
                s.decision == Decision::Pass
                    && s.points
                        .iter()
                        .all(|p| matches!(p.status, PointStatus::Accepted | PointStatus::Skipped))
            });
            if passes && result.hold.is_none() { Exit::Done } else { Exit::NotPass }
        }
    }
}

/// Holds a dry run back to a multiple of real time.
struct Pace {
    speed: f64,
    begun: Option<(Instant, Mono)>,
}

impl Pace {
    fn new(speed: f64) -> Self {
        Self { speed, begun: None }
    }
}

impl Observer for Pace {
    fn event(&mut self, _now: Mono, _event: &calibration::sequence::Event) {}

    #[expect(clippy::disallowed_methods, reason = "pacing a demonstration, nothing is judged by it")]
    fn block(&mut self, now: Mono, _length: Seconds) {
        let (begun, at) = *self.begun.get_or_insert((Instant::now(), now));
        let due = Duration::from_secs_f64(now.since(at).si() / self.speed);
        std::thread::sleep(due.saturating_sub(begun.elapsed()));
    }
}
