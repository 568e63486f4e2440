//! The way from one drive to the next: how long it takes, so that it leaves the armature at its centre.

use plan_schema::units::{Hertz, Peak, Seconds, Volts};

/// A change of drive takes at least this long, so that it does not ring what hangs on the armature.
const SHORTEST: Seconds = Seconds::new(0.02);

/// A change of drive takes at most about this long for the sake of a resonance.
const LONGEST: Seconds = Seconds::new(10.0);

/// A small change takes at most about this long.
const LONGEST_OF_A_SMALL_CHANGE: Seconds = Seconds::new(0.25);

/// A change of drive by at most this share of the larger is small.
const SMALL_CHANGE: f64 = 0.05;

/// Beats between the tone and a resonance over which a change of drive is drawn out.
const BEATS: f64 = 3.0;

/// How long a change of drive takes on a shaker that rings at `resonance` where it is driven by a current.
///
/// What a raised cosine over a time `T` stirs at a resonance `Δf` away falls as `1/(4 (T Δf)²)`: 3 % for three beats. A
/// tone at the resonance itself builds up in its own time, whatever the ramp, and is waited for by the settling time.
#[must_use]
pub(super) fn transition_beside(frequency: Hertz, resonance: Hertz) -> Seconds {
    let drawn_out = Seconds::new(BEATS / (frequency - resonance).abs().si().max(1e-3)).min(LONGEST);
    let whole = (drawn_out.max(SHORTEST).si() * frequency.si() - 0.5).ceil().max(1.0);
    Seconds::new((whole + 0.5) / frequency.si())
}

/// How long a change of drive takes: a whole number of cycles and a half, at least one and a half.
///
/// A raised cosine over `N` cycles leaves the armature off its centre by `|cos(πN) / (1 − 4N²)|` of the change where
/// the drive sets the velocity (the spectrum of a half-sine pulse at the frequency of the tone): a third of it for one
/// cycle, nothing for one and a half, whatever the phase at which it begins.
#[must_use]
pub(super) fn transition(frequency: Hertz) -> Seconds {
    let whole = (SHORTEST.si() * frequency.si() - 0.5).ceil().max(1.0);
    Seconds::new((whole + 0.5) / frequency.si())
}

/// True for a change of drive by at most 5 % of the larger.
#[must_use]
pub(super) fn is_small(from: Volts<Peak>, to: Volts<Peak>) -> bool {
    (from - to).abs().si() <= SMALL_CHANGE * from.max(to).si() * (1.0 + 1e-9)
}

/// How long a small change of drive takes: half a cycle, but not below 20 ms nor above 0.25 s.
///
/// By the formula of [`transition`] a raised cosine over half a cycle moves the centre by at most π/4 of the change (the
/// limit at N = ½), a shorter one by at most the change itself: for 5 % less than 5 % of the amplitude. In the
/// acceleration it does not show.
#[must_use]
pub(super) fn transition_of_a_small_change(frequency: Hertz) -> Seconds {
    Seconds::new(0.5 / frequency.si()).min(LONGEST_OF_A_SMALL_CHANGE).max(SHORTEST)
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

    /// Near a resonance a change is drawn out, far from it it is not, and never is it shorter than without one.
    #[test]
    fn a_resonance_draws_a_change_out() {
        let at = |f: f64| transition_beside(Hertz::new(f), Hertz::new(4.0)).si();
        assert!(at(5.0) >= 3.0 && at(4.0) <= 10.5 && at(100.0) < 0.06);
        for f in [0.5, 3.9, 4.0, 5.0, 40.0] {
            assert!(at(f) >= transition(Hertz::new(f)).si());
        }
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
        // What the doc of a small change says: π/4 at worst for half a cycle, less than 1 for an eighth.
        let worst = |cycles: f64| {
            (0..16).map(|n| centre(1.0, cycles, f64::from(n) * PI / 16.0).abs()).fold(0.0, f64::max)
        };
        assert!((worst(0.5) - PI / 4.0).abs() < 5e-3 && worst(0.125) < 1.0);
        // The check itself sees the third that a ramp of one cycle leaves.
        assert!((centre(1.0, 1.0, 0.0).abs() - 1.0 / 3.0).abs() < 2e-3);
    }
}
