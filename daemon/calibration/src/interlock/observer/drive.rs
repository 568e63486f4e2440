//! What the source was told, as the output that it should make from sample to sample.
//!
//! Owns: amplitude and phase of the tone that was commanded. A change of amplitude goes as a raised cosine over its way and
//! keeps the phase; a tone from 0 V starts at phase zero, rising. When a command takes effect is known within an interval
//! only; the middle of it is taken. A way that begins on another leaves open where it came from, too. Must not: know what
//! the output does.

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
    /// The way begins up to so many samples earlier or later.
    open: f64,
    /// What it came from is known within this, V.
    within: f64,
}

impl Drive {
    /// Goes to a tone of so many turns for a sample; the way begins at a sample, give or take some, and takes so many.
    pub(super) fn go(&mut self, turn: f64, to: f64, (begins, open): (f64, f64), way: f64) {
        let from = self.amplitude(begins);
        let (least, most) = self.between_within(begins, self.open + open);
        let within = (from - least).max(most - from);
        if from <= 0.0 {
            (self.turn, self.origin) = (turn, begins);
        }
        *self = Self { from, to, way: (begins, way.max(1.0)), open, within, ..*self };
    }

    /// Amplitude at a sample, V.
    #[inline]
    pub(super) fn amplitude(&self, sample: f64) -> f64 {
        self.to + self.left(sample) * (self.from - self.to)
    }

    /// Share of the way that is to go at a sample.
    #[inline]
    fn left(&self, sample: f64) -> f64 {
        let (begins, way) = self.way;
        let along = ((sample - begins) / way).clamp(0.0, 1.0);
        if along >= 1.0 { 0.0 } else { 0.5 + 0.5 * (PI * along).cos() }
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

    /// Smallest and largest amplitude at a sample by what is known of when the way began, and of where it came from, V.
    #[inline]
    pub(super) fn between(&self, sample: f64) -> (f64, f64) {
        self.between_within(sample, self.open)
    }

    /// The same of a moment that is known within so many samples.
    #[inline]
    fn between_within(&self, sample: f64, open: f64) -> (f64, f64) {
        let (early, late) = (self.amplitude(sample + open), self.amplitude(sample - open));
        let within = self.within * self.left(sample - open);
        ((early.min(late) - within).max(0.0), early.max(late) + within)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_way_that_begins_on_another_leaves_open_where_it_came_from() {
        let mut told = Drive::default();
        told.go(0.01, 1.0, (1000.0, 20.0), 500.0);
        assert_eq!(told.between(900.0), (0.0, 0.0));
        assert_eq!(told.between(1600.0), (1.0, 1.0));
        told.go(0.01, 0.0, (1250.0, 30.0), 500.0);
        // Every pair of moments that the two intervals allow.
        let (mut least, mut most) = (f64::INFINITY, 0.0f64);
        for first in -20..=20 {
            for second in -30..=30 {
                let mut there = Drive::default();
                there.go(0.01, 1.0, (1000.0 + f64::from(first), 0.0), 500.0);
                there.go(0.01, 0.0, (1250.0 + f64::from(second), 0.0), 500.0);
                let amplitude = there.amplitude(1300.0);
                (least, most) = (least.min(amplitude), most.max(amplitude));
            }
        }
        let (low, high) = told.between(1300.0);
        assert!(low <= least && high >= most, "{low} to {high} is said, {least} to {most} may be");
        assert!(high - low < 1.5 * (most - least), "{low} to {high} is said, {least} to {most} may be");
        assert_eq!(told.between(1800.0), (0.0, 0.0));
    }
}
