//! Sines in samples: amplitude and phase of a frequency and its harmonics over whole cycles.

use crate::three_rigs::RATE;
use nalgebra::Complex;
use std::f64::consts::TAU;

/// Phasors of the harmonics 1 to `harmonics` of a sine that begins at sample `first`: `value = Im Σ p e^{jnwt}`, by a
/// discrete Fourier transform. The samples have to hold whole cycles.
pub(crate) fn harmonics(samples: &[f64], frequency: f64, first: f64, harmonics: usize) -> Vec<Complex<f64>> {
    let cycles = samples.len() as f64 / RATE * frequency;
    assert!((cycles - cycles.round()).abs() < 1e-6, "{cycles} cycles are not whole");
    (1..=harmonics)
        .map(|n| {
            let mut sum = Complex::new(0.0, 0.0);
            for (s, sample) in samples.iter().enumerate() {
                let turn = (s as f64 - first) / RATE * frequency * n as f64;
                sum += Complex::from_polar(*sample, -TAU * turn.fract());
            }
            // a sin(θ + φ) has the sum a N/2 e^{jφ}/j.
            sum * Complex::new(0.0, 2.0 / samples.len() as f64)
        })
        .collect()
}

/// Total harmonic distortion: root of the sum of squares of harmonics 2 to 20 over the fundamental.
pub(crate) fn distortion(samples: &[f64], frequency: f64) -> f64 {
    let all = harmonics(samples, frequency, 0.0, 20);
    let above: f64 = all[1..].iter().map(Complex::norm_sqr).sum();
    above.sqrt() / all[0].norm()
}
