//! The frequency of the reference, measured on the record itself.
//!
//! Owns: a start from the phase progression over segments (which bears an error of nearly half a cycle *per
//! segment*), and Gauss–Newton steps on the whole record (the maximum-likelihood estimate for white noise, the
//! four-parameter sine fit of IEEE 1057 with harmonics and drift beside). Must not decide which frequency is used:
//! `dwell` does.

use super::EstimateError;
use super::fit::{Fit, blocks, pair};
use super::normal::{Normal, dot, load};
use super::regressors::{BLOCK, Column, Model, Regressors};
use super::segments::segments;
use nalgebra::{Complex, DVector};
use plan_schema::units::{Fraction, Hertz, SamplesPerSecond};
use std::f64::consts::{PI, TAU};

/// Gauss–Newton steps at most; a good record takes two or three.
const MOST_STEPS: usize = 12;
/// The steps end when the last one turned the phase by less than this over the record, rad.
const LAST_STEP: f64 = 1e-10;

/// Phase steps between segments stay below this, so that they can be joined.
const LARGEST_TURN_CYCLES: f64 = 0.25;
/// Segments for the start, if there are as many cycles.
const FEWEST_SEGMENTS: f64 = 10.0;

/// A frequency measured on the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) frequency: Hertz,
    /// Standard uncertainty that the residual, taken as white, leaves to it.
    pub(super) uncertainty: Hertz,
}

/// Frequency from the phases of segments at the nominal frequency: slope of a line weighted by the squared
/// amplitudes. There are as many segments as it takes for an error of `within` to turn the phase by a quarter of a
/// cycle from one to the next. The nominal frequency itself if there is only one segment.
pub(super) fn coarse(
    reference: &[f32],
    rate: SamplesPerSecond,
    nominal: Hertz,
    within: Fraction,
) -> Result<Hertz, EstimateError> {
    let carrier = Model { frequency: nominal, harmonics: 1, drift: false };
    let regressors = Regressors::new(&carrier, rate, reference.len())?;
    let mut columns = vec![[0.0; BLOCK]; regressors.terms()];
    let mut block = [0.0; BLOCK];
    let mut phases = Vec::new();
    let mut last: Option<(Complex<f64>, f64)> = None;
    let wanted = segments_for(within, reference.len() as f64 * regressors.turn().0);
    for segment in segments(regressors.turn(), reference.len(), wanted) {
        let mut normal = Normal::new(columns.len(), 1);
        for part in blocks(&segment) {
            regressors.fill(part.start, part.len(), &mut columns);
            load(reference.get(part).unwrap_or_default(), &mut block);
            normal.add_gram(columns.iter());
            normal.add_cross(0, columns.iter(), &block);
        }
        let rank_deficient =
            |_| EstimateError::RankDeficient { samples: segment.len(), terms: columns.len() };
        let amplitude = pair(&normal.factor().map_err(rank_deficient)?.solve(&normal.cross(0)), 1);
        let phase = last.map_or(0.0, |(before, phase)| phase + (amplitude * before.conj()).arg());
        last = Some((amplitude, phase));
        phases.push((f64::midpoint(segment.start as f64, segment.end as f64), phase, amplitude.norm_sqr()));
    }
    let slope = weighted_slope(&phases);
    Ok(if slope.is_finite() { nominal + Hertz::new(slope / TAU * rate.si()) } else { nominal })
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a number of segments, clamped")]
fn segments_for(within: Fraction, cycles: f64) -> usize {
    (cycles * within.si() / LARGEST_TURN_CYCLES).ceil().clamp(FEWEST_SEGMENTS, cycles.max(FEWEST_SEGMENTS))
        as usize
}

/// Slope of the weighted line through `(x, y, weight)`; not finite if it has none.
fn weighted_slope(points: &[(f64, f64, f64)]) -> f64 {
    let weight: f64 = points.iter().map(|(_, _, w)| w).sum();
    let mean_x = points.iter().map(|(x, _, w)| x * w).sum::<f64>() / weight;
    let mean_y = points.iter().map(|(_, y, w)| y * w).sum::<f64>() / weight;
    let covariance: f64 = points.iter().map(|(x, y, w)| w * (x - mean_x) * (y - mean_y)).sum();
    let variance: f64 = points.iter().map(|(x, _, w)| w * (x - mean_x).powi(2)).sum();
    covariance / variance
}

/// Steps from `start` to the least-squares frequency. `None` where the record does not hold one: too short or too
/// noisy for the terms of the model, or no convergence. (Faults of the record itself show in the fit that follows.)
pub(super) fn refine(reference: &[f32], rate: SamplesPerSecond, start: &Model) -> Option<Measured> {
    let per_radian = rate.si() / (TAU * reference.len() as f64);
    let mut model = *start;
    let mut amplitudes = Fit::new(&[reference], rate, start).ok()?.amplitudes(0);
    for _ in 0..MOST_STEPS {
        let step = Step::new(reference, rate, &model, &amplitudes)?;
        if !step.radians.is_finite() || step.radians.abs() > PI {
            return None;
        }
        model.frequency = model.frequency + Hertz::new(step.radians * per_radian);
        if step.radians.abs() < LAST_STEP {
            let uncertainty = Hertz::new(step.uncertainty * per_radian);
            return Some(Measured { frequency: model.frequency, uncertainty });
        }
        amplitudes = step.amplitudes;
    }
    None
}

/// One Gauss–Newton step: the model with the derivative by the frequency as a further term.
struct Step {
    /// Change of the phase over the whole record.
    radians: f64,
    /// Its standard uncertainty.
    uncertainty: f64,
    /// Complex amplitudes at the changed frequency, h = 1 …
    amplitudes: Vec<Complex<f64>>,
}

impl Step {
    fn new(
        reference: &[f32],
        rate: SamplesPerSecond,
        model: &Model,
        amplitudes: &[Complex<f64>],
    ) -> Option<Self> {
        let regressors = Regressors::new(model, rate, reference.len()).ok()?;
        let terms = regressors.terms();
        let mut columns = vec![[0.0; BLOCK]; terms + 1];
        let mut normal = Normal::new(terms + 1, 1);
        let mut block = [0.0; BLOCK];
        let mut power = 0.0;
        for part in blocks(&(0..reference.len())) {
            let first = part.start;
            regressors.fill(first, part.len(), &mut columns);
            derivative(&regressors, first, amplitudes, &mut columns);
            load(reference.get(part).unwrap_or_default(), &mut block);
            power += dot(&block, &block);
            normal.add_gram(columns.iter());
            normal.add_cross(0, columns.iter(), &block);
        }
        let factor = normal.factor().ok()?;
        let cross = normal.cross(0);
        let found = factor.solve(&cross);
        let left = (power - found.dot(&cross)).max(0.0);
        let freedom = reference.len().saturating_sub(terms + 1).max(1) as f64;
        let radians = found[terms];
        Some(Self {
            radians,
            uncertainty: (factor.unit_covariance()[(terms, terms)] * left / freedom).sqrt(),
            amplitudes: turned(&regressors, &found, radians),
        })
    }
}

/// Fills the last column with the derivative of the model by the phase gained over the record, taken about the
/// centre: `Σ_h h·position·(−A_h sin hωn + B_h cos hωn)`.
fn derivative(regressors: &Regressors, first: usize, amplitudes: &[Complex<f64>], columns: &mut [Column]) {
    let Some((last, model)) = columns.split_last_mut() else {
        return;
    };
    last.fill(0.0);
    let pairs = model.get(regressors.fundamental()..).unwrap_or_default().chunks_exact(2);
    for ((harmonic, amplitude), columns) in (1_u32..).zip(amplitudes).zip(pairs) {
        let [cos, sin] = columns else { continue };
        let (a, b) = (f64::from(harmonic) * amplitude.re, -f64::from(harmonic) * amplitude.im);
        for ((value, c), s) in last.iter_mut().zip(cos).zip(sin) {
            *value += b * c - a * s;
        }
    }
    for (offset, value) in last.iter_mut().enumerate() {
        *value *= regressors.position(first + offset);
    }
}

/// Amplitudes at the record's first sample after the frequency has changed: the fit holds them at the centre.
fn turned(regressors: &Regressors, found: &DVector<f64>, radians: f64) -> Vec<Complex<f64>> {
    let back = radians * regressors.position(0);
    let pairs = (regressors.fundamental()..regressors.terms()).step_by(2);
    (1_u32..)
        .zip(pairs)
        .map(|(harmonic, cosine)| pair(found, cosine) * Complex::from_polar(1.0, f64::from(harmonic) * back))
        .collect()
}
