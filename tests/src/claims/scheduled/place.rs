//! A single point of an example's job, and runs of it with a fault.

use super::CYCLES;
use super::judge::accepted;
use crate::quick::{Begun, Ran, between};
use crate::shell::Shell;
use anyhow::{Context, Result, ensure};
use calibration::sequence::Setup;
use plan_schema::faults::{Fault, Faults, Moment};
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::units::{Hertz, Mono, Seconds};

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
        let ran = shell(&setup, seed)?.into_ran(seed)?;
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

    /// Runs it with each of these faults by itself, which strike at a time: up to there all have one run. `heard` gets
    /// number and outcome.
    ///
    /// # Errors
    /// If the run without a fault fails before the last of them strikes.
    pub fn with_each(
        &self,
        seed: u64,
        faults: &[Fault],
        mut heard: impl FnMut(usize, Result<Ran>),
    ) -> Result<()> {
        let when = |fault: &Fault| match fault.at {
            Moment::Time(time) => time,
            Moment::Point(_) => Seconds::ZERO,
        };
        let mut order: Vec<(usize, &Fault)> = faults.iter().enumerate().collect();
        order.sort_by(|(_, a), (_, b)| when(a).si().total_cmp(&when(b).si()));
        let mut base = shell(&self.setup, seed)?;
        let block = self.setup.job.rig.acquisition.block;
        for (number, fault) in order {
            while when(fault) - between(Mono(0), base.now()) > block {
                ensure!(base.outcome().is_none(), "{} ended before {:?} strikes", self.name, fault.kind);
                base.block()?;
            }
            let struck = || {
                let mut there = base.fork()?;
                there.strike(seed, fault)?;
                there.into_ran(seed)
            };
            heard(number, struck());
        }
        Ok(())
    }

    /// Frequency of the point, Hz.
    #[must_use]
    pub fn frequency(&self) -> f64 {
        self.frequency_of_point().si()
    }

    /// The same with its unit.
    pub(super) fn frequency_of_point(&self) -> Hertz {
        self.setup.job.points.first().map_or(Hertz::new(1.0), |p| p.frequency)
    }

    /// The moment at this phase of the tone, in the second cycle of the dwell.
    #[must_use]
    pub fn in_dwell(&self, phase: u32, of: u32) -> Moment {
        let frequency = self.frequency();
        Moment::Time(self.dwell + Seconds::new((1.0 + f64::from(phase) / f64::from(of)) / frequency))
    }

    /// One of so many moments on the way to the amplitude.
    pub(super) fn on_the_way(&self, number: u32, of: u32) -> Moment {
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
}

fn shell(setup: &Setup, seed: u64) -> Result<Shell> {
    let none = Faults { format: setup.job.plan.format, faults: Vec::new() };
    Shell::new(setup.clone(), seed, &none)
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
