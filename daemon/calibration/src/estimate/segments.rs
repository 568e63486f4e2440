//! Cuts a dwell into segments of whole cycles.

use super::model::Turn;
use std::ops::Range;

/// Fewest samples of a segment: offset and fundamental have three coefficients.
const FEWEST_SAMPLES: f64 = 8.0;
/// A cycle that lacks less than this counts as whole: the dwell was cut at a sample, by the nominal frequency.
const SHORTFALL_CYCLES: f64 = 0.01;
/// Phase steps between segments stay below this, so that they can be joined.
const LARGEST_TURN_CYCLES: f64 = 0.25;

/// Whole cycles in a record.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of cycles, not negative"
)]
pub(super) fn whole_cycles(turn: Turn, samples: usize) -> usize {
    (samples as f64 * turn.0 + SHORTFALL_CYCLES.max(turn.0 / 2.0)).floor().max(0.0) as usize
}

/// How a record is cut: into segments of equal whole cycles at the frequency known beforehand, chosen once, so that a
/// record that grows keeps its segments.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cut {
    turn: Turn,
    /// Cycles of a segment.
    each: usize,
}

impl Cut {
    /// At least `wanted` segments in `base` samples if they hold as many cycles, else one for each cycle. A frequency
    /// that is off by the share `within` turns the phase by no more than a quarter of a cycle in a segment of several.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "counts of cycles, not negative"
    )]
    pub(super) fn new(turn: Turn, base: usize, wanted: usize, within: f64) -> Self {
        let fewest_cycles = (FEWEST_SAMPLES * turn.0).ceil() as usize;
        let joinable = (LARGEST_TURN_CYCLES / within.max(f64::MIN_POSITIVE)).floor() as usize;
        let each = (whole_cycles(turn, base) / wanted.max(1)).min(joinable).max(fewest_cycles).max(1);
        Self { turn, each }
    }

    /// One segment without an end, of no whole cycles ever.
    pub(super) fn whole(turn: Turn) -> Self {
        Self { turn, each: u32::MAX as usize }
    }

    /// First sample of a segment.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a sample number, not negative"
    )]
    pub(super) fn bound(&self, segment: usize) -> usize {
        ((segment * self.each) as f64 / self.turn.0).round() as usize
    }

    /// The segments of a record of so many samples. What is left at its end is shorter than a segment.
    pub(super) fn segments(&self, samples: usize) -> impl ExactSizeIterator<Item = Range<usize>> + use<> {
        let cut = *self;
        let whole = whole_cycles(self.turn, samples) / self.each;
        (0..whole).map(move |segment| cut.bound(segment)..cut.bound(segment + 1).min(samples))
    }

    /// Segments in a record of so many samples, the one begun included.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count, not negative")]
    pub(super) fn begun(&self, samples: usize) -> usize {
        (samples as f64 * self.turn.0 / self.each as f64) as usize + 1
    }
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the test chose")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ten_when_there_are_ten() {
        let count = |cycles: f64, per_cycle: f64| {
            let (turn, samples) = (Turn(1.0 / per_cycle), (cycles * per_cycle).round() as usize);
            Cut::new(turn, samples, 10, 1e-3).segments(samples).len()
        };
        assert_eq!(count(1.2, 500.0), 1);
        assert_eq!(count(3.7, 500.0), 3);
        assert_eq!(count(10.0, 33.3), 10);
        assert_eq!(count(9.995, 500.0), 10);
        assert_eq!(count(25.0, 33.3), 12);
        assert_eq!(count(2000.0, 10.0), 10);
        // At most 250 cycles for a frequency that may be off by 0.1 %.
        assert_eq!(count(10_000.0, 10.0), 40);
        // 2.5 samples a cycle: four cycles make a segment.
        assert_eq!(count(12.0, 2.5), 3);
        assert_eq!(count(0.5, 500.0), 0);
    }

    proptest! {
        #[test]
        fn segments_are_whole_and_follow_each_other(turn in 1e-5..0.45_f64, cycles in 1.0..200.0_f64, wanted in 1..30_usize) {
            let samples = (cycles / turn).ceil() as usize;
            let cut = Cut::new(Turn(turn), samples, wanted, 0.0);
            let mut next = 0;
            for part in cut.segments(samples) {
                prop_assert_eq!(part.start, next);
                let cycles = part.len() as f64 * turn;
                prop_assert!((cycles - cycles.round()).abs() <= turn.max(SHORTFALL_CYCLES) + 1e-9);
                prop_assert!(cycles.round() >= 1.0);
                next = part.end;
            }
            prop_assert!(next <= samples);
        }
    }
}
