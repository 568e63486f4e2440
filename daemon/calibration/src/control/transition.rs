//! The way from one drive to the next: how long it takes, so that it leaves the armature at its centre.

use plan_schema::units::{Hertz, Seconds};

/// A change of drive takes at least this long, so that it does not ring what hangs on the armature.
const SHORTEST: Seconds = Seconds::new(0.02);

/// How long a change of drive takes: a whole number of cycles and a half, at least one and a half.
///
/// A raised cosine over `N` cycles leaves the armature off its centre by `|cos(πN) / (1 − 4N²)|` of the change where
/// the drive sets the velocity (the spectrum of a half-sine pulse at the frequency of the tone): a third of it for one
/// cycle, nothing for one and a half, whatever the phase at which it begins.
#[must_use]
pub fn transition(frequency: Hertz) -> Seconds {
    let whole = (SHORTEST.si() * frequency.si() - 0.5).ceil().max(1.0);
    Seconds::new((whole + 0.5) / frequency.si())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{PI, TAU};

    /// Centre of the displacement after a ramp of `over`, in units of its amplitude, by adding up the velocity.
    fn centre(frequency: f64, over: f64, phase: f64) -> f64 {
        let step = 1.0 / frequency / 4000.0;
        let settled = (over * frequency).ceil() / frequency;
        let (mut x, mut sum, mut count) = (0.0, 0.0, 0);
        let mut t: f64 = step / 2.0;
        while t < settled + 1.0 / frequency {
            let envelope = if t < over { 0.5 - 0.5 * (PI * t / over).cos() } else { 1.0 };
            x += TAU * frequency * envelope * (TAU * frequency * t + phase).sin() * step;
            if t > settled {
                sum += x;
                count += 1;
            }
            t += step;
        }
        sum / f64::from(count)
    }

    #[test]
    fn leaves_the_centre_where_it_was_at_any_phase() {
        for frequency in [0.1, 0.5, 3.0, 40.0, 70.0, 100.0, 315.0] {
            for n in 0..8 {
                let phase = f64::from(n) * PI / 8.0;
                let left = centre(frequency, transition(Hertz::new(frequency)).si(), phase);
                assert!(left.abs() < 2e-3, "{frequency} Hz, phase {phase}: {left}");
            }
        }
        // The check itself sees the third that a ramp of one cycle leaves.
        assert!((centre(1.0, 1.0, 0.0).abs() - 1.0 / 3.0).abs() < 2e-3);
    }
}
