//! The shaker as the rig file describes it: electro-mechanical, driven by a voltage or a current.
//!
//! Owns: its figures, the linear response, what a sine needs, how long a change of drive takes. Must not: learn.
//! `L di/dt + R i + Bl v = u`, `m x'' + c x' + k x = Bl i` (standard electro-dynamics of a moving coil), solved for a sine;
//! what hardening and droop add to it is in `bent`.

use super::transition::{is_small, transition, transition_beside, transition_of_a_small_change};
use nalgebra::Complex;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{Accel, Amperes, Hertz, Newtons, Peak, Seconds, Volts};
use std::f64::consts::TAU;

/// The plant from source output to acceleration, in SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plant {
    pub(super) mass: f64,
    pub(super) stiffness: f64,
    pub(super) damping: f64,
    pub(super) force_factor: f64,
    pub(super) resistance: f64,
    pub(super) inductance: f64,
    /// β: how much stiffer the suspension is at the rated stroke, as a share.
    pub(super) hardening: f64,
    /// γ: how much weaker the force factor is at the rated stroke, as a share.
    pub(super) droop: f64,
    pub(super) rated_stroke: f64,
    pub(super) mode: AmplifierMode,
    pub(super) gain: f64,
}

/// What a sine of some acceleration needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Need {
    /// Output of the source.
    pub drive: Volts<Peak>,
    /// Voltage across the coil.
    pub coil_voltage: Volts<Peak>,
    /// Current through the coil.
    pub current: Amperes<Peak>,
    /// Force of the coil.
    pub force: Newtons<Peak>,
}

impl Plant {
    /// The plant of a job: the shaker with its payload, and the amplifier.
    #[must_use]
    pub fn of(job: &ResolvedJob) -> Self {
        let shaker = &job.rig.shaker;
        let amplifier = &job.rig.amplifier;
        let gain = match amplifier.mode {
            AmplifierMode::Voltage => amplifier.gain.map_or(1.0, |g| g.si()),
            AmplifierMode::Current => amplifier.transconductance.map_or(1.0, |g| g.si()),
        };
        let critical = 2.0 * (shaker.stiffness.si() * shaker.moving_mass.si()).sqrt();
        Self {
            mass: shaker.moving_mass.si() + job.payload().si(),
            stiffness: shaker.stiffness.si(),
            damping: shaker.damping_ratio.si() * critical,
            force_factor: shaker.force_factor.si(),
            resistance: shaker.coil_resistance.si(),
            inductance: shaker.coil_inductance.si(),
            hardening: shaker.suspension_hardening.si(),
            droop: shaker.force_factor_droop.si(),
            rated_stroke: shaker.rated_stroke.si(),
            mode: amplifier.mode,
            gain,
        }
    }

    /// Mechanical impedance seen by the coil's force, per displacement: `k − mω² + jωc`.
    fn dynamic_stiffness(&self, omega: f64) -> Complex<f64> {
        Complex::new(self.stiffness - self.mass * omega * omega, omega * self.damping)
    }

    /// Acceleration per volt of the source for a small motion, complex, in (m/s²)/V.
    #[must_use]
    pub fn acceleration_per_volt(&self, frequency: Hertz) -> Complex<f64> {
        let omega = TAU * frequency.si();
        let stiffness = self.dynamic_stiffness(omega);
        let per_amplifier_output = match self.mode {
            AmplifierMode::Voltage => {
                let coil = Complex::new(self.resistance, omega * self.inductance);
                let motional = Complex::new(0.0, omega * self.force_factor * self.force_factor);
                Complex::new(-omega * omega * self.force_factor, 0.0) / (coil * stiffness + motional)
            }
            AmplifierMode::Current => Complex::new(-omega * omega * self.force_factor, 0.0) / stiffness,
        };
        per_amplifier_output * self.gain
    }

    /// What a sine of this acceleration needs: the fundamentals of drive, voltage, current and force.
    #[must_use]
    pub fn need(&self, frequency: Hertz, acceleration: Accel<Peak>) -> Need {
        let balance = self.balance(frequency, acceleration);
        Need {
            drive: Volts::new(balance.drive.norm()),
            coil_voltage: Volts::new(balance.coil_voltage.norm()),
            current: Amperes::new(balance.current.norm()),
            force: Newtons::new(balance.force.norm()),
        }
    }

    /// How long a change of drive takes at a frequency, so that it neither moves the centre nor rings the suspension.
    #[must_use]
    pub fn transition(&self, frequency: Hertz) -> Seconds {
        match self.mode {
            AmplifierMode::Voltage => transition(frequency),
            AmplifierMode::Current => {
                let resonance = Hertz::new((self.stiffness / self.mass).sqrt() / TAU);
                transition_beside(frequency, resonance)
            }
        }
    }

    /// How long the way from one drive to another takes. A small change (at most 5 % of the larger) goes the shortest
    /// smooth way: what it moves the centre by is in proportion to the change, at most the change itself.
    ///
    /// Driven by a current the suspension would ring on for long, so that every change takes the full time.
    #[must_use]
    pub fn transition_between(&self, frequency: Hertz, from: Volts<Peak>, to: Volts<Peak>) -> Seconds {
        if is_small(from, to) && self.mode == AmplifierMode::Voltage {
            transition_of_a_small_change(frequency)
        } else {
            self.transition(frequency)
        }
    }

    /// Time constant with which a shorted coil brakes: `m / (c + Bl²/R)`.
    #[must_use]
    pub fn braking(&self) -> Seconds {
        Seconds::new(self.mass / (self.damping + self.force_factor.powi(2) / self.resistance))
    }

    /// Time after which a change of drive no longer shows in the acceleration: seven time constants (0.1 %) of the
    /// electromagnetic damping in voltage mode, of the mechanical damping in current mode.
    ///
    /// The slow pole of a shaker driven by voltage moves the centre, not the acceleration, and is not waited for.
    #[must_use]
    pub fn settling_time(&self) -> Seconds {
        let damping = match self.mode {
            AmplifierMode::Voltage => self.damping + self.force_factor.powi(2) / self.resistance,
            AmplifierMode::Current => self.damping,
        };
        let constant = match self.mode {
            AmplifierMode::Voltage => self.mass / damping,
            AmplifierMode::Current => 2.0 * self.mass / damping,
        };
        Seconds::new((7.0 * constant).clamp(0.005, 60.0))
    }
}

#[cfg(test)]
mod tests {
    use super::super::rigs::{RIGS, linear};
    use super::*;

    fn long_stroke() -> Plant {
        linear(RIGS[0])
    }

    /// The need inverts the transfer function, by another road: current by way of the mechanics alone.
    #[test]
    fn need_and_transfer_agree() {
        let plant = long_stroke();
        for f in [0.1, 0.8, 3.0, 50.0, 400.0] {
            let omega = TAU * f;
            let need = plant.need(Hertz::new(f), Accel::new(2.0));
            assert!((need.drive.si() / need.coil_voltage.si() - 1.0).abs() < 1e-12, "{f} Hz");
            let response = plant.acceleration_per_volt(Hertz::new(f)).norm();
            assert!((need.drive.si() * response / 2.0 - 1.0).abs() < 1e-12, "{f} Hz");
            let force = (plant.dynamic_stiffness(omega) * 2.0 / (omega * omega)).norm();
            assert!((need.force.si() / force - 1.0).abs() < 1e-12, "{f} Hz");
            assert!((need.force.si() / need.current.si() / 60.0 - 1.0).abs() < 1e-12, "{f} Hz");
        }
    }

    /// A small correction is quick, a large one and any on a shaker driven by a current takes the full time.
    #[test]
    fn small_changes_are_quick() {
        let (f, plant) = (Hertz::new(1.0), long_stroke());
        let between =
            |plant: Plant, a: f64, b: f64| plant.transition_between(f, Volts::new(a), Volts::new(b));
        assert_eq!(between(plant, 1.0, 1.04), Seconds::new(0.25));
        assert_eq!(between(plant, 1.0, 1.2), plant.transition(f));
        assert_eq!(between(plant, 0.0, 1.0), plant.transition(f));
        let by_current = Plant { mode: AmplifierMode::Current, ..plant };
        assert_eq!(between(by_current, 1.0, 1.04), by_current.transition(f));
    }

    /// Well above resonance a current gives `a = Bl i / m`, whatever the suspension (elementary).
    #[test]
    fn mass_line() {
        let plant = Plant { mode: AmplifierMode::Current, ..long_stroke() };
        let a = plant.acceleration_per_volt(Hertz::new(200.0)).norm();
        assert!((a / (60.0 / 4.5) - 1.0).abs() < 1e-4);
    }

    /// Braking with the coil shorted: mR/Bl² = 3.75 ms for this rig (closed form).
    #[test]
    fn settling_is_seven_braking_constants() {
        assert!((long_stroke().settling_time().si() - 7.0 * 3.75e-3).abs() < 1e-4);
    }
}
