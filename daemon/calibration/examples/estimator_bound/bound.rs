//! Variance and bias against the exact bound `σ² (JᵀJ)⁻¹` of the whole model, the common frequency included.

use crate::signal::{Channel, MAINS, Noise, RATE, channels, noisy};
use crate::{SEED, print};
use calibration::estimate::{Complex, DwellOptions, FrequencyBasis, FrequencySearch, dwell};
use nalgebra::{DMatrix, DVector};
use plan_schema::mains;
use plan_schema::units::{Fraction, Hertz, SamplesPerSecond, Seconds};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::error::Error;
use std::f64::consts::TAU;

const SAMPLES: usize = 1700;
/// How far the start is off.
const OFF: f64 = 1e-4;
/// Wide, so that the frequency is always measured: the bound is that of a measured one.
const WITHIN: f64 = 0.1;

struct Cell {
    snr_db: f64,
    cycles: f64,
    mains: bool,
    noise: Noise,
    seed: u64,
}

pub(crate) fn all(trials: u32) -> Result<(), Box<dyn Error>> {
    let mut seed = SEED;
    for snr_db in [20.0, 40.0, 60.0, 80.0, 100.0] {
        for cycles in [2.3, 5.37, 10.0, 50.0] {
            for mains in [false, true] {
                // Cells of their own chance: the same noise in all would be one test, not forty.
                seed += 1;
                one(&Cell { snr_db, cycles, mains, noise: Noise::White, seed }, trials)?;
            }
        }
    }
    one(&Cell { snr_db: 40.0, cycles: 10.0, mains: false, noise: Noise::pink(), seed: SEED }, trials)
}

fn one(cell: &Cell, trials: u32) -> Result<(), Box<dyn Error>> {
    let frequency = cell.cycles * RATE / SAMPLES as f64;
    let harmonics = if cell.mains { 5 } else { 1 };
    let lines = if cell.mains { mains::LINES as usize } else { 0 };
    let pink = matches!(cell.noise, Noise::Pink(_));
    let head = format!(
        "\"snr_db\":{},\"cycles\":{},\"mains\":{},\"pink\":{pink}",
        cell.snr_db, cell.cycles, cell.mains
    );
    let duration = Seconds::new(SAMPLES as f64 / RATE);
    let apart = |off: f64| {
        let start = Hertz::new(frequency * (1.0 + off));
        mains::fitted(start, harmonics, Hertz::new(MAINS), duration).len() == mains::LINES as usize
    };
    if cell.mains && !(apart(OFF) && apart(-OFF)) {
        print(&format!(
            "{{{head},\"left_out\":\"a mains line lies within 1.5/T of the sine or a harmonic\"}}"
        ));
        return Ok(());
    }
    let both = channels(harmonics as usize, lines);
    let sigma = [0, 1].map(|c: usize| both[c].noise(cell.snr_db));
    let bounds = bound(&both, sigma, frequency).ok_or("the bound can't be computed")?;
    let clean = [0, 1].map(|c: usize| both[c].clean(frequency, SAMPLES));
    let amplitude = |c: usize| both[c].harmonics.first().copied().unwrap_or_default();
    let truth = amplitude(1) / amplitude(0);
    let options = DwellOptions {
        harmonics,
        frequency: FrequencySearch::Measure { within: Fraction::new(WITHIN) },
        mains: cell.mains.then(|| Hertz::new(MAINS)),
        ..DwellOptions::default()
    };
    let mut rng = ChaCha8Rng::seed_from_u64(cell.seed);
    let mut noise = cell.noise.clone();
    let mut records = [Vec::new(), Vec::new()];
    let (mut magnitude, mut phase, mut unresolved) = (Moments::default(), Moments::default(), 0_u32);
    for trial in 0..trials {
        for ((record, clean), sigma) in records.iter_mut().zip(&clean).zip(sigma) {
            noisy(clean, sigma, &mut noise, &mut rng, record);
        }
        let start = Hertz::new(frequency * if trial % 2 == 0 { 1.0 + OFF } else { 1.0 - OFF });
        let found = dwell(&[&records[0], &records[1]], SamplesPerSecond::new(RATE), 0, start, &options)?;
        unresolved += u32::from(!matches!(found.frequency_basis, FrequencyBasis::Measured { .. }));
        let off = found.ratios.first().ok_or("there is no ratio")?.ratio / truth;
        magnitude.add(off.norm() - 1.0);
        phase.add(off.arg());
    }
    print(&format!(
        "{{{head},\"trials\":{trials},\"unresolved\":{unresolved},\"var_ratio\":{:.5},\"var_phase\":{:.5},\"bias_ratio\":{:.5},\"bias_phase\":{:.5}}}",
        magnitude.variance() / bounds[0],
        phase.variance() / bounds[1],
        magnitude.mean().abs() / bounds[0].sqrt(),
        phase.mean().abs() / bounds[1].sqrt(),
    ));
    Ok(())
}

/// Least variances of the relative magnitude and of the phase of the ratio.
fn bound(both: &[Channel; 2], sigma: [f64; 2], frequency: f64) -> Option<[f64; 2]> {
    let tones = both[0].harmonics.len() + both[0].lines.len();
    let own = 2 + 2 * tones;
    // Rows scaled by the noise: both channels below each other, the frequency last.
    let mut jacobian = DMatrix::zeros(2 * SAMPLES, 2 * own + 1);
    for (c, (channel, sigma)) in both.iter().zip(sigma).enumerate() {
        for n in 0..SAMPLES {
            let time = n as f64 / RATE;
            let row = c * SAMPLES + n;
            let mut slope = 0.0;
            jacobian[(row, c * own)] = 1.0 / sigma;
            jacobian[(row, c * own + 1)] = (n as f64 / SAMPLES as f64 - 0.5) / sigma;
            for tone in 0..tones {
                let (order, of_line) = match tone.checked_sub(channel.harmonics.len()) {
                    None => (tone + 1, false),
                    Some(line) => (line + 1, true),
                };
                let pitch = order as f64 * if of_line { MAINS } else { frequency };
                let (sin, cos) = (TAU * (pitch * time).fract()).sin_cos();
                jacobian[(row, c * own + 2 + 2 * tone)] = cos / sigma;
                jacobian[(row, c * own + 3 + 2 * tone)] = sin / sigma;
                if let (false, Some(x)) = (of_line, channel.harmonics.get(tone)) {
                    slope += order as f64 * (-x.re * sin - x.im * cos) * TAU * time;
                }
            }
            jacobian[(row, 2 * own)] = slope / sigma;
        }
    }
    let scale = DVector::from_iterator(jacobian.ncols(), jacobian.column_iter().map(|c| 1.0 / c.norm()));
    let scaled = &jacobian * DMatrix::from_diagonal(&scale);
    let inverse = scaled.tr_mul(&scaled).cholesky()?.inverse();
    let gradient = |part: fn(Complex<f64>) -> f64| {
        let mut gradient = DVector::zeros(scale.len());
        for (c, (channel, sign)) in both.iter().zip([-1.0, 1.0]).enumerate() {
            let x = channel.harmonics.first().copied().unwrap_or_default();
            gradient[c * own + 2] = sign * part(1.0 / x);
            gradient[c * own + 3] = sign * part(Complex::new(0.0, -1.0) / x);
        }
        gradient.component_mul(&scale)
    };
    Some([|z: Complex<f64>| z.re, |z: Complex<f64>| z.im].map(|part| {
        let gradient = gradient(part);
        gradient.dot(&(&inverse * &gradient))
    }))
}

#[derive(Default)]
struct Moments {
    count: f64,
    sum: f64,
    squares: f64,
}

impl Moments {
    fn add(&mut self, value: f64) {
        self.count += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    fn mean(&self) -> f64 {
        self.sum / self.count
    }

    fn variance(&self) -> f64 {
        (self.squares - self.sum * self.mean()) / (self.count - 1.0)
    }
}
