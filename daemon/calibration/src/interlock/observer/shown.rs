//! The tone as the reference shows it: once it stands still, what a volt of drive makes of it, with its phase.
//!
//! Owns: the phasor over whole cycles, and how well it is known. A source keeps its phase from one amplitude to the next,
//! so that it foretells the next way whenever that begins, which the moment of a command does not. Must not: know a plant.

use nalgebra::Complex;
use std::f64::consts::TAU;

/// At least so many samples make a phasor, in as many whole cycles as that takes.
const LEAST_SAMPLES: f64 = 64.0;

/// A phasor counts if three times its standard deviation is no more than this share of it.
const KNOWN: f64 = 0.1;

/// Follows a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shown {
    step: Complex<f64>,
    /// The tone of unit amplitude at the sample in hand.
    now: Complex<f64>,
    /// Samples of whole cycles, and the first one that counts.
    whole: f64,
    from: f64,
    count: f64,
    sums: (f64, f64, Complex<f64>),
    /// m/s² for a volt of drive, with the phase.
    response: Option<Complex<f64>>,
}

/// What whole cycles of a tone that stands still came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cycles {
    /// Amplitude, m/s², and three standard deviations of it.
    pub(super) amplitude: f64,
    pub(super) within: f64,
}

impl Shown {
    /// Nothing was shown yet of a tone of so many turns for a sample.
    #[must_use]
    pub(super) fn new(turn: f64) -> Self {
        let (sin, cos) = (TAU * turn).sin_cos();
        let cycles = (LEAST_SAMPLES * turn).ceil().max(1.0);
        Self {
            step: Complex::new(cos, sin),
            now: Complex::new(1.0, 0.0),
            whole: (cycles / turn).round(),
            from: f64::INFINITY,
            count: 0.0,
            sums: (0.0, 0.0, Complex::default()),
            response: None,
        }
    }

    /// From a sample on the tone stands still. What was learned stays, unless it begins anew, with another phase.
    pub(super) fn stands_from(&mut self, sample: f64, anew: bool) {
        self.from = sample;
        (self.count, self.sums) = (0.0, (0.0, 0.0, Complex::default()));
        if anew {
            self.response = None;
        }
    }

    /// What the reference should show now for a volt of drive, and the size of it; `None` before anything was learned.
    #[inline]
    pub(super) fn foretold(&self) -> Option<(f64, f64)> {
        self.response.map(|response| ((response * self.now).re, response.norm()))
    }

    /// The same as a phasor.
    pub(super) fn phasor(&self) -> Option<Complex<f64>> {
        self.response.map(|response| response * self.now)
    }

    /// Takes a sample of the reference, while the drive has this amplitude.
    #[inline]
    pub(super) fn pass(&mut self, sample: f64, seen: f64, drive: f64) -> Option<Cycles> {
        self.now *= self.step;
        if sample < self.from || drive <= 0.0 {
            return None;
        }
        let (sum, squares, tone) = self.sums;
        self.sums = (sum + seen, squares + seen * seen, tone + self.now.conj() * seen);
        self.count += 1.0;
        (self.count >= self.whole).then(|| self.finish(drive))
    }

    fn finish(&mut self, drive: f64) -> Cycles {
        let (sum, squares, tone) = self.sums;
        let phasor = tone * (2.0 / self.count);
        let (amplitude, mean) = (phasor.norm(), sum / self.count);
        let beside = (squares / self.count - mean * mean - 0.5 * amplitude * amplitude).max(0.0);
        let within = 3.0 * (2.0 * beside / self.count).sqrt();
        if within <= KNOWN * amplitude {
            self.response = Some(phasor / drive);
        }
        (self.count, self.sums) = (0.0, (0.0, 0.0, Complex::default()));
        Cycles { amplitude, within }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_that_stands_still_foretells_the_next_amplitude() {
        let turn = 1.0 / 150.3;
        let mut shown = Shown::new(turn);
        shown.stands_from(100.0, true);
        let tone = |n: f64, amplitude: f64| amplitude * (TAU * turn * n + 1.0).sin();
        let mut cycles = None;
        for n in 0..400 {
            let n = f64::from(n);
            cycles = shown.pass(n, 0.02 + tone(n, 3.0), 1.5).or(cycles);
        }
        assert!((cycles.unwrap().amplitude - 3.0).abs() < 0.03);
        for n in 400..2000 {
            let n = f64::from(n);
            shown.pass(n, tone(n, 3.0), 1.5);
            let (now, size) = shown.foretold().unwrap();
            assert!((5.0 * now - tone(n, 10.0)).abs() < 0.15 && (size - 2.0).abs() < 0.02, "at {n}");
        }
    }

    #[test]
    fn noise_teaches_nothing() {
        let mut shown = Shown::new(0.01);
        shown.stands_from(0.0, true);
        let mut chance = 1u32;
        for n in 0..1000 {
            chance = chance.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            shown.pass(f64::from(n), f64::from(chance >> 16) / 65536.0, 1.0);
        }
        assert!(shown.foretold().is_none());
    }
}
