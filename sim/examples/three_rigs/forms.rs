//! Closed forms of a rig's linear equations.

use super::Machine;
use nalgebra::Complex;
use std::f64::consts::TAU;

impl Machine {
    /// Acceleration per unit of drive in the linear equations (textbook electro-mechanics):
    /// `−w² Bl / [(R + jwL)(k − m w² + jwc) + jw Bl²]` for a voltage, `−w² Bl / (k − m w² + jwc)` for a current, and the
    /// amplifier's first-order corner.
    #[must_use]
    pub(crate) fn acceleration_per_drive(&self, frequency: f64) -> Complex<f64> {
        let w = TAU * frequency;
        let mechanical = Complex::new(self.stiffness - self.mass * w * w, w * self.damping());
        let corner = Complex::new(1.0, frequency / self.bandwidth);
        let back = Complex::new(0.0, w * self.force_factor * self.force_factor);
        let coil = Complex::new(self.resistance, w * self.inductance);
        let below = if self.current_mode { mechanical } else { coil * mechanical + back };
        Complex::new(-w * w * self.force_factor, 0.0) / below / corner
    }

    /// Current and coil voltage per acceleration, linear.
    fn needs(&self, frequency: f64) -> (f64, f64) {
        let w = TAU * frequency;
        let x = Complex::new(-1.0 / (w * w), 0.0);
        let i = Complex::new(self.stiffness - self.mass * w * w, w * self.damping()) * x / self.force_factor;
        let u = Complex::new(self.resistance, w * self.inductance) * i
            + Complex::new(0.0, w) * x * self.force_factor;
        (i.norm(), u.norm())
    }

    /// The acceleration of `share` of the rated stroke, or of as much as `reserve` of the amplifier's limits allows.
    #[must_use]
    pub(crate) fn reach(&self, frequency: f64, share: f64, reserve: f64) -> f64 {
        let (amperes, volts) = self.needs(frequency);
        let stroke = share * self.rated * (TAU * frequency).powi(2);
        stroke.min(reserve * self.amperes / amperes).min(reserve * self.volts / volts)
    }

    /// The drive for a fundamental of the acceleration, by harmonic balance: of suspension, force and induced voltage only
    /// the fundamental is kept. Exact for a linear rig; within 1 % else.
    #[must_use]
    pub(crate) fn drive_for(&self, frequency: f64, acceleration: f64) -> f64 {
        let w = TAU * frequency;
        let x = acceleration / (w * w);
        let bent = (x / self.rated).powi(2);
        // The displacement is x cos θ: cos² weighs what goes with it by 3/4, what goes with the velocity by 1/4.
        let spring = self.stiffness * (1.0 + 0.75 * self.hardening * bent);
        let along = self.force_factor * (1.0 - 0.75 * self.droop * bent);
        let across = self.force_factor * (1.0 - 0.25 * self.droop * bent);
        let current = Complex::new((spring - self.mass * w * w) * x / along, w * self.damping() * x / across);
        let induced = Complex::new(0.0, w * across * x);
        let wanted = if self.current_mode {
            current
        } else {
            Complex::new(self.resistance, w * self.inductance) * current + induced
        };
        (wanted * Complex::new(1.0, frequency / self.bandwidth)).norm()
    }
}
