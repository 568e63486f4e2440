//! What a laboratory can't know of its own rig: drawn once per seed, from the distributions that the budget declares.
//!
//! Owns: one function for each such quantity, which names its distribution; the figures are those that the rig file and
//! the registers state, and from which the budget is made. A stream of its own belongs to each (`random`), so none depends
//! on how many others there are.
//! Must not: know physics; what a drawn error does is said where it acts.
//!
//! | quantity | distribution | figure |
//! |---|---|---|
//! | reference, magnitude and phase | normal | U/k of its certificate, one draw for all frequencies |
//! | reference, drift since its calibration | rectangular | `drift_per_year` × age |
//! | gain of each channel | normal | `errors.channel_ratio`: U (k = 2) of the ratio of two, so U/2√2 of each |
//! | gain and delay of single channels beside it | none | `simulation.channels` |
//! | delay of each channel | normal | `errors.channel_phase`: U (k = 2) at 100 Hz of the difference of two |
//! | stated gain, conditioner, corners and delay of each channel | normal | U (k = 2) that its rig file states of each |
//! | motion of a fixture, one draw for all frequencies | normal | U (k = 2) of its ratio |
//! | mounting of each sensor | rectangular | `errors.mounting` |
//! | temperature of the mounting surface | rectangular | `errors.temperature` off the room's |
//! | transverse motion, share | rectangular | `errors.transverse_motion` |
//! | transverse motion, direction against each sensor's | evenly all around | – |
//! | transverse sensitivity of each sensor | rectangular | `transverse_sensitivity` |
//! | sensitivity of each sensor under test | rectangular | `simulation.spread.sensitivity` (part of the truth) |
//! | sensitivity of a check standard | none | what its register expects in the middle of its entries |
//! | supply of each sensor | rectangular | `simulation.spread.supply` |
//! | mass, stiffness, force factor, resistance of the shaker | rectangular each | `simulation.spread.shaker`, and on top of it |
//! | moving mass | rectangular | `simulation.spread.moving_mass` |
//! | stiffness | rectangular | `simulation.spread.stiffness` |
//! | force factor | rectangular | `simulation.spread.force_factor` |
//! | resistance of the coil | rectangular | `simulation.spread.coil_resistance` |
//! | gain of the amplifier | rectangular | `simulation.spread.amplifier_gain` |

use crate::error::SimError;
use crate::random;
use plan_schema::job::Mounted;
use plan_schema::registers::{Date, Sensor};
use plan_schema::resolve::{MountedReference, ResolvedJob};
use plan_schema::rig::RigErrors;
use plan_schema::simulation::{SimulatedChannel, Spread};
use plan_schema::units::Fraction;
use std::f64::consts::{PI, SQRT_2, TAU};

/// Frequency in Hz at which the rig file states the phase between channels.
const PHASE_STATED_AT: f64 = 100.0;

/// The day on which a dry run starts unless told otherwise; from it the age of a calibration is counted.
const DRY_RUN: Date = Date { year: 2000, month: 1, day: 1 };

const DAYS_PER_YEAR: f64 = 365.25;

/// What a quantity is distributed as.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Distribution {
    /// With this standard deviation about zero.
    Normal(f64),
    /// Evenly within ± this half-width.
    Rectangular(f64),
}

/// Error of the reference against its certificate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ReferenceError {
    /// Of its magnitude, in standard uncertainties of the certificate.
    pub(crate) magnitude: f64,
    /// Of its phase, in standard uncertainties of the certificate.
    pub(crate) phase: f64,
    /// Of its magnitude since the calibration, relative.
    pub(crate) drift: f64,
}

/// Draws what the laboratory of one job can't know.
#[derive(Debug, Clone)]
pub(crate) struct Unknowns {
    seed: u64,
    errors: RigErrors,
    spread: Spread,
    channels: Vec<SimulatedChannel>,
}

impl Unknowns {
    /// Those of a job.
    ///
    /// # Errors
    /// A width below zero, or none at all.
    pub(crate) fn new(job: &ResolvedJob, seed: u64) -> Result<Self, SimError> {
        let errors = job.rig.errors.clone();
        let spread = job.rig.simulation.spread.clone();
        for (value, key) in [
            (errors.channel_ratio.si(), "errors.channel_ratio"),
            (errors.channel_phase.si(), "errors.channel_phase"),
            (errors.mounting.si(), "errors.mounting"),
            (errors.temperature.si(), "errors.temperature"),
            (errors.transverse_motion.si(), "errors.transverse_motion"),
            (spread.sensitivity.si(), "simulation.spread.sensitivity"),
            (spread.supply.si(), "simulation.spread.supply"),
        ] {
            SimError::not_negative(value, &format!("the width of {key}"), key)?;
        }
        Ok(Self { seed, errors, spread, channels: job.rig.simulation.channels.clone() })
    }

    /// The seed itself, for noise.
    pub(crate) fn seed(&self) -> u64 {
        self.seed
    }

    fn draw(&self, name: &str, distribution: Distribution) -> f64 {
        match distribution {
            Distribution::Normal(standard) => standard * random::normal(self.seed, name),
            Distribution::Rectangular(half) => half * random::uniform(self.seed, name),
        }
    }

    /// What the reference is off by.
    pub(crate) fn reference(&self, mounted: &MountedReference) -> ReferenceError {
        let serial = &mounted.reference.serial;
        let normal = Distribution::Normal(1.0);
        let drift = mounted.reference.drift_per_year.si() * age_years(mounted.calibration.date);
        ReferenceError {
            magnitude: self.draw(&format!("sensitivity of reference {serial}"), normal),
            phase: self.draw(&format!("phase of reference {serial}"), normal),
            drift: self.draw(&format!("drift of reference {serial}"), Distribution::Rectangular(drift)),
        }
    }

    /// Relative error of a channel's gain.
    pub(crate) fn channel_gain(&self, channel: &str) -> f64 {
        let standard = self.errors.channel_ratio.si() / 2.0 / SQRT_2;
        let own = self.channels.iter().find(|c| c.name == channel).map_or(0.0, |c| c.gain_error.si());
        own + self.draw(&format!("gain of channel {channel}"), Distribution::Normal(standard))
    }

    /// How much later than the others a channel samples, in s; its phase then lags in proportion to frequency.
    pub(crate) fn channel_delay(&self, channel: &str) -> f64 {
        let standard = self.errors.channel_phase.si() / 2.0 / SQRT_2 / (TAU * PHASE_STATED_AT);
        let own = self.channels.iter().find(|c| c.name == channel).map_or(0.0, |c| c.delay_error.si());
        own + self.draw(&format!("delay of channel {channel}"), Distribution::Normal(standard))
    }

    /// Error of a figure that the rig file states with the expanded uncertainty `u` (k = 2), in the unit of `u`.
    pub(crate) fn stated(&self, what: &str, u: f64) -> f64 {
        self.draw(&format!("stated {what}"), Distribution::Normal(u / 2.0))
    }

    /// Error of the measured motion of the place that a sensor stands at, in its expanded uncertainties; the same for all
    /// that stand there.
    pub(crate) fn fixture(&self, mounted: &Mounted) -> f64 {
        let (fixture, position) = (mounted.fixture.as_deref(), mounted.position.as_deref());
        let place = format!("motion of {} at {}", fixture.unwrap_or(""), position.unwrap_or(""));
        fixture.map_or(0.0, |_| self.stated(&place, 1.0))
    }

    /// Relative error of a sensor's output by its mounting, cable and place on the table.
    pub(crate) fn mounting(&self, serial: &str) -> f64 {
        let half = self.errors.mounting.si();
        self.draw(&format!("mounting of {serial}"), Distribution::Rectangular(half))
    }

    /// How much warmer than the room the mounting surface is, in K.
    pub(crate) fn surface(&self) -> f64 {
        let half = self.errors.temperature.si();
        self.draw("temperature of the surface", Distribution::Rectangular(half))
    }

    /// Transverse motion as a share of the motion along the axis, in phase with it.
    pub(crate) fn transverse_motion(&self) -> f64 {
        let half = self.errors.transverse_motion.si();
        self.draw("transverse motion", Distribution::Rectangular(half))
    }

    /// Response of a sensor or reference to transverse motion as a share of its sensitivity, at the angle that it happens
    /// to be turned to. `limit` is the largest that its register states.
    pub(crate) fn cross_axis(&self, serial: &str, limit: f64) -> f64 {
        let largest =
            self.draw(&format!("transverse sensitivity of {serial}"), Distribution::Rectangular(limit));
        let angle = self.draw(&format!("transverse direction of {serial}"), Distribution::Rectangular(PI));
        largest * angle.cos()
    }

    /// Relative error of a sensor's sensitivity against its nominal one: not an error of the laboratory's, but the truth
    /// that it is to find.
    pub(crate) fn sensitivity(&self, serial: &str) -> f64 {
        let half = self.spread.sensitivity.si();
        self.draw(&format!("sensitivity of {serial}"), Distribution::Rectangular(half))
    }

    /// Relative error of a sensor's supply.
    pub(crate) fn supply(&self, sensor: &Sensor) -> f64 {
        let half = self.spread.supply.si();
        self.draw(&format!("supply of {}", sensor.serial), Distribution::Rectangular(half))
    }

    /// What a sensor's output is off by because its supply is; relative, 0 unless it is ratiometric.
    pub(crate) fn supply_at_output(&self, sensor: &Sensor) -> f64 {
        if sensor.is_ratiometric() { self.supply(sensor) } else { 0.0 }
    }

    /// The true moving mass over that of the rig file.
    pub(crate) fn moving_mass(&self) -> f64 {
        self.off("shaker mass", self.spread.shaker) * self.off("moving mass", self.spread.moving_mass)
    }

    /// The true stiffness over that of the rig file.
    pub(crate) fn stiffness(&self) -> f64 {
        self.off("shaker stiffness", self.spread.shaker) * self.off("stiffness", self.spread.stiffness)
    }

    /// The true force factor over that of the rig file.
    pub(crate) fn force_factor(&self) -> f64 {
        self.off("shaker force factor", self.spread.shaker)
            * self.off("force factor", self.spread.force_factor)
    }

    /// The true resistance of the coil over that of the rig file.
    pub(crate) fn coil_resistance(&self) -> f64 {
        self.off("shaker resistance", self.spread.shaker)
            * self.off("coil resistance", self.spread.coil_resistance)
    }

    /// The true gain of the amplifier over that of the rig file.
    pub(crate) fn amplifier_gain(&self) -> f64 {
        self.off("amplifier gain", self.spread.amplifier_gain)
    }

    /// A factor that is off 1 by what is drawn within a spread.
    fn off(&self, name: &str, spread: Fraction) -> f64 {
        1.0 + self.draw(name, Distribution::Rectangular(spread.si()))
    }

    /// Where a channel's hum is in its turn when the world starts, as a share of one; each harmonic for itself.
    pub(crate) fn hum_phase(&self, channel: &str, harmonic: u32) -> f64 {
        self.draw(&format!("hum {harmonic} of channel {channel}"), Distribution::Rectangular(0.5))
    }
}

/// Age in years of a calibration when a dry run starts; one that lies after that day counts as a year old.
fn age_years(date: Date) -> f64 {
    let days = day_number(DRY_RUN) - day_number(date);
    if days > 0.0 { days / DAYS_PER_YEAR } else { 1.0 }
}

/// Days since some day long ago, by the rule of the Gregorian calendar.
fn day_number(date: Date) -> f64 {
    // A year that begins in March ends with the leap day.
    let month = (f64::from(date.month) + 9.0) % 12.0;
    let year = f64::from(date.year) - f64::from(u8::from(date.month < 3));
    let leap_days = (year / 4.0).floor() - (year / 100.0).floor() + (year / 400.0).floor();
    365.0 * year + leap_days + ((153.0 * month + 2.0) / 5.0).floor() + f64::from(date.day)
}

#[cfg(test)]
mod tests;
