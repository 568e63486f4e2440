//! Cuts a dwell into segments of whole cycles.

use super::regressors::Turn;
use std::ops::Range;

/// Fewest samples of a segment: offset and fundamental have three coefficients.
const FEWEST_SAMPLES: f64 = 8.0;
/// A cycle that lacks less than this counts as whole: the dwell was cut at a sample, by the nominal frequency.
const SHORTFALL_CYCLES: f64 = 0.01;

/// Whole cycles in a record.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of cycles, not negative"
)]
pub(super) fn whole_cycles(turn: Turn, samples: usize) -> usize {
    (samples as f64 * turn.0 + SHORTFALL_CYCLES.max(turn.0 / 2.0)).floor().max(0.0) as usize
}

/// Segments of equal whole cycles from the start of the record: at least `wanted` of them if there are as many
/// cycles, else one for each cycle. What is left at the end is shorter than a segment.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "sample numbers, not negative")]
pub(super) fn segments(turn: Turn, samples: usize, wanted: usize) -> Vec<Range<usize>> {
    let cycles = whole_cycles(turn, samples);
    let fewest_cycles = (FEWEST_SAMPLES * turn.0).ceil() as usize;
    let each = (cycles / wanted.max(1)).max(fewest_cycles).max(1);
    let bound = |segment: usize| (((segment * each) as f64 / turn.0).round() as usize).min(samples);
    (0..cycles / each).map(|segment| bound(segment)..bound(segment + 1)).collect()
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the test chose")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ten_when_there_are_ten() {
        let count = |cycles: f64, per_cycle: f64| {
            segments(Turn(1.0 / per_cycle), (cycles * per_cycle).round() as usize, 10).len()
        };
        assert_eq!(count(1.2, 500.0), 1);
        assert_eq!(count(3.7, 500.0), 3);
        assert_eq!(count(10.0, 33.3), 10);
        assert_eq!(count(9.995, 500.0), 10);
        assert_eq!(count(25.0, 33.3), 12);
        assert_eq!(count(3000.0, 10.0), 10);
        // 2.5 samples a cycle: four cycles make a segment.
        assert_eq!(count(12.0, 2.5), 3);
        assert_eq!(count(0.5, 500.0), 0);
    }

    proptest! {
        #[test]
        fn segments_are_whole_and_follow_each_other(turn in 1e-5..0.45_f64, cycles in 1.0..200.0_f64, wanted in 1..30_usize) {
            let samples = (cycles / turn).ceil() as usize;
            let parts = segments(Turn(turn), samples, wanted);
            let mut next = 0;
            for part in &parts {
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
