//! A notch: what a signal has beside a steady tone of one frequency.
//!
//! Owns: the filter `N(s) = (s² + ω²) / (s² + κ ω s + ω²)` from sample to sample (bilinear transform with the frequency kept;
//! standard). A tone that stands still is gone from its output, whatever its amplitude and phase; a change of the tone shows
//! whole at first and dies away with the time constant `2/(κ ω)`. Constants pass. Must not: know what the signal is.

use std::f64::consts::TAU;

/// κ: width of the notch as a share of its frequency. A change of the tone shows for `2/κ` rad, 1.3 cycles.
pub(crate) const WIDTH: f64 = 0.25;

/// A notch that is fed one sample after the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Notch {
    /// Weights of input and output, of which the first of the output is 1.
    input: [f64; 3],
    output: [f64; 2],
    kept: [f64; 2],
}

impl Notch {
    /// A notch at a frequency that is sampled every `period` seconds, at rest at zero.
    #[must_use]
    pub(crate) fn new(frequency: f64, period: f64) -> Self {
        let w = (0.5 * TAU * frequency * period).tan();
        let whole = 1.0 + WIDTH * w + w * w;
        let (ends, middle) = ((1.0 + w * w) / whole, 2.0 * (w * w - 1.0) / whole);
        Self {
            input: [ends, middle, ends],
            output: [middle, (1.0 - WIDTH * w + w * w) / whole],
            kept: [0.0; 2],
        }
    }

    /// The same at rest at another value.
    #[must_use]
    pub(crate) fn resting_at(mut self, value: f64) -> Self {
        self.kept = [value * (1.0 - self.input[0]), value * (self.input[2] - self.output[1])];
        self
    }

    /// The output for the next sample.
    #[inline]
    pub(crate) fn pass(&mut self, sample: f64) -> f64 {
        let out = self.input[0] * sample + self.kept[0];
        self.kept[0] = self.input[1] * sample - self.output[0] * out + self.kept[1];
        self.kept[1] = self.input[2] * sample - self.output[1] * out;
        out
    }
}
