//! Whether the armature stays about its centre once the source was told to be at 0 V.
//!
//! Owns: a look for a displacement that goes on growing although nothing should drive it, as behind a source that stopped on its
//! way to 0 V and holds what it put out. The acceleration of that is over within the way, hidden beside the tone's; what stays is
//! a speed. Must not: count a tone that dies away, or a zero of the reference that shifts with it.

use super::bound::{Bound, Facts};
use super::leak::Leak;
use plan_schema::units::{Displacement, Peak};
use std::f64::consts::TAU;

/// Share of a tone's acceleration by which the zero of a reference may be another one while it is on: transducers rectify
/// vibration a little (common practice, no source).
const ZERO_SHIFTS: f64 = 5e-4;

/// Largest corner as a share of the tone's angular frequency: a leak with a higher one follows the tone as it dies away, and takes
/// that for a motion.
const MOST_CORNER: f64 = 0.1;

/// The way to 0 V, and the time after it.
#[derive(Debug, Clone)]
pub(super) struct Rest {
    leak: Leak,
    /// What noise makes of it, m.
    floor: f64,
    /// What is left of the tone that died away, m, and the factor by which that falls from sample to sample.
    tone: f64,
    decay: f64,
    /// The sample from which nothing should move any more.
    from: f64,
    /// How far the armature may lie off its centre anyway, m.
    allowance: f64,
    /// How far it is off at least, m.
    off: f64,
}

impl Rest {
    /// Looks on from a motion that was accounted for so far: that of a tone at a frequency in Hz with an acceleration in m/s².
    #[must_use]
    pub(super) fn after(
        leak: &Leak,
        facts: &Facts,
        (frequency, acceleration): (f64, f64),
        allowance: f64,
        from: f64,
    ) -> Self {
        // So low that the shift of a zero makes no more than a share of what is looked for, and noise no more than it may. Where
        // a rig file allows for less than the highest corner can tell, or for nothing, what it can tell is looked for.
        let angular = TAU * frequency;
        let allowance = allowance.max(ZERO_SHIFTS * acceleration / (MOST_CORNER * angular).powi(2));
        let shifts = (ZERO_SHIFTS * acceleration / allowance).sqrt();
        let bound = Bound::at(facts, frequency, 0.0);
        let bound = bound.with_corner(facts, frequency, shifts.max(bound.slow_corner));
        let floor = bound.steady(0.0, 0.0);
        // The whole tone is missed by the notch once it is gone.
        let tone = bound.steady(acceleration / angular.powi(2), 1.0) - floor;
        let (leak, decay) = (leak.slowed(bound.corner), bound.decay);
        Self { leak, floor, tone, decay, from, allowance, off: 0.0 }
    }

    /// Takes what the reference shows at a sample beside the model, m/s².
    #[inline]
    pub(super) fn pass(&mut self, sample: f64, beside: f64) {
        let (displacement, _) = self.leak.pass(beside);
        if sample >= self.from {
            self.tone *= self.decay;
            self.off = displacement.abs() - self.floor - self.tone;
        }
    }

    /// Takes over a motion that somebody else accounted for so far.
    pub(super) fn shift(&mut self, displacement: f64, velocity: f64) {
        self.leak.shift(displacement, velocity);
    }

    /// How far the armature is off its centre at least, and how far it may be, where it is farther.
    #[must_use]
    pub(super) fn wanders(&self) -> Option<(Displacement<Peak>, Displacement<Peak>)> {
        // Not a comparison with `>`: what is no number must not pass.
        let stays = self.off <= self.allowance;
        (!stays).then(|| (Displacement::new(self.off), Displacement::new(self.allowance)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    const PERIOD: f64 = 1e-3;
    const FREQUENCY: f64 = 10.0;
    /// 2.5 mm pk.
    const ACCELERATION: f64 = 10.0;
    const ALLOWANCE: f64 = 3e-4;

    /// Seconds after the way until it is said that the armature wanders, within ten of them. The reference shows a tone that
    /// goes to zero over a cycle and a half, with a zero that shifts by `shift` m/s² while it is on, and a speed in m/s that
    /// comes in the midst of the way.
    fn said_after(speed: f64, shift: f64) -> Option<f64> {
        said_beyond(ALLOWANCE, speed, shift)
    }

    /// The same with an allowance in m.
    fn said_beyond(allowance: f64, speed: f64, shift: f64) -> Option<f64> {
        let facts = Facts { noise: (1e-5, 0.1), rated_stroke: 5e-3, tilt: 0.0, period: PERIOD };
        let bound = Bound::at(&facts, FREQUENCY, 0.0);
        let (way, begins) = (1.5 / FREQUENCY, 20.0);
        let shows = |t: f64| {
            let along = ((t - begins) / way).clamp(0.0, 1.0);
            let there = 0.5 + 0.5 * (PI * along).cos();
            let pushes = if (0.25..0.75).contains(&along) { speed / (0.5 * way) } else { 0.0 };
            there * (ACCELERATION * (TAU * FREQUENCY * t).sin() + shift) + pushes
        };
        let mut leak = Leak::new(FREQUENCY, bound.corner, PERIOD);
        let time = |n: u32| f64::from(n) * PERIOD;
        let from = (begins + way) / PERIOD + 100.0;
        (0..20_000).for_each(|n| _ = leak.pass(shows(time(n))));
        let mut rest = Rest::after(&leak, &facts, (FREQUENCY, ACCELERATION), allowance, from);
        (20_000..30_000).find_map(|n| {
            rest.pass(f64::from(n), shows(time(n)));
            rest.wanders().map(|_| time(n) - begins - way)
        })
    }

    #[test]
    fn a_rig_that_allows_for_nothing_is_looked_at_like_any_other() {
        for shift in [-ZERO_SHIFTS, 0.0, ZERO_SHIFTS] {
            assert_eq!(said_beyond(0.0, 0.0, shift * ACCELERATION), None);
        }
        assert!(said_beyond(0.0, 0.1, 0.0).is_some());
    }

    #[test]
    fn a_speed_that_stays_is_told_from_a_tone_that_died_away() {
        assert_eq!(said_after(0.0, 0.0), None);
        assert_eq!(said_after(0.0, ZERO_SHIFTS * ACCELERATION), None);
        assert_eq!(said_after(0.0, -ZERO_SHIFTS * ACCELERATION), None);
        for speed in [-0.1, 0.1] {
            // A tenth of a metre in a second: what was to be allowed for of the tone is passed within a few hundredths.
            let after = said_after(speed, 0.0).unwrap();
            assert!(after < 0.2, "{after}");
        }
    }
}
