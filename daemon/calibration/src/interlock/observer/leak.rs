//! Displacement from acceleration: integrated twice, and what drifts is let leak away, but not the tone.
//!
//! Owns: `x' = v − k₁ z`, `v' = a − b − k₂ z`, `b' = k₃ z` with `z = N(s) x`, N a [`Notch`] at the frequency of the tone; the
//! three gains put the poles of the leak at its corner `ω_c`: `k₁ = 3 ω_c`, `k₂ = 3 ω_c²`, `k₃ = ω_c³` (a Luenberger observer of
//! position, velocity and offset, corrected towards "no drift beside the tone"). A steady offset of the acceleration leaves
//! nothing behind, nor does a steady tone: its displacement is `−a/ω²`, exactly. What changes slower than the corner is
//! lost: that is the static part, which no acceleration shows. Must not: know a plant or a bound.

use super::notch::Notch;

/// Displacement, velocity and offset of an acceleration that is fed sample by sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Leak {
    displacement: f64,
    velocity: f64,
    offset: f64,
    /// Acceleration at the sample before, offset taken off.
    before: f64,
    drift: f64,
    notch: Notch,
    gains: [f64; 3],
    period: f64,
}

impl Leak {
    /// At rest. `corner` is ω_c in rad/s.
    #[must_use]
    pub(crate) fn new(frequency: f64, corner: f64, period: f64) -> Self {
        Self {
            displacement: 0.0,
            velocity: 0.0,
            offset: 0.0,
            before: 0.0,
            drift: 0.0,
            notch: Notch::new(frequency, period),
            gains: gains(corner),
            period,
        }
    }

    /// The same motion, from here on with another tone and corner.
    #[must_use]
    pub(crate) fn retuned(self, frequency: f64, corner: f64) -> Self {
        let Self { displacement, velocity, offset, before, drift, .. } = self;
        let notch = Notch::new(frequency, self.period).resting_at(displacement);
        Self {
            displacement,
            velocity,
            offset,
            before,
            drift,
            notch,
            ..Self::new(frequency, corner, self.period)
        }
    }

    /// The same motion, from here on with another corner.
    #[must_use]
    pub(crate) fn slowed(self, corner: f64) -> Self {
        Self { gains: gains(corner), ..self }
    }

    /// Takes over a motion that somebody else accounted for so far.
    pub(crate) fn shift(&mut self, displacement: f64, velocity: f64) {
        self.displacement += displacement;
        self.velocity += velocity;
        self.notch = self.notch.resting_at(self.drift);
    }

    /// Takes a sample of the acceleration; the displacement, and of it what is no steady tone.
    #[inline]
    pub(crate) fn pass(&mut self, acceleration: f64) -> (f64, f64) {
        let (h, [k1, k2, k3]) = (self.period, self.gains);
        let free = acceleration - self.offset;
        // The chord between two samples: off by (ω h)²/12 of the displacement.
        self.displacement += h * (self.velocity - k1 * self.drift) + h * h * (2.0 * self.before + free) / 6.0;
        self.velocity += h * (0.5 * (self.before + free) - k2 * self.drift);
        self.offset += h * k3 * self.drift;
        self.before = free;
        self.drift = self.notch.pass(self.displacement);
        (self.displacement, self.drift)
    }
}

/// The gains that put the poles of a leak at its corner.
fn gains(corner: f64) -> [f64; 3] {
    [3.0 * corner, 3.0 * corner.powi(2), corner.powi(3)]
}
