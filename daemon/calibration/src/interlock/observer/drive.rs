//! What the source was told, as the output that it should make from sample to sample.
//!
//! Owns: amplitude and phase of the tone that was commanded. A change of amplitude goes as a raised cosine over its way and
//! keeps the phase; a tone from 0 V starts at phase zero, rising. When a command takes effect is known within an interval
//! only; the middle of it is taken. Must not: know what the output does.

use std::f64::consts::{PI, TAU};

/// The tone at the source's output, V.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Drive {
    /// Turns for a sample.
    turn: f64,
    /// Sample at which the phase was zero.
    origin: f64,
    from: f64,
    to: f64,
    /// First sample of the way, and its length in samples.
    way: (f64, f64),
}

impl Drive {
    /// Goes to a tone of so many turns for a sample; the way begins at a sample and takes so many.
    pub(super) fn go(&mut self, turn: f64, to: f64, begins: f64, way: f64) {
        let from = self.amplitude(begins);
        if from <= 0.0 {
            (self.turn, self.origin) = (turn, begins);
        }
        *self = Self { from, to, way: (begins, way.max(1.0)), ..*self };
    }

    /// Amplitude at a sample, V.
    #[inline]
    pub(super) fn amplitude(&self, sample: f64) -> f64 {
        let (begins, way) = self.way;
        let along = ((sample - begins) / way).clamp(0.0, 1.0);
        if along >= 1.0 {
            self.to
        } else {
            self.from + (self.to - self.from) * (0.5 - 0.5 * (PI * along).cos())
        }
    }

    /// The amplitude before the way, V.
    pub(super) fn from(&self) -> f64 {
        self.from
    }

    /// The larger of the amplitudes before and after the way, V.
    #[inline]
    pub(super) fn largest(&self) -> f64 {
        self.from.max(self.to)
    }

    /// Smallest and largest amplitude at a sample if the way begins up to so many samples earlier or later, V.
    #[inline]
    pub(super) fn between(&self, sample: f64, open: f64) -> (f64, f64) {
        let (early, late) = (self.amplitude(sample + open), self.amplitude(sample - open));
        (early.min(late), early.max(late))
    }

    /// Output at a sample.
    #[inline]
    pub(super) fn at(&self, sample: f64) -> f64 {
        let amplitude = self.amplitude(sample);
        if amplitude <= 0.0 {
            0.0
        } else {
            amplitude * (TAU * (self.turn * (sample - self.origin)).fract()).sin()
        }
    }
}
