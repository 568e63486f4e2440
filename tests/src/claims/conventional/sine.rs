//! The three-parameter sine fit of IEEE Std 1057: offset and one sine of known frequency, by least squares. Written for
//! the baseline, so that it shares nothing with the estimator that it is compared with.

use std::f64::consts::TAU;

/// A fit under way.
#[derive(Debug, Clone)]
pub(super) struct Sine {
    turns_per_sample: f64,
    samples: u64,
    /// Upper triangle of the normal equations for offset, cosine, sine, row by row, and their right sides.
    normal: [f64; 6],
    right: [f64; 3],
}

impl Sine {
    /// For a sine of `frequency` Hz sampled at `rate` S/s.
    pub(super) fn new(frequency: f64, rate: f64) -> Self {
        Self { turns_per_sample: frequency / rate, samples: 0, normal: [0.0; 6], right: [0.0; 3] }
    }

    /// Takes the samples that follow.
    pub(super) fn push(&mut self, samples: &[f32]) {
        for sample in samples {
            let value = f64::from(*sample);
            let (sin, cos) = (TAU * (self.samples as f64 * self.turns_per_sample).fract()).sin_cos();
            let products = [1.0, cos, sin, cos * cos, cos * sin, sin * sin];
            self.normal.iter_mut().zip(products).for_each(|(sum, p)| *sum += p);
            self.right.iter_mut().zip([1.0, cos, sin]).for_each(|(sum, p)| *sum += p * value);
            self.samples += 1;
        }
    }

    /// Amplitude of the sine; `None` where the samples do not determine it.
    pub(super) fn amplitude(&self) -> Option<f64> {
        let [a, b, c, d, e, f] = self.normal;
        let column = |n: usize, with: Option<[f64; 3]>| -> [f64; 3] {
            with.unwrap_or(match n {
                0 => [a, b, c],
                1 => [b, d, e],
                _ => [c, e, f],
            })
        };
        let whole = determinant(column(0, None), column(1, None), column(2, None));
        let cos = determinant(column(0, None), column(1, Some(self.right)), column(2, None)) / whole;
        let sin = determinant(column(0, None), column(1, None), column(2, Some(self.right))) / whole;
        Some(cos.hypot(sin)).filter(|amplitude| amplitude.is_finite())
    }
}

fn determinant(x: [f64; 3], y: [f64; 3], z: [f64; 3]) -> f64 {
    let [a, b, c] = x;
    let cross = [y[1] * z[2] - y[2] * z[1], y[2] * z[0] - y[0] * z[2], y[0] * z[1] - y[1] * z[0]];
    a * cross[0] + b * cross[1] + c * cross[2]
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
mod tests {
    use super::*;

    /// Any length and phase, whatever the offset: the samples are exactly of the model.
    #[test]
    fn finds_the_amplitude_of_a_sine_on_an_offset() {
        for (frequency, samples, phase) in [(0.5, 80_000, 0.3), (8.0, 5003, 2.0), (500.0, 997, -1.0)] {
            let mut fit = Sine::new(frequency, 10_000.0);
            let wave: Vec<f32> = (0..samples)
                .map(|n| (0.7 * (TAU * frequency * f64::from(n) / 10_000.0 + phase).sin() + 2.5) as f32)
                .collect();
            wave.chunks(200).for_each(|part| fit.push(part));
            assert!((fit.amplitude().unwrap() - 0.7).abs() < 1e-6, "{frequency} Hz");
        }
        assert_eq!(Sine::new(1.0, 10_000.0).amplitude(), None);
    }
}
