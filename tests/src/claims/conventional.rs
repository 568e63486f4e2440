//! The conventional amplitude loop as a baseline: what the time that this program takes beside its dwells is compared
//! with, on the same simulated rig with the same seed.
//!
//! The rule, common practice without a source: each point begins at a tenth of the drive that the rig file's linear plant
//! foresees. The reference is averaged over windows of the longer of 4 cycles and 1 s; after each window outside ±1 % of
//! the target the drive is multiplied by `(target / measured)^gain`, never above the drive ceiling of the point. Three
//! windows in a row within ±1 % begin the dwell; 120 windows without give the point up.
//!
//! Where the rule leaves a choice, it is made in the baseline's favour: within ±1 % the drive is left alone, windows wait
//! until a change of drive is over, and the gain is the best one for each job and seed. A change of drive takes the way
//! that this program takes too, since a jump would throw the armature off its centre and, at long strokes, at its stops.

mod rig;
mod sine;

use anyhow::{Context, Result, ensure};
use calibration::control::{Plant, foresee};
use calibration::uncertainty::ReferenceTable;
use drivers::Tone;
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{Hertz, Seconds, Volts};
use rig::Rig;

/// Gains that are tried.
pub const GAINS: [f64; 6] = [0.5, 0.6, 0.7, 0.8, 0.9, 1.0];

/// Share of the foreseen drive that a point begins with.
const FIRST: f64 = 0.1;

/// Largest deviation from the target that is good enough, as a share of it.
const BAND: f64 = 0.01;

/// Windows in a row that have to be good enough.
const IN_A_ROW: u32 = 3;

/// Windows after which a point is given up.
const MOST_WINDOWS: u32 = 120;

/// How one point went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Visit {
    /// Frequency of the plan.
    pub frequency: Hertz,
    /// Time from the end of the point before to the end of this one, without the dwell.
    pub overhead: Seconds,
    /// Time of the dwell; zero where the point was given up.
    pub dwell: Seconds,
    /// Windows that were averaged.
    pub windows: u32,
    /// Deviation from the target when the dwell began, as a share of it; `None` where the point was given up.
    pub error: Option<f64>,
}

/// How a run went.
#[derive(Debug, Clone, PartialEq)]
pub struct Conventional {
    /// The gain.
    pub gain: f64,
    /// The points in the order of the plan.
    pub visits: Vec<Visit>,
    /// How often the armature touched a stop.
    pub stop_hits: u32,
}

impl Conventional {
    /// Time outside dwells.
    #[must_use]
    pub fn overhead(&self) -> Seconds {
        self.visits.iter().fold(Seconds::ZERO, |sum, v| sum + v.overhead)
    }

    /// Time of dwells.
    #[must_use]
    pub fn measured(&self) -> Seconds {
        self.visits.iter().fold(Seconds::ZERO, |sum, v| sum + v.dwell)
    }

    /// Points whose amplitude was reached.
    #[must_use]
    pub fn reached(&self) -> usize {
        self.visits.iter().filter(|v| v.error.is_some()).count()
    }
}

/// The dwells of a job's points as its plan wants them, repeats included.
#[must_use]
pub fn dwells(job: &ResolvedJob) -> Vec<Seconds> {
    let dwell = |p: &ResolvedPoint| f64::from(p.dwell_cycles) * f64::from(p.repeats) / p.frequency.si();
    job.points.iter().map(|p| Seconds::new(dwell(p))).collect()
}

/// The best of all [`GAINS`]: of the runs that reach most points, the one with the smallest overhead.
///
/// # Errors
/// As [`run`].
pub fn best(job: &ResolvedJob, seed: u64, dwells: &[Seconds]) -> Result<Conventional> {
    let mut best: Option<Conventional> = None;
    for gain in GAINS {
        let one = run(job, seed, gain, dwells)?;
        let rank = |c: &Conventional| (std::cmp::Reverse(c.reached()), c.overhead());
        if best.as_ref().is_none_or(|b| rank(&one) < rank(b)) {
            best = Some(one);
        }
    }
    best.context("there is no gain to try")
}

/// Runs the points of a job in the order of its plan, on the simulated rig drawn from `seed`, with `dwells`, one a point.
///
/// # Errors
/// A dwell that is shorter than 5 cycles or 1 s, or an instrument that fails.
pub fn run(job: &ResolvedJob, seed: u64, gain: f64, dwells: &[Seconds]) -> Result<Conventional> {
    ensure!(dwells.len() == job.points.len(), "{} dwells for {} points", dwells.len(), job.points.len());
    let (plant, table) = (Plant::of(job), ReferenceTable::of(&job.reference));
    let mut rig = Rig::open(job, seed)?;
    let mut visits = Vec::new();
    for (point, dwell) in job.points.iter().zip(dwells) {
        // A frequency that was measured must not refuse a dwell of just 5 cycles.
        let least = (5.0 / point.frequency.si()).max(1.0) * (1.0 - 1e-3);
        ensure!(dwell.si() >= least, "a dwell of {dwell} at {} is too short", point.frequency);
        let forecast = foresee(job, &plant, point);
        let ways = Ways { change: plant.transition(point.frequency), follow: plant.settling_time() };
        let control = Loop {
            target: point.target.si() * table.at(point.frequency)?.sensitivity.si(),
            ceiling: forecast.ceiling.drive.si(),
            gain,
            drive: forecast.need.drive.si() * FIRST,
            good: 0,
            windows: 0,
        };
        visits.push(visit(&mut rig, point.frequency, control, &ways, *dwell)?);
    }
    Ok(Conventional { gain, visits, stop_hits: rig.close()? })
}

/// How long a change of drive takes, and how long the armature takes to follow it.
struct Ways {
    change: Seconds,
    follow: Seconds,
}

/// One point, from rest to rest.
fn visit(rig: &mut Rig, frequency: Hertz, mut control: Loop, ways: &Ways, dwell: Seconds) -> Result<Visit> {
    let begun = rig.now();
    rig.allow(Volts::new(control.ceiling));
    let window = Seconds::new((4.0 / frequency.si()).max(1.0));
    let go = |rig: &mut Rig, drive: f64| {
        let tone = Tone { frequency, amplitude: Volts::new(drive) };
        rig.go(tone, ways.change, ways.follow).map(|applied| applied.frequency.si())
    };
    let mut applied = go(rig, control.drive)?;
    let error = loop {
        let amplitude = rig.amplitude(applied, window)?;
        match control.observe(amplitude) {
            Next::Look => {}
            Next::Drive(drive) => applied = go(rig, drive)?,
            Next::Dwell => break Some(amplitude / control.target - 1.0),
            Next::GiveUp => break None,
        }
    };
    let measured = match error {
        Some(_) => {
            let from = rig.now();
            rig.dwell(dwell)?;
            rig.between(from, rig.now())
        }
        None => Seconds::ZERO,
    };
    rig.off(ways.change)?;
    let whole = rig.between(begun, rig.now());
    Ok(Visit { frequency, overhead: whole - measured, dwell: measured, windows: control.windows, error })
}

/// The rule alone: amplitudes of windows in, drives out.
#[derive(Debug, Clone, PartialEq)]
struct Loop {
    /// Target and amplitudes in V of the reference.
    target: f64,
    /// Drives in V.
    ceiling: f64,
    gain: f64,
    drive: f64,
    good: u32,
    windows: u32,
}

/// What the rule wants next.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Next {
    /// Another window at the same drive.
    Look,
    /// A window at another drive.
    Drive(f64),
    /// The dwell.
    Dwell,
    /// Nothing more.
    GiveUp,
}

impl Loop {
    fn observe(&mut self, amplitude: f64) -> Next {
        self.windows += 1;
        let good = (amplitude / self.target - 1.0).abs() <= BAND;
        self.good = if good { self.good + 1 } else { 0 };
        if self.good >= IN_A_ROW {
            return Next::Dwell;
        }
        if self.windows >= MOST_WINDOWS {
            return Next::GiveUp;
        }
        if good {
            return Next::Look;
        }
        self.drive = (self.drive * (self.target / amplitude).powf(self.gain)).min(self.ceiling);
        Next::Drive(self.drive)
    }
}

#[cfg(test)]
mod tests;
