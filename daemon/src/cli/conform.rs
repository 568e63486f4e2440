//! `calwright drivers conform`: whether the drivers of a rig keep what they promise, tried on its instruments.
//!
//! Owns: what may move and under whose leave, the table, and the file of measured times. Must not try anything itself: the
//! kit in `drivers::conform` does.

use super::{Context, Exit, check, say};
use crate::driver_settings;
use crate::files::{Disk, Files};
use crate::load::{self, Loaded};
use crate::record::UtcTime;
use crate::station::latch::{Latch, LatchFile, RigLock};
use crate::station::leave_file::leave_for;
use crate::wiring;
use calibration::control::Plant;
use calibration::interlock::TripReason;
use drivers::conform::{self, Choice, Motion, Outcome, Report};
use plan_schema::read::Document;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use plan_schema::units::{Accel, Hertz, Peak, Volts};
use serde_json::{Value, json};
use std::io;
use std::path::{Path, PathBuf};

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// The rig's file.
    rig: PathBuf,
    /// The job whose sensors are mounted: what moves has to be known before it moves.
    #[arg(long, required_unless_present = "without_motion")]
    job: Option<PathBuf>,
    /// Leave out everything that could move the armature; needs no leave.
    #[arg(long, conflicts_with = "job")]
    without_motion: bool,
    /// Try this instrument only; may be given several times.
    #[arg(long, value_name = "NAME")]
    instrument: Vec<String>,
    /// Try only rows whose name holds this; may be given several times.
    #[arg(long, value_name = "TEXT")]
    only: Vec<String>,
    /// Where the measured times go, in the form in which a rig file has them; without it measured-RIG.toml in this folder.
    #[arg(long)]
    out: Option<PathBuf>,
}

/// Share of the rig's largest acceleration that the kit moves with.
const SHARE: f64 = 0.05;
/// Times the resonance of the suspension at which it moves.
const ABOVE_RESONANCE: f64 = 16.0;
/// Where that lies outside, these.
const LOWEST_HZ: f64 = 40.0;
const HIGHEST_HZ: f64 = 160.0;
/// Name of the kit in the latch.
const RUN: &str = "conform";

pub(super) fn run(context: &Context, arguments: &Arguments) -> Exit {
    match conformed(context, arguments) {
        Ok(exit) | Err(exit) => exit,
    }
}

fn refuse(exit: Exit, text: &str) -> Exit {
    say::error(&format!("error: {text}"));
    exit
}

fn conformed(context: &Context, arguments: &Arguments) -> Result<Exit, Exit> {
    let (rig, job) = written(arguments)?;
    let settings = driver_settings::problems(&rig);
    say::error(&settings.render(say::colour()));
    if !settings.is_usable() {
        return Err(Exit::Input);
    }
    let name = &rig.value.name;
    let place = LatchFile::of(&context.settings.state_dir(), name, false);
    let (lock, latch) = claim(&place, name)?;
    let motion = match &job {
        Some(loaded) => Some(allowed(&place, &latch, &loaded.job)?),
        None => None,
    };
    let registry = wiring::real(&rig.value, &context.settings)
        .map_err(|e| refuse(Exit::Environment, &format!("the path of this program is not known: {e}")))?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let runtime = runtime.map_err(|e| refuse(Exit::Environment, &e.to_string()))?;
    let choice = Choice { instruments: arguments.instrument.clone(), rows: arguments.only.clone() };
    let report = conform::run(&rig.value, &registry, motion.as_ref(), &choice, runtime.handle());
    at_rest(&place, latch, motion.is_some(), &report, lock)?;
    let stored = store(arguments, name, &report)?;
    if context.json {
        say::out(&as_json(name, &report).to_string());
    } else {
        say::out(&table(&report));
        if let Some(path) = stored {
            say::out(&format!(
                "Measured times: {}. Look at them before the rig file takes them over.",
                path.display()
            ));
        }
    }
    Ok(if report.is_green() { Exit::Done } else { Exit::Instrument })
}

/// The rig, and the job where something may move.
fn written(arguments: &Arguments) -> Result<(Document<Rig>, Option<Loaded>), Exit> {
    match &arguments.job {
        Some(job) => {
            let loaded = load::job_on_rig(job, Some(&arguments.rig)).map_err(|e| check::refuse(&e))?;
            say::error(&loaded.warnings.render(say::colour()));
            Ok((loaded.rig.clone(), Some(loaded)))
        }
        None => {
            let (rig, remarks) = load::rig(&arguments.rig).map_err(|e| check::refuse(&e))?;
            say::error(&remarks.render(say::colour()));
            Ok((rig, None))
        }
    }
}

/// The lock of the rig: no run begins meanwhile, and none goes on.
fn claim(place: &LatchFile, name: &str) -> Result<(RigLock, Latch), Exit> {
    let claimed = place.claim(&Disk, UtcTime::now().timestamp()).map_err(|error| match error.kind() {
        io::ErrorKind::WouldBlock => {
            refuse(Exit::Environment, &format!("rig '{name}' is in use; nothing was tried"))
        }
        _ => refuse(Exit::Environment, &format!("the lock of rig '{name}' can't be taken: {error}")),
    })?;
    // A rig that was never used has no latch yet; with its lock there it would look as if the latch was lost.
    if !place.path().exists() && matches!(claimed.1, Latch::Clear { .. }) {
        store_latch(place, &claimed.1)?;
    }
    Ok(claimed)
}

fn store_latch(place: &LatchFile, latch: &Latch) -> Result<(), Exit> {
    let text = |e: io::Error| format!("the latch can't be stored: {e}; the rig counts as tripped");
    place.write(&Disk, latch).map_err(|e| refuse(Exit::Environment, &text(e)))
}

/// The motion that the kit may make, under a leave that stands; the latch then says that something may be moving.
fn allowed(place: &LatchFile, latch: &Latch, job: &ResolvedJob) -> Result<Motion, Exit> {
    let now = UtcTime::now();
    let leave = leave_for(place, &Disk, job, latch, now).map_err(|error| {
        let text = format!(
            "{error}. This moves the armature a little: give leave first with 'calwright arm RIG-FILE --name \"…\"', or add \
             --without-motion for everything that moves nothing"
        );
        refuse(Exit::Tripped, &text)
    })?;
    let motion = motion(job).map_err(|text| refuse(Exit::Input, &text))?;
    say::error(&format!(
        "note: under the leave of {} the armature moves now, at {:.0} Hz with up to {:.4} V pk of drive. Keep away from it.",
        leave.name,
        motion.frequency.si(),
        motion.drive.si()
    ));
    let moving = Latch::MayBeMoving { at_utc: now.to_string(), run: RUN.to_owned() };
    store_latch(place, &moving)?;
    Ok(motion)
}

/// A small tone well above the resonance of the suspension.
fn motion(job: &ResolvedJob) -> Result<Motion, String> {
    let shaker = &job.rig.shaker;
    let plant = Plant::of(job);
    let mass = shaker.moving_mass.si() + job.payload().si();
    let resonance = (shaker.stiffness.si() / mass).sqrt() / std::f64::consts::TAU;
    let frequency = Hertz::new((ABOVE_RESONANCE * resonance).clamp(LOWEST_HZ, HIGHEST_HZ).round());
    let acceleration = Accel::<Peak>::new(SHARE * shaker.acceleration_limit.si());
    let drive = plant.need(frequency, acceleration).drive;
    if drive > shaker.drive_limit {
        return Err(format!(
            "a motion of {acceleration} at {frequency} would need {} V pk, more than drive_limit",
            drive.si()
        ));
    }
    let nearest = job.reference.calibration.points.iter().min_by(|a, b| {
        let far = |f: Hertz| (f.si() / frequency.si()).ln().abs();
        far(a.frequency).total_cmp(&far(b.frequency))
    });
    let nearest = nearest.ok_or("the reference has no line of its calibration")?;
    let volts = job.reference.in_volts(nearest).si() * acceleration.si();
    let column = job.rig.channels.iter().position(|c| c.name == job.rig.reference.channel);
    Ok(Motion {
        frequency,
        drive,
        reference: Volts::new(volts),
        over: plant.transition(frequency),
        settling: plant.settling_time(),
        column: column.ok_or("the reference's channel is not there")?,
    })
}

/// Rewrites the latch: clear where everything was proved safe, tripped where not.
fn at_rest(
    place: &LatchFile,
    before: Latch,
    moved: bool,
    report: &Report,
    _lock: RigLock,
) -> Result<(), Exit> {
    let latch = match &report.not_safe {
        Some(message) => Latch::Tripped {
            at_utc: UtcTime::now().to_string(),
            run: Some(RUN.to_owned()),
            reason: TripReason::MakeSafeFailed.word().to_owned(),
            message: message.clone(),
        },
        None if moved => before,
        None => return Ok(()),
    };
    store_latch(place, &latch)
}

/// Writes the measured times where there are any.
fn store(arguments: &Arguments, rig: &str, report: &Report) -> Result<Option<PathBuf>, Exit> {
    let lines = report.as_rig_lines();
    if lines.is_empty() {
        return Ok(None);
    }
    let path = arguments.out.clone().unwrap_or_else(|| Path::new(&format!("measured-{rig}.toml")).to_owned());
    let head = format!(
        "# Times of rig '{rig}', measured by 'calwright drivers conform' at {}: from the command to what the reference shows,\n\
         # the way of the acquisition included, longest of five. Add what your own judgement asks for before you take them over.\n\n",
        UtcTime::now()
    );
    Disk.write(&path, format!("{head}{lines}").as_bytes())
        .map_err(|e| refuse(Exit::Environment, &format!("{} can't be written: {e}", path.display())))?;
    Ok(Some(path))
}

fn table(report: &Report) -> String {
    let width = |of: fn(&conform::Row) -> usize| report.rows.iter().map(of).max().unwrap_or(0);
    let (name, row) = (width(|r| r.instrument.chars().count()), width(|r| r.row.chars().count()));
    let mut out = String::new();
    for r in &report.rows {
        let outcome = match r.verdict.outcome {
            Outcome::Fail => "FAIL",
            other => other.word(),
        };
        out.push_str(&format!("{:name$}  {:row$}  {outcome:13}  {}\n", r.instrument, r.row, r.verdict.said));
    }
    let count = |outcome| report.rows.iter().filter(|r| r.verdict.outcome == outcome).count();
    out.push_str(&format!(
        "{} pass, {} fail, {} not supported\n",
        count(Outcome::Pass),
        count(Outcome::Fail),
        count(Outcome::NotSupported)
    ));
    if let Some(message) = &report.not_safe {
        out.push_str(&format!("NOT SAFE: {message}. Cut the power of the amplifier by hand.\n"));
    }
    out
}

fn as_json(rig: &str, report: &Report) -> Value {
    let rows: Vec<Value> = report
        .rows
        .iter()
        .map(|r| {
            json!({ "instrument": r.instrument, "row": r.row, "outcome": r.verdict.outcome.word(),
                "message": r.verdict.said, "figures": r.verdict.figures })
        })
        .collect();
    json!({ "rig": rig, "green": report.is_green(), "rows": rows, "latency_s": report.latency_s,
        "source_off_s": report.source_off_s, "amplifier_mute_s": report.amplifier_mute_s,
        "relay_s": report.relay_s, "amplifier_watchdog_s": report.amplifier_watchdog_s, "not_safe": report.not_safe })
}
