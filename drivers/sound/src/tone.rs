//! The sine of the output, sample by sample, and its way from one amplitude to another.
//!
//! Invariant: the phase never steps while there is an amplitude, and the amplitude goes along raised cosines, which neither step
//! nor overshoot.

use std::f64::consts::{PI, TAU};

/// An oscillator. Amplitudes are shares of the card's full scale.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Oscillator {
    /// In cycles, from 0 to 1.
    phase: f64,
    /// Cycles a sample.
    step: f64,
    from: f64,
    to: f64,
    /// Samples of the way that were made, and that it has.
    made: u32,
    way: u32,
}

impl Oscillator {
    /// Goes to a tone of `step` cycles a sample and this amplitude over `way` samples. Where there is no amplitude now, it begins
    /// at `phase` (in cycles); else phase goes on as it is.
    pub fn go(&mut self, step: f64, amplitude: f64, phase: f64, way: u32) {
        if self.is_silent() {
            self.phase = phase.rem_euclid(1.0);
        }
        self.step = step;
        self.fade(amplitude, way);
    }

    /// Goes to another amplitude over `way` samples.
    pub fn fade(&mut self, amplitude: f64, way: u32) {
        (self.from, self.to, self.made, self.way) = (self.amplitude(), amplitude, 0, way.max(1));
    }

    /// Goes to zero over `way` samples, unless it is going there already and will be there before.
    pub fn hush(&mut self, way: u32) {
        let goes_there = self.to <= 0.0 && self.way.saturating_sub(self.made) <= way;
        if !goes_there {
            self.fade(0.0, way);
        }
    }

    /// There was nothing to be put out for a while: the tone is gone, at once.
    pub fn drop_tone(&mut self) {
        *self = Self::default();
    }

    /// Amplitude of the sample that comes next.
    #[must_use]
    pub fn amplitude(&self) -> f64 {
        if self.made >= self.way {
            return self.to;
        }
        let along = f64::from(self.made) / f64::from(self.way);
        self.from + (self.to - self.from) * 0.5 * (1.0 - (PI * along).cos())
    }

    /// True where the output is 0 V and will be.
    #[must_use]
    pub fn is_silent(&self) -> bool {
        self.made >= self.way && self.to <= 0.0
    }

    /// Largest amplitude from now on, unless it is told otherwise.
    #[must_use]
    pub fn amplitude_ahead(&self) -> f64 {
        self.amplitude().max(self.to)
    }

    /// The next sample.
    pub fn sample(&mut self) -> f64 {
        let value = self.amplitude() * (TAU * self.phase).sin();
        self.phase += self.step;
        self.phase -= self.phase.floor();
        self.made = self.made.saturating_add(1).min(self.way);
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_tone_from_zero_is_a_sine_from_its_phase_on() {
        let mut tone = Oscillator::default();
        assert!(tone.is_silent());
        tone.go(0.01, 0.5, 0.0, 100);
        for n in 0..1000_u32 {
            let envelope = if n < 100 { 0.25 * (1.0 - (PI * f64::from(n) / 100.0).cos()) } else { 0.5 };
            let wanted = envelope * (TAU * 0.01 * f64::from(n)).sin();
            assert!((tone.sample() - wanted).abs() < 1e-12, "sample {n}");
        }
    }

    /// After 10⁷ samples the phase is that of the frequency asked for, which is what the estimator rests on.
    #[test]
    fn phase_does_not_drift() {
        let mut tone = Oscillator::default();
        // A binary fraction: its multiples are exact.
        let step = 1237.0 / 65_536.0 / 3.0;
        tone.go(step, 1.0, 0.25, 1);
        for _ in 0..10_000_000 {
            tone.sample();
        }
        let wanted = (0.25 + step * 1e7).rem_euclid(1.0);
        let off = (tone.phase - wanted + 0.5).rem_euclid(1.0) - 0.5;
        assert!(off.abs() < 1e-9, "off by {off} cycles");
    }

    #[test]
    fn hushing_again_does_not_put_it_off() {
        let mut tone = Oscillator::default();
        tone.go(0.1, 1.0, 0.0, 1);
        tone.sample();
        tone.hush(10);
        for _ in 0..5 {
            tone.sample();
            tone.hush(10);
        }
        for _ in 0..5 {
            tone.sample();
        }
        assert!(tone.is_silent() && tone.sample().abs() <= 0.0);
        // A way that is too long is cut short.
        tone.go(0.1, 1.0, 0.0, 1);
        tone.sample();
        tone.hush(1000);
        tone.hush(10);
        for _ in 0..10 {
            tone.sample();
        }
        assert!(tone.is_silent());
    }

    proptest! {
        #[test]
        fn neither_steps_nor_overshoots(
            moves in proptest::collection::vec((0.0..0.05_f64, 0.0..1.0_f64, 200_u32..400, 0_usize..600), 1..6),
        ) {
            let mut tone = Oscillator::default();
            let mut before = 0.0;
            let mut largest: f64 = 0.0;
            for (step, amplitude, way, then) in moves {
                largest = tone.amplitude_ahead().max(amplitude);
                tone.go(step, amplitude, 0.0, way);
                for _ in 0..then {
                    let value = tone.sample();
                    // The fastest sine moves by 2π · 0.05 a sample, the shortest way by π/2 · 1/200.
                    prop_assert!((value - before).abs() < 0.33, "from {before} to {value}");
                    prop_assert!(value.abs() <= largest + 1e-12);
                    before = value;
                }
            }
            tone.hush(200);
            for _ in 0..200 {
                prop_assert!(tone.sample().abs() <= largest + 1e-12);
            }
            prop_assert!(tone.is_silent() && tone.sample().abs() <= 0.0);
        }
    }
}
