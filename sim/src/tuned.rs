//! A phase at one frequency, and nothing elsewhere. Pure.
//!
//! Owns: `H(s) = 1 + (cos φ − 1) B + sin φ B A` with the band-pass `B = 2 ω s/(s + ω)²`, which is 1 at ω, and the all-pass
//! `A = (s − ω)/(s + ω)`, which is j there (elementary): so `H(jω) = e^{jφ}`, while what is steady, slow or very fast passes
//! as it is. With the low-pass `L = ω/(s + ω)` it is `B = 2 L (1 − L)` and `A = 1 − 2 L`, so three of these make it. By the
//! bilinear transform with ω kept it is exact at ω. It has forgotten a change after a few `1/ω`.

use std::f64::consts::TAU;

/// Turns the phase of a tone.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tuned {
    /// Weights of the output before, and of the inputs now and before.
    low_pass: (f64, f64),
    /// cos φ − 1 and sin φ.
    turn: (f64, f64),
    /// Input and output before of each low-pass; none before the first sample.
    kept: Option<[(f64, f64); 3]>,
}

impl Tuned {
    /// From now on turns a tone of `frequency` in Hz by `phase` in rad, at `rate` samples per second. Half of the rate and
    /// above are no frequencies of a tone.
    pub(crate) fn retune(&mut self, frequency: f64, phase: f64, rate: f64) {
        if frequency <= 0.0 || frequency >= 0.5 * rate {
            return;
        }
        let half = (0.5 * TAU * frequency / rate).tan();
        self.low_pass = ((1.0 - half) / (1.0 + half), half / (1.0 + half));
        // cos φ − 1 as it stays exact for small φ.
        self.turn = (-2.0 * (0.5 * phase).sin().powi(2), phase.sin());
    }

    /// The output for the next sample.
    #[inline]
    pub(crate) fn pass(&mut self, sample: f64) -> f64 {
        let (keeps, takes) = self.low_pass;
        // Before the first tone there is nothing to turn.
        if takes <= 0.0 {
            return sample;
        }
        // It has settled on what the input was at first.
        let kept = self.kept.get_or_insert([(sample, sample), (0.0, 0.0), (0.0, 0.0)]);
        let low = |(input, output): &mut (f64, f64), now: f64| {
            *output = keeps * *output + takes * (now + *input);
            *input = now;
            *output
        };
        let [first, second, third] = kept;
        let high = sample - low(first, sample);
        let band = 2.0 * low(second, high);
        let quarter = band - 2.0 * low(third, band);
        sample + self.turn.0 * band + self.turn.1 * quarter
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 20_000.0;

    /// Amplitude and phase of what comes out of a tone of amplitude 1, by whole cycles after it has settled.
    fn turned(frequency: f64, phase: f64) -> (f64, f64) {
        let mut tuned = Tuned::default();
        tuned.retune(frequency, phase, RATE);
        let omega = TAU * frequency / RATE;
        let (mut cos, mut sin) = (0.0, 0.0);
        for n in 0..120_000 {
            let angle = omega * f64::from(n);
            let value = tuned.pass(angle.cos());
            if n >= 80_000 {
                cos += value * angle.cos() / 20_000.0;
                sin -= value * angle.sin() / 20_000.0;
            }
        }
        (f64::hypot(cos, sin), sin.atan2(cos))
    }

    #[test]
    fn a_tone_is_turned_and_keeps_its_amplitude() {
        for (frequency, phase) in [(2.0, 0.05), (16.0, -0.02), (500.0, -0.55), (2000.0, 1.2), (8000.0, -0.3)]
        {
            let (amplitude, found) = turned(frequency, phase);
            assert!((amplitude - 1.0).abs() < 1e-9, "{frequency} Hz: {amplitude}");
            assert!((found - phase).abs() < 1e-9, "{frequency} Hz: {found} for {phase}");
        }
    }

    /// What is left of a slow motion when a fast tone begins is seen as it is, within 2 ω/ω₀ of it.
    #[test]
    fn what_is_slow_stays_as_it_is() {
        let mut tuned = Tuned::default();
        tuned.retune(1.0, 0.05, RATE);
        assert!((tuned.pass(0.7) - 0.7).abs() < 1e-15);
        tuned.retune(500.0, -0.5, RATE);
        for n in 0..40_000 {
            let slow = 0.7 * (-f64::from(n) / 2600.0).exp();
            assert!((tuned.pass(slow) - slow).abs() < 0.01 * 0.7, "at {n}");
        }
        assert!((tuned.pass(0.0)).abs() < 1e-6);
    }
}
