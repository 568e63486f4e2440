//! What a stretch of samples shows of a sine, and when it was last seen.

use std::f64::consts::TAU;

/// A sine with an offset, fitted to samples by least squares at a known frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sine {
    /// Amplitude, V peak.
    pub(super) amplitude: f64,
    /// Phase of the cosine at sample 0 of the acquisition, rad.
    pub(super) phase: f64,
    /// Root mean square of what is left, V.
    pub(super) rest: f64,
}

/// Fits `samples`, of which the first has index `first`, at `cycles` per sample.
#[expect(clippy::cast_precision_loss, reason = "some seconds of samples")]
pub(super) fn fit(samples: &[f32], first: u64, cycles: f64) -> Sine {
    // Whole cycles make sine, cosine and constant all but orthogonal; what is left of that is below 1e-3 over 8 cycles.
    let whole = ((samples.len() as f64 * cycles).floor() / cycles).round();
    let count = (0..samples.len()).take_while(|n| (*n as f64) < whole).count();
    let n = count.max(1) as f64;
    let mean = samples.iter().take(count).map(|s| f64::from(*s)).sum::<f64>() / n;
    let (mut re, mut im) = (0.0, 0.0);
    // The angle is counted from the sample 0 of the acquisition, in turns, so that it stays small.
    let turn = |k: usize| TAU * ((first as f64 * cycles).fract() + k as f64 * cycles).fract();
    for (k, sample) in samples.iter().take(count).enumerate() {
        let (sin, cos) = turn(k).sin_cos();
        re += (f64::from(*sample) - mean) * cos;
        im -= (f64::from(*sample) - mean) * sin;
    }
    let (re, im) = (2.0 * re / n, 2.0 * im / n);
    let rest = samples.iter().take(count).enumerate().map(|(k, sample)| {
        let (sin, cos) = turn(k).sin_cos();
        (f64::from(*sample) - mean - re * cos + im * sin).powi(2)
    });
    Sine { amplitude: re.hypot(im), phase: im.atan2(re), rest: (rest.sum::<f64>() / n).sqrt() }
}

/// The smallest angle between two phases, rad.
pub(super) fn turned(a: f64, b: f64) -> f64 {
    let turns = (a - b) / TAU;
    (turns - turns.round()) * TAU
}

/// Place of the last sample that lies further than `level` from `middle`.
pub(super) fn last_beyond(samples: &[f32], middle: f64, level: f64) -> Option<usize> {
    samples.iter().rposition(|s| (f64::from(*s) - middle).abs() > level)
}

/// Place of the first such sample.
pub(super) fn first_beyond(samples: &[f32], middle: f64, level: f64) -> Option<usize> {
    samples.iter().position(|s| (f64::from(*s) - middle).abs() > level)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
    fn samples(first: u64, count: u64, cycles: f64, amplitude: f64, phase: f64) -> Vec<f32> {
        let at = |n: u64| amplitude * (TAU * n as f64 * cycles + phase).cos() + 0.3;
        (first..first + count).map(|n| at(n) as f32).collect()
    }

    #[test]
    fn a_sine_is_found_wherever_it_is_looked_at() {
        let cycles = 80.0 / 20_000.0;
        let early = fit(&samples(0, 4100, cycles, 0.2, 1.0), 0, cycles);
        let late = fit(&samples(1_000_003, 4100, cycles, 0.2, 1.0), 1_000_003, cycles);
        for sine in [early, late] {
            assert!((sine.amplitude - 0.2).abs() < 1e-4 && turned(sine.phase, 1.0).abs() < 1e-3, "{sine:?}");
            assert!(sine.rest < 1e-3);
        }
        let jumped = [samples(0, 2000, cycles, 0.2, 0.0), samples(2000, 2000, cycles, 0.2, 1.0)].concat();
        assert!(fit(&jumped, 0, cycles).rest > 0.02);
        assert!((turned(3.1, -3.1) - (6.2 - TAU)).abs() < 1e-12);
        assert_eq!(last_beyond(&[0.0, 1.0, 0.1], 0.0, 0.5), Some(1));
        assert_eq!(first_beyond(&[0.0, 0.1], 0.0, 0.5), None);
    }
}
