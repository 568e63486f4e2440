//! The tone at a moment, as what stood still foretells it.

use crate::hazard::{Machine, State};
use nalgebra::Complex;
use plan_schema::units::{Accel, Hertz};

/// A tone at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::interlock) struct Foretold {
    /// Its frequency.
    pub(super) frequency: Hertz,
    /// Acceleration for a volt of drive, m/s²; its real part is that of the moment.
    pub(super) unit: Complex<f64>,
    /// The drive that was commanded, and that before its change, V.
    pub(super) drive: f64,
    pub(super) before: f64,
}

impl Foretold {
    /// What the reference should show, m/s².
    pub(in crate::interlock) fn now(&self) -> f64 {
        self.unit.re * self.drive
    }

    /// Its phasor; the real part is what the reference should show, m/s².
    pub(in crate::interlock) fn phasor(&self) -> Complex<f64> {
        self.unit * self.drive
    }

    /// What it would show had the drive stayed as it was before its change.
    pub(in crate::interlock) fn before(&self) -> f64 {
        self.unit.re * self.before
    }

    /// State of the machine, and its input.
    pub(in crate::interlock) fn state(&self, machine: &Machine) -> (State, f64) {
        let steady = machine.steady(self.frequency, Accel::new(1.0));
        // Its displacement is real and positive, so that its acceleration is −1.
        let turned = -self.unit * self.drive;
        (steady.state.map(|phasor| (phasor * turned).re), (steady.input * turned).re)
    }
}

#[cfg(test)]
impl Foretold {
    /// A tone as it is at a moment.
    pub(in crate::interlock) fn at(frequency: Hertz, unit: Complex<f64>, drive: f64, before: f64) -> Self {
        Self { frequency, unit, drive, before }
    }
}
