//! Hum: sines at the mains frequency and its harmonics. Pure.
//!
//! Owns: [`Hum`], one sine that goes on through everything, whatever is sampled of it.

use std::f64::consts::TAU;

/// Samples after which the turning sine is computed afresh, counted from the start of the world so that how time is cut
/// makes no difference.
const FRESH: u64 = 64;

/// A sine on a channel.
#[derive(Debug, Clone)]
pub(crate) struct Hum {
    /// Turns per sample, and where the sine is in its turn when the world starts.
    turns: (f64, f64),
    turn: (f64, f64),
    /// The sample that comes next, with sine and cosine there.
    next: (u64, f64, f64),
}

impl Hum {
    /// A sine of `per_sample` turns, `phase` turns into its turn at the start of the world.
    pub(crate) fn new(per_sample: f64, phase: f64) -> Self {
        let (sin, cos) = (TAU * phase).sin_cos();
        Self { turns: (per_sample, phase), turn: (TAU * per_sample).sin_cos(), next: (0, sin, cos) }
    }

    /// Adds it with the amplitude `volts` to a stretch that begins `sample` samples after the world's start.
    pub(crate) fn add_to(&mut self, signal: &mut [f64], volts: f64, sample: u64) {
        if self.next.0 != sample {
            self.next.0 = sample - sample % FRESH;
            self.refresh();
            while self.next.0 < sample {
                self.advance();
            }
        }
        for value in signal {
            *value += volts * self.next.1;
            self.advance();
        }
    }

    #[inline]
    fn advance(&mut self) {
        let ((turn_sin, turn_cos), (sample, sin, cos)) = (self.turn, self.next);
        self.next = (sample + 1, sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
        if self.next.0.is_multiple_of(FRESH) {
            self.refresh();
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    fn refresh(&mut self) {
        let turned = self.next.0 as f64 * self.turns.0 + self.turns.1;
        (self.next.1, self.next.2) = (TAU * turned.fract()).sin_cos();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_goes_on_however_it_is_cut() {
        let mut whole = [0.0; 1000];
        Hum::new(0.005, 0.3).add_to(&mut whole, 2.0, 100);
        for (n, value) in whole.iter().enumerate() {
            let expected = 2.0 * (TAU * (0.005 * (100 + n) as f64 + 0.3)).sin();
            assert!((value - expected).abs() < 1e-12, "{n}");
        }
        let mut part = [0.0; 200];
        let mut hum = Hum::new(0.005, 0.3);
        hum.add_to(&mut part[..50], 2.0, 400);
        hum.add_to(&mut part[50..], 2.0, 450);
        assert!(part.iter().zip(&whole[300..]).all(|(a, b)| a.to_bits() == b.to_bits()));
    }
}
