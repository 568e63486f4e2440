//! `calwright dry-run`: a job on the simulated rig, through the same engine as on a real one.

use super::progress::painter;
use super::{Context, DryRunArguments, Exit, acknowledge, check, say, summary};
use crate::execution::{Begun, Done, NotBegun, NotDone, On, Order, Pace, ready};
use crate::load;
use crate::record::ResultRecord;
use crate::record::words::{Decision, Outcome, PointStatus};
use crate::station::{Report, Start, StationError};
use calibration::interlock::TripReason;
use calibration::sequence::Operator;
use plan_schema::faults::Faults;
use std::io;
use std::path::{Path, PathBuf};

pub(super) fn run(context: &Context, arguments: &DryRunArguments) -> Exit {
    match prepare(context, arguments) {
        Ok(order) => execute(context, arguments, order),
        Err(exit) => exit,
    }
}

fn prepare(context: &Context, arguments: &DryRunArguments) -> Result<Order, Exit> {
    let mut loaded = load::job(&arguments.job).map_err(|e| check::refuse(&e))?;
    let scope = context.settings.scope.as_deref().map(load::scope).transpose();
    loaded.job.scope = scope.map_err(|e| check::refuse(&e))?;
    say::error(&loaded.warnings.render(say::colour()));
    let found = ready(&loaded, arguments.at).map_err(|found| {
        say::error(&found.render(say::colour()));
        Exit::Input
    })?;
    say::error(&found.remarks.render(say::colour()));
    if let Some(remark) = check::lapsed_scope(&loaded.job, arguments.at) {
        say::error(&remark);
    }
    let faults = match &arguments.faults {
        Some(path) => load::faults(path, &loaded.job).map_err(|e| check::refuse(&e))?,
        None => Faults { format: loaded.job.plan.format, faults: Vec::new() },
    };
    let stem = arguments.job.file_stem().map_or("job".into(), |s| s.to_string_lossy());
    let name = format!("dry-{stem}-{}", arguments.seed);
    Ok(Order {
        setup: found.setup,
        directory: arguments.out.clone().unwrap_or_else(|| free_directory(&name)),
        run: name,
        started: arguments.at,
        on: On::Simulated { seed: arguments.seed, faults },
        continues: None,
    })
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

fn execute(context: &Context, arguments: &DryRunArguments, order: Order) -> Exit {
    let (rig, points) = (order.setup.job.rig.name.clone(), order.setup.job.points.clone());
    let begun = match Begun::new(&context.settings, order) {
        Ok(begun) => begun,
        Err(error) => return not_begun(context, &rig, &error),
    };
    say::error(&format!("Dry run of {}, seed {}. SIMULATED.", arguments.job.display(), arguments.seed));
    let (painter, watcher) = painter(&points);
    let mut observers = vec![watcher];
    if let Some(speed) = arguments.speed {
        observers.push(Box::new(Pace::new(speed)));
    }
    let ended = begun.carry_out(&context.settings, !arguments.no_certificates, observers, on_interrupt);
    painter.finish();
    match ended {
        Ok(done) => conclude(context, &done),
        Err(NotDone::Station(error)) => refused(context, &rig, &error),
        Err(error @ (NotDone::Results(_) | NotDone::Driven)) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}

fn not_begun(context: &Context, rig: &str, error: &NotBegun) -> Exit {
    match error {
        NotBegun::Station(error) => return refused(context, rig, error),
        other => say::error(&format!("error: {other}")),
    }
    match error {
        NotBegun::Simulator(_) | NotBegun::Earlier(_) => Exit::Input,
        NotBegun::Directory(error) if error.kind() == io::ErrorKind::AlreadyExists => Exit::Input,
        NotBegun::Station(_) | NotBegun::Directory(_) | NotBegun::Program(_) => Exit::Environment,
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

fn conclude(context: &Context, done: &Done) -> Exit {
    done.warnings.iter().for_each(|warning| say::error(&format!("warning: certificate: {warning}")));
    if let Some(error) = &done.no_certificates {
        say::error(&format!("error: the results are kept, but no certificate could be made: {error}"));
        return Exit::Environment;
    }
    if context.json {
        say::out(&serde_json::to_string_pretty(&done.result).unwrap_or_default());
    } else {
        say::out(&summary::table(&done.result));
        say::out(&format!("Run directory: {}", done.directory.display()));
    }
    for failure in &done.report.failures {
        say::error(&format!("error: {failure}"));
    }
    exit(&done.result, &done.report)
}

fn exit(result: &ResultRecord, report: &Report) -> Exit {
    match result.outcome {
        // A permissive was not there, or leave to move ended: not armed.
        Outcome::Failed | Outcome::Cancelled if report.refused.is_some() => Exit::Tripped,
        Outcome::Failed if report.store_failed => Exit::Environment,
        _ => exit_of(result),
    }
}

/// The exit status of a run, as far as its result tells.
pub(super) fn exit_of(result: &ResultRecord) -> Exit {
    match result.outcome {
        Outcome::Tripped => Exit::Tripped,
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
