//! Two channels with noise.

use calibration::estimate::Complex;
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::f64::consts::{SQRT_2, TAU};

/// Samples per second.
pub(crate) const RATE: f64 = 1000.0;
/// Frequency of the mains where there is one, Hz.
pub(crate) const MAINS: f64 = 50.0;

/// Complex amplitudes of the harmonics and of the mains lines of one channel, with offset and slope over the record.
#[derive(Debug, Clone)]
pub(crate) struct Channel {
    pub(crate) harmonics: Vec<Complex<f64>>,
    pub(crate) lines: Vec<Complex<f64>>,
    pub(crate) offset: f64,
    pub(crate) slope: f64,
}

/// Reference and sensor. Distortion and hum are some percent of the fundamental.
pub(crate) fn channels(harmonics: usize, lines: usize) -> [Channel; 2] {
    let make = |size: f64, phase: f64, offset, slope| Channel {
        harmonics: (1..=harmonics)
            .map(|h| Complex::from_polar(size * if h == 1 { 1.0 } else { 0.03 }, phase * h as f64 + 0.3))
            .collect(),
        lines: (1..=lines).map(|k| Complex::from_polar(size * 0.05 / k as f64, phase - k as f64)).collect(),
        offset,
        slope,
    };
    [make(1.0, 0.7, 0.2, 0.01), make(0.5, -0.9, 2.5, -0.02)]
}

impl Channel {
    /// Without noise.
    pub(crate) fn clean(&self, frequency: f64, samples: usize) -> Vec<f64> {
        (0..samples)
            .map(|n| {
                let time = n as f64 / RATE;
                let tone =
                    |x: &Complex<f64>, f: f64| (x * Complex::from_polar(1.0, TAU * (f * time).fract())).re;
                let harmonics =
                    (1_u32..).zip(&self.harmonics).map(|(h, x)| tone(x, f64::from(h) * frequency));
                let lines = (1_u32..).zip(&self.lines).map(|(k, x)| tone(x, f64::from(k) * MAINS));
                let straight = self.offset + self.slope * n as f64 / samples as f64;
                straight + harmonics.chain(lines).sum::<f64>()
            })
            .collect()
    }

    /// Standard deviation of the noise for a ratio of powers.
    pub(crate) fn noise(&self, snr_db: f64) -> f64 {
        let fundamental = self.harmonics.first().map_or(0.0, |x| x.norm());
        fundamental / SQRT_2 * 10f64.powf(-snr_db / 20.0)
    }
}

/// Noise of unit variance.
#[derive(Debug, Clone)]
pub(crate) enum Noise {
    White,
    /// First-order low passes an octave apart, of equal variance: a power density as 1/f from 1/4096 of the rate on.
    Pink([f64; 12]),
}

impl Noise {
    pub(crate) const fn pink() -> Self {
        Self::Pink([0.0; 12])
    }

    /// Begins anew, so that records are independent.
    pub(crate) fn begin(&mut self, rng: &mut ChaCha8Rng) {
        if let Self::Pink(states) = self {
            states.iter_mut().for_each(|state| *state = rng.sample::<f64, _>(StandardNormal));
        }
    }

    pub(crate) fn next(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        match self {
            Self::White => rng.sample::<f64, _>(StandardNormal),
            Self::Pink(states) => {
                let count = states.len() as f64;
                let mut pole = 1.0;
                for state in states.iter_mut() {
                    pole /= 2.0;
                    let kept: f64 = 1.0 - pole;
                    *state =
                        kept * *state + (1.0 - kept * kept).sqrt() * rng.sample::<f64, _>(StandardNormal);
                }
                states.iter().sum::<f64>() / count.sqrt()
            }
        }
    }
}

/// Adds noise and rounds to f32.
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
pub(crate) fn noisy(clean: &[f64], sigma: f64, noise: &mut Noise, rng: &mut ChaCha8Rng, out: &mut Vec<f32>) {
    noise.begin(rng);
    out.clear();
    out.extend(clean.iter().map(|v| (v + sigma * noise.next(rng)) as f32));
}
