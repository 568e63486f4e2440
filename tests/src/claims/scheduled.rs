//! Every scheduled fault at every point of the example plans: the right trip, or the right finding, and no stop touched.
//!
//! Owns: single points of the examples' jobs (`Place`), the moments at which a fault strikes, and what the contract at the
//! head of `sim/src/faults.rs` wants of each kind (`wanted`). How large a fault has to be is `graded`'s.
//!
//! A place is run by itself: quiet part, first motion, the small motion that identifies, then the point. Dwells are cut to
//! `CYCLES` cycles, soak and warning are left out; neither has to do with what is looked for.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::quick::{self, Begun, Ran, between};
use anyhow::{Context, Result, ensure};
use calibration::sequence::Setup;
use calwright::load;
use calwright::record::result::PointRecord;
use calwright::record::words::PointStatus;
use plan_schema::faults::{Fault, FaultKind, Faults, Moment, Size};
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::rig::Needed;
use plan_schema::units::{Mono, Seconds};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

/// The jobs whose plans are gone through.
pub const JOBS: [&str; 6] =
    ["portable", "workshop", "mid-size", "portable-night", "portable-current", "low-frequency"];

/// Cycles of a dwell.
const CYCLES: u32 = 6;

/// Phases of the tone at which a fault strikes.
const PHASES: u32 = 32;

/// A point of a job by itself, and when its dwell begins without a fault.
pub struct Place {
    /// Job and frequency, for people.
    pub name: String,
    /// The run without a fault has this.
    pub setup: Setup,
    /// From the start of the acquisition to that of the dwell.
    pub dwell: Seconds,
    /// From there to that of the way to the amplitude.
    pub settle: Seconds,
    /// The channels of the sensors that are accepted without a fault, and whether a conditioner lies between.
    channels: Vec<(String, bool)>,
}

impl Place {
    /// The point of this number (from 0) of a job; `None` where no sensor takes it, or `check` refuses it.
    ///
    /// # Errors
    /// If the run without a fault does not come to its end.
    pub fn new(name: &str, job: &ResolvedJob, number: usize, seed: u64) -> Result<Option<Self>> {
        let Some(job) = alone(job, number) else { return Ok(None) };
        let frequency = job.points.first().map_or(0.0, |p| p.frequency.si());
        let name = format!("{name} at {frequency} Hz");
        let setup = Setup::new(job);
        if !setup.feasible() {
            // Refused by `check`: it is never run.
            return Ok(None);
        }
        let none = Faults { format: setup.job.plan.format, faults: Vec::new() };
        let ran = run(&setup, seed, &none)?;
        ensure!(ran.is_done(), "{name} without a fault: {:?}", ran.report.trip);
        let when = |what: Begun| ran.begun.iter().find(|(b, _)| *b == what).map(|(_, at)| *at);
        let dwell = when(Begun::Dwell).with_context(|| format!("{name} has no dwell"))?;
        let point = when(Begun::Point).with_context(|| format!("{name} never began"))?;
        let (settle, dwell) = (between(point, dwell), between(Mono(0), dwell));
        let good = |s: &&MountedSensor| accepted(&ran).any(|(serial, _)| serial == s.sensor.serial);
        let columns = setup.job.sensors.iter().filter(good).filter_map(|s| setup.job.columns.get(s.column));
        let channels: Vec<_> = columns.map(|c| (c.name.clone(), c.conditioner_gain.is_some())).collect();
        if channels.is_empty() {
            return Ok(None);
        }
        Ok(Some(Self { name, setup, dwell, settle, channels }))
    }

    /// Runs it with a fault.
    ///
    /// # Errors
    /// If the run does not begin.
    pub fn with(&self, seed: u64, fault: Fault) -> Result<Ran> {
        run(&self.setup, seed, &Faults { format: self.setup.job.plan.format, faults: vec![fault] })
    }

    /// The moment at this phase of the tone, in the second cycle of the dwell.
    #[must_use]
    pub fn in_dwell(&self, phase: u32, of: u32) -> Moment {
        let frequency = self.setup.job.points.first().map_or(1.0, |p| p.frequency.si());
        Moment::Time(self.dwell + Seconds::new((1.0 + f64::from(phase) / f64::from(of)) / frequency))
    }

    /// One of so many moments on the way to the amplitude.
    fn on_the_way(&self, number: u32, of: u32) -> Moment {
        Moment::Time(self.dwell - self.settle * (1.0 - f64::from(number) / f64::from(of)))
    }

    /// Name of the channel of one of the sensors that are accepted without a fault.
    #[must_use]
    pub fn sensor_channel(&self, number: usize) -> String {
        self.channels
            .get(number % self.channels.len().max(1))
            .map(|(name, _)| name.clone())
            .unwrap_or_default()
    }

    /// What a sensor without a conditioner shows on its channel, V peak.
    #[must_use]
    pub fn amplitude(&self, channel: &str) -> Option<f64> {
        let job = &self.setup.job;
        self.channels.iter().find(|(name, conditioned)| name == channel && !conditioned)?;
        let (point, column) = (job.points.first()?, job.columns.iter().position(|c| c.name == channel)?);
        let sensor = job.sensors.iter().find(|s| s.column == column)?;
        Some(sensor.nominal_at(point.frequency).si().abs() * point.target.si())
    }

    /// True where the zero of the reference is so large beside the amplitude that its jump looks like a motion.
    fn zero_moves(&self) -> bool {
        let job = &self.setup.job;
        let Some(point) = job.points.first() else { return false };
        let amplitude = self.setup.sensitivity_near(point.frequency).si() * point.target.si();
        2.0 * job.reference.reference.zero_output.si().abs() > 0.3 * amplitude
    }
}

fn run(setup: &Setup, seed: u64, faults: &Faults) -> Result<Ran> {
    let folder = tempfile::tempdir()?;
    quick::run(setup, seed, faults, folder.path())
}

/// A job with one of its points.
fn alone(job: &ResolvedJob, number: usize) -> Option<ResolvedJob> {
    let mut alone = job.clone();
    alone.points = vec![job.points.get(number)?.clone()];
    for sensor in alone.sensors.iter_mut().chain(&mut alone.check_standards) {
        let skip = sensor.skips.get(number).cloned().flatten();
        sensor.skips = vec![skip];
        sensor.sensor.soak_time = Seconds::ZERO;
    }
    for point in &mut alone.points {
        point.dwell_cycles = point.dwell_cycles.min(CYCLES);
        point.repeats = 1;
    }
    alone.plan.reference_frequency = None;
    alone.plan.soak = None;
    alone.rig.warning_output = None;
    alone.sensors.iter().any(|s| s.takes(0)).then_some(alone)
}

/// All places of the examples, or the first ones of some jobs.
///
/// # Errors
/// If an example can't be read, or a place can't be run.
pub fn places(full: bool, seed: u64) -> Result<Vec<Place>> {
    let bench = Bench::new()?;
    let mut places = Vec::new();
    for name in if full { &JOBS[..] } else { &JOBS[..1] } {
        let path = bench.path(&format!("examples/{name}.toml"));
        let loaded = load::job(&path).map_err(|e| anyhow::anyhow!("{name}: {e:?}"))?;
        let numbers: Vec<usize> = (0..loaded.job.points.len()).collect();
        let some = if full { numbers.as_slice() } else { numbers.get(3..4).unwrap_or_default() };
        let made = in_parallel(some.len(), |n| {
            some.get(n).map_or(Ok(None), |number| Place::new(name, &loaded.job, *number, seed))
        });
        for place in made {
            places.extend(place?);
        }
    }
    Ok(places)
}

/// Works through so many pieces on all processors; the answers in their order.
pub fn in_parallel<T: Send>(pieces: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(pieces));
    let threads = thread::available_parallelism().map_or(1, usize::from);
    thread::scope(|scope| {
        for _ in 0..threads.min(pieces) {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= pieces {
                        return;
                    }
                    let answer = work(n);
                    done.lock().unwrap_or_else(PoisonError::into_inner).push((n, answer));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_by_key(|(n, _)| *n);
    done.into_iter().map(|(_, answer)| answer).collect()
}

/// What the contract wants of a fault that strikes a moving armature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    /// A trip with one of these reasons.
    Trip(&'static [&'static str]),
    /// The point of the sensor is not accepted, with one of these findings; or a trip with one of these reasons.
    Reject(&'static [&'static str], &'static [&'static str]),
    /// A trip with one of these reasons, or the point is not accepted for any sensor.
    TripOrRejectAll(&'static [&'static str]),
    /// As the last but one, or the result keeps within its uncertainty.
    RejectOrRight(&'static [&'static str], &'static [&'static str]),
}

const LIMITS: [&str; 5] =
    ["stroke_limit", "velocity_limit", "acceleration_limit", "current_limit", "overload"];

/// Every kind with its size and what is wanted; on the reference's channel where the last is true.
pub const CONTRACT: [(FaultKind, Option<&str>, Wanted, bool); 19] = [
    (FaultKind::ReferenceOpen, None, Wanted::Trip(&["reference_open"]), false),
    (
        FaultKind::SensorOpen,
        None,
        Wanted::Reject(&["sensor_open", "residual", "noise", "distortion", "clipped"], &[]),
        false,
    ),
    // Threefold, as `check` promises; a channel that it drives beyond its range says so too.
    (FaultKind::GainJump, Some("200 %"), Wanted::Trip(&LIMITS), false),
    (
        FaultKind::GainJump,
        Some("-100 %"),
        Wanted::TripOrRejectAll(&[
            "source_dc",
            "source_not_following",
            "stroke_limit",
            "acceleration_limit",
            "overload",
        ]),
        false,
    ),
    (FaultKind::AmplifierTrip, None, Wanted::Trip(&["amplifier_fault"]), false),
    (FaultKind::SourceDeaf, None, Wanted::Trip(&["source_not_following"]), false),
    // A displacement channel may see the armature leave before the tone is missed.
    (
        FaultKind::SourceHoldsLast,
        None,
        Wanted::Trip(&["source_dc", "source_not_following", "stroke_limit"]),
        false,
    ),
    (FaultKind::AcquisitionStall, None, Wanted::Trip(&["blocks_missing"]), false),
    (FaultKind::Overload, None, Wanted::Trip(&["overload"]), true),
    (FaultKind::Overload, None, Wanted::Reject(&["clipped"], &["overload"]), false),
    (
        FaultKind::SensorClipped,
        Some("half"),
        Wanted::Reject(&["clipped", "distortion", "residual", "noise", "sensor_open"], &[]),
        false,
    ),
    (
        FaultKind::LooseMount,
        Some("100 %"),
        Wanted::RejectOrRight(&["distortion", "residual", "noise"], &["overload"]),
        false,
    ),
    (FaultKind::Hum, None, Wanted::RejectOrRight(&["hum", "noise", "residual", "distortion"], &[]), false),
    (FaultKind::ReferenceReversed, None, Wanted::Trip(&["reference_reversed"]), false),
    (
        FaultKind::CoilOverheating,
        Some("1000 K"),
        Wanted::RejectOrRight(&[], &["amplifier_fault", "coil_temperature"]),
        false,
    ),
    (FaultKind::EmergencyStop, None, Wanted::Trip(&["emergency_stop"]), false),
    (FaultKind::PermissiveOpens, None, Wanted::Trip(&["permissive_lost"]), false),
    (
        FaultKind::CableIntermittent,
        None,
        Wanted::TripOrRejectAll(&[
            "reference_open",
            "reference_stuck",
            "channels_disagree",
            "overload",
            "acceleration_limit",
            "velocity_limit",
            "stroke_limit",
            "source_not_following",
        ]),
        true,
    ),
    // Between dwells an opening means nothing.
    (
        FaultKind::CableIntermittent,
        None,
        Wanted::RejectOrRight(&["sensor_open", "residual", "noise", "distortion", "hum", "clipped"], &[]),
        false,
    ),
];

/// A fault of the contract at a place, striking at a moment; `None` where the rig has nothing that it could strike.
fn fault_at(place: &Place, row: usize, at: Moment, phase: u32) -> Option<Fault> {
    let (kind, size, _, on_reference) = CONTRACT.get(row).copied()?;
    let job = &place.setup.job;
    let sensor = place.sensor_channel(phase as usize);
    let channel = match kind {
        FaultKind::SensorOpen | FaultKind::SensorClipped | FaultKind::LooseMount | FaultKind::Hum => {
            Some(sensor)
        }
        FaultKind::Overload | FaultKind::CableIntermittent if on_reference => {
            job.columns.get(job.reference.column).map(|c| c.name.clone())
        }
        FaultKind::Overload | FaultKind::CableIntermittent => Some(sensor),
        FaultKind::PermissiveOpens => {
            Some(job.rig.permissives.iter().find(|p| p.when == Needed::Always)?.name.clone())
        }
        FaultKind::CoilOverheating => {
            job.rig.shaker.coil_heat_capacity?;
            None
        }
        _ => None,
    };
    let value = match size {
        Some("half") => Some(Size(format!("{} V pk", 0.5 * place.amplitude(channel.as_deref()?)?))),
        Some(text) => Some(Size(text.to_owned())),
        None => None,
    };
    Some(Fault { kind, at, channel, value, lasts: None })
}

/// What a run did that it must not have done; `None` for one that is as it has to be.
fn wrong(place: &Place, row: usize, fault: &Fault, ran: &Ran) -> Option<String> {
    let (_, _, wanted, _) = CONTRACT.get(row).copied()?;
    let trip = ran.trip();
    if ran.truth.stop_hits > 0 {
        return Some(format!("the armature touched a stop {} times (trip {trip:?})", ran.truth.stop_hits));
    }
    if !ran.at_rest {
        return Some("the rig was left with drive on".to_owned());
    }
    let tripped = |reasons: &[&str]| trip.is_some_and(|t| reasons.contains(&t));
    // The sign of the reference turns with its zero: a limit may be seen before the sign.
    let by_zero = fault.kind == FaultKind::ReferenceReversed && place.zero_moves() && tripped(&LIMITS);
    let of_sensor = |findings: &[&str]| rejected(place, fault, ran, findings);
    let right = match wanted {
        Wanted::Trip(reasons) => tripped(reasons) || by_zero,
        Wanted::Reject(findings, reasons) => tripped(reasons) || of_sensor(findings),
        Wanted::TripOrRejectAll(reasons) => {
            tripped(reasons) || (trip.is_none() && accepted(ran).next().is_none())
        }
        Wanted::RejectOrRight(findings, reasons) => {
            tripped(reasons)
                || (trip.is_none()
                    && (of_sensor(findings) || worst_error(ran).is_none_or(|e| e.excess <= 0.0)))
        }
    };
    let points = ran.result.sensors.iter().flat_map(|s| &s.points);
    let points: Vec<String> = points
        .map(|p| {
            let findings: Vec<&str> = p.findings.iter().map(|f| f.kind.word()).collect();
            format!("{} {findings:?}", p.status)
        })
        .collect();
    (!right).then(|| format!("trip {trip:?}, {:?}, {}", ran.report.outcome, points.join(", ")))
}

/// True if the sensor on the fault's channel is not accepted, with one of these findings, and no other one suffers.
fn rejected(place: &Place, fault: &Fault, ran: &Ran, findings: &[&str]) -> bool {
    let job = &place.setup.job;
    let column = job.columns.iter().position(|c| Some(&c.name) == fault.channel.as_ref());
    let sensor = job.sensors.iter().find(|s| Some(s.column) == column);
    let Some(record) = sensor.and_then(|s| ran.result.sensor(&s.sensor.serial)) else { return false };
    ran.trip().is_none()
        && record.points.iter().all(|p| {
            p.status != PointStatus::Accepted && p.findings.iter().any(|f| findings.contains(&f.kind.word()))
        })
}

/// The points that were accepted: serial number of the sensor, and the record.
fn accepted(ran: &Ran) -> impl Iterator<Item = (&str, &PointRecord)> {
    let points = ran.result.sensors.iter().flat_map(|s| s.points.iter().map(|p| (s.serial.as_str(), p)));
    points.filter(|(_, p)| p.status == PointStatus::Accepted)
}

/// The error of an accepted point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointError {
    /// Relative, in percent.
    pub percent: f64,
    /// How far it is beyond twice its expanded uncertainty and beyond 1 %, in percent; below zero within either.
    pub excess: f64,
}

/// The worst error of the accepted points of a run; `None` where none was accepted.
#[must_use]
pub fn worst_error(ran: &Ran) -> Option<PointError> {
    let error = |(serial, point): (&str, &PointRecord)| {
        let truth = ran.truth.sensors.iter().find(|s| s.serial == serial)?;
        let near = |p: &&calwright::record::truth::TruePoint| {
            (p.frequency_hz / point.frequency_hz - 1.0).abs() < 1e-9
        };
        let right = truth.points.iter().find(near)?.sensitivity;
        let percent = (point.sensitivity? / right - 1.0).abs() * 100.0;
        Some(PointError { percent, excess: percent - (2.0 * point.u_rel_percent?).max(1.0) })
    };
    accepted(ran).filter_map(error).max_by(|a, b| a.excess.total_cmp(&b.excess))
}

/// Counts faults that are not answered as they must be.
///
/// # Errors
/// If an example can't be read, or a point can't be run without a fault.
pub fn all(full: bool) -> Result<Figure> {
    let seed = 1;
    let places = places(full, seed)?;
    let (in_dwell, on_the_way) = if full { (PHASES, 8) } else { (2, 1) };
    let mut cases = Vec::new();
    for place in &places {
        for row in 0..CONTRACT.len() {
            cases.extend((0..in_dwell).map(|n| (place, row, place.in_dwell(n, in_dwell), n)));
            cases.extend((0..on_the_way).map(|n| (place, row, place.on_the_way(n, on_the_way), n)));
        }
    }
    let outcomes = in_parallel(cases.len(), |n| {
        let (place, row, at, phase) = cases.get(n)?;
        let fault = fault_at(place, *row, at.clone(), *phase)?;
        let says = match place.with(seed, fault.clone()) {
            Ok(ran) => wrong(place, *row, &fault, &ran),
            Err(error) => Some(format!("{error:#}")),
        };
        let name = || format!("\n{} {:?} at {:?}", place.name, fault.kind.word(), fault.at);
        Some(says.map(|says| format!("{}: {says}", name())))
    });
    let ran = outcomes.iter().flatten().count();
    let failed: Vec<String> = outcomes.into_iter().flatten().flatten().collect();
    let shown: String = failed.iter().take(100).map(String::as_str).collect();
    Ok(Figure {
        what: "scheduled faults that are not answered as they must be".to_owned(),
        value: failed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{ran} faults at {} points, {in_dwell} phases of the tone and {on_the_way} moments before{shown}",
            places.len()
        ),
        seeds: vec![seed],
    })
}
