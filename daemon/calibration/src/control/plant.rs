//! The shaker as the rig file describes it: linear, electro-mechanical, driven by a voltage or a current.
//!
//! `L di/dt + R i + Bl v = u`, `m x'' + c x' + k x = Bl i` (standard electro-dynamics of a moving coil). Solved for a sine.

use super::transition::{transition, transition_beside};
use nalgebra::Complex;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{Accel, Amperes, Hertz, Newtons, Peak, Seconds, Volts};
use std::f64::consts::TAU;

/// The linear plant from source output to acceleration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plant {
    mass: f64,
    stiffness: f64,
    damping: f64,
    force_factor: f64,
    resistance: f64,
    inductance: f64,
    mode: AmplifierMode,
    gain: f64,
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
            mode: amplifier.mode,
            gain,
        }
    }

    /// Mechanical impedance seen by the coil's force, per displacement: `k − mω² + jωc`.
    fn dynamic_stiffness(&self, omega: f64) -> Complex<f64> {
        Complex::new(self.stiffness - self.mass * omega * omega, omega * self.damping)
    }

    /// Acceleration per volt of the source, complex, in (m/s²)/V.
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

    /// What a sine of this acceleration needs.
    #[must_use]
    pub fn need(&self, frequency: Hertz, acceleration: Accel<Peak>) -> Need {
        let omega = TAU * frequency.si();
        let displacement = Complex::new(-acceleration.si() / (omega * omega), 0.0);
        let current = self.dynamic_stiffness(omega) * displacement / self.force_factor;
        let velocity = displacement * Complex::new(0.0, omega);
        let coil = Complex::new(self.resistance, omega * self.inductance);
        let voltage = coil * current + velocity * self.force_factor;
        let drive = acceleration.si() / self.acceleration_per_volt(frequency).norm();
        Need {
            drive: Volts::new(drive),
            coil_voltage: Volts::new(voltage.norm()),
            current: Amperes::new(current.norm()),
            force: Newtons::new(current.norm() * self.force_factor),
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
    use super::*;

    fn long_stroke() -> Plant {
        Plant {
            mass: 4.5,
            stiffness: 113.7,
            damping: 0.02 * 2.0 * (113.7f64 * 4.5).sqrt(),
            force_factor: 60.0,
            resistance: 3.0,
            inductance: 3e-3,
            mode: AmplifierMode::Voltage,
            gain: 1.0,
        }
    }

    /// The need inverts the transfer function, by another road: the drive is the coil's voltage at gain 1.
    #[test]
    fn need_and_transfer_agree() {
        let plant = long_stroke();
        for f in [0.1, 0.8, 3.0, 50.0, 400.0] {
            let need = plant.need(Hertz::new(f), Accel::new(2.0));
            assert!((need.drive.si() / need.coil_voltage.si() - 1.0).abs() < 1e-12, "{f} Hz");
        }
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
