//! The frequency of the reference, measured on the record itself.
//!
//! Owns: a start from the phase progression over segments (which bears an error of nearly half a cycle *per
//! segment*), Gauss–Newton steps on the whole record (the maximum-likelihood estimate for white noise, the
//! four-parameter sine fit of IEEE 1057 with harmonics and drift beside), and the trend of the amplitude, which is the
//! same equations. Must not decide which frequency is used: `dwell` does.

use super::fit::{Solved, System};
use super::model::{BLOCK, Turn};
use super::normal::Factor;
use super::sums::Sums;
use super::terms::Terms;
use nalgebra::{Complex, DMatrix, DVector};
use std::f64::consts::{PI, TAU};
use std::rc::Rc;

/// Gauss–Newton steps at most; a good record takes two or three.
const MOST_STEPS: usize = 12;
/// The steps end when the last one turned the phase by less than this over the record, rad.
const LAST_STEP: f64 = 1e-10;
/// What neglected powers of the slip may cost, relative to the fundamental.
const NEGLIGIBLE: f64 = 1e-11;

/// A frequency measured on the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) turn: Turn,
    /// Standard uncertainty, cycles per sample, that the residual, taken as white, leaves to it.
    pub(super) uncertainty: f64,
    /// True if the sums, made at another frequency, are not exact enough at this one.
    pub(super) far: bool,
}

/// Frequency from the phases of segments at the frequency of the sums: slope of a line weighted by the squared
/// amplitudes. That frequency itself if there is only one segment.
pub(super) fn coarse(sums: &Sums, reference: usize) -> Turn {
    let turn = sums.table.turn;
    let terms = Terms {
        samples: sums.samples(),
        drift: false,
        turn,
        harmonics: 1,
        lines: Vec::new(),
        decay: None,
        derivatives: false,
    };
    let mut last: Option<(Complex<f64>, f64)> = None;
    let mut phases = Vec::new();
    for cross in sums.cross(&[(reference, &terms)]) {
        for (segment, sums) in sums.cut.segments(terms.samples).zip(&cross.segments) {
            let Ok(factor) = Factor::new(&terms.gram_over(&segment)) else {
                return turn;
            };
            let found = factor.solve(&DVector::from_row_slice(sums));
            let amplitude = Complex::new(found[1], -found[2]);
            let phase = last.map_or(0.0, |(before, phase)| phase + (amplitude * before.conj()).arg());
            last = Some((amplitude, phase));
            phases.push((
                f64::midpoint(segment.start as f64, segment.end as f64),
                phase,
                amplitude.norm_sqr(),
            ));
        }
    }
    let slope = weighted_slope(&phases);
    if slope.is_finite() { Turn(turn.0 + slope / TAU) } else { turn }
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
/// noisy for the terms of the model, or no convergence.
pub(super) fn refine(sums: &Sums, reference: usize, start: &Terms) -> Option<Measured> {
    let mut terms = start.clone();
    let per_radian = 1.0 / (TAU * terms.samples as f64);
    for _ in 0..MOST_STEPS {
        let cross = sums.cross(&[(reference, &terms)]).pop()?;
        let solved = Solved::new(Rc::new(System::new(terms.clone(), &[]).ok()?), cross, 0.0);
        let amplitudes = solved.amplitudes();
        let beside = Beside::new(&solved, &[turned(&terms, &amplitudes)])?;
        let radians = beside.found[terms.fitted()];
        if !radians.is_finite() || radians.abs() > PI {
            return None;
        }
        terms.turn = Turn(terms.turn.0 + radians * per_radian);
        if radians.abs() < LAST_STEP {
            return Some(Measured {
                turn: terms.turn,
                uncertainty: beside.deviation(terms.fitted()) * per_radian,
                far: neglected(sums, terms.turn, &amplitudes) > NEGLIGIBLE,
            });
        }
    }
    None
}

/// What the powers of the slip that the sums lack may cost: the third one of the fundamental, the second one of the
/// harmonics, in themselves and in the equation for the frequency.
fn neglected(sums: &Sums, turn: Turn, amplitudes: &[Complex<f64>]) -> f64 {
    let slip = sums.slip(turn);
    let share = (BLOCK as f64 / sums.samples() as f64).min(1.0);
    let fundamental = amplitudes.first().map_or(0.0, |x| x.norm());
    let harmonics = (2_u32..).zip(amplitudes.iter().skip(1)).map(|(h, x)| {
        let (h, size) = (f64::from(h), x.norm() / fundamental);
        // What another term leaks into a harmonic does not grow with the record.
        size.max(share) * (h * slip).powi(2) / 2.0 + slip * share * (h * size).powi(2)
    });
    slip.powi(3) / 6.0 + harmonics.sum::<f64>()
}

/// Derivative of the model by the phase gained over the record: `Σ_h Re{jh X_h position e^{jhωn}}`, by terms.
fn turned(terms: &Terms, amplitudes: &[Complex<f64>]) -> DVector<f64> {
    combined(terms, (1_u32..).zip(amplitudes).map(|(h, x)| Complex::new(0.0, f64::from(h)) * x))
}

fn combined(terms: &Terms, amplitudes: impl Iterator<Item = Complex<f64>>) -> DVector<f64> {
    let mut weights = DVector::zeros(terms.count());
    for (at, x) in (terms.fitted()..).step_by(2).zip(amplitudes) {
        weights[at] = x.re;
        weights[at + 1] = -x.im;
    }
    weights
}

/// The fit with further columns beside.
struct Beside {
    found: DVector<f64>,
    covariance: DMatrix<f64>,
    variance: f64,
}

impl Beside {
    /// The further columns are combinations of the derivatives.
    fn new(solved: &Solved, columns: &[DVector<f64>]) -> Option<Self> {
        let (fitted, all) = (solved.system.terms.fitted(), solved.system.terms.count());
        let mut weights = DMatrix::zeros(all, fitted + columns.len());
        weights.fill_diagonal(0.0);
        weights.view_mut((0, 0), (fitted, fitted)).fill_with_identity();
        for (at, column) in columns.iter().enumerate() {
            weights.set_column(fitted + at, column);
        }
        let gram = weights.tr_mul(&(&solved.system.gram * &weights));
        let cross = weights.tr_mul(&solved.cross.terms);
        let factor = Factor::new(&gram).ok()?;
        let found = factor.solve(&cross);
        let left = (solved.cross.power - found.dot(&cross)).max(0.0);
        let freedom = solved.system.terms.samples.saturating_sub(found.len()).max(1) as f64;
        Some(Self { covariance: factor.unit_covariance(), variance: left / freedom, found })
    }

    fn deviation(&self, term: usize) -> f64 {
        (self.covariance[(term, term)] * self.variance).sqrt()
    }
}

/// How the fundamental's amplitude changes over the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Trending {
    /// Relative change from the first sample to the last, a straight line.
    pub(super) change: f64,
    /// Its standard uncertainty from the residual, taken as white.
    pub(super) uncertainty: f64,
    /// Amplitude at the end, V.
    pub(super) end: f64,
    /// Its standard uncertainty, V.
    pub(super) end_uncertainty: f64,
}

/// Fits a linear change of amplitude and phase beside. `None` where the record does not tell it.
pub(super) fn trend(solved: &Solved) -> Option<Trending> {
    let terms = &solved.system.terms;
    let fundamental = solved.fundamental();
    let columns = [Complex::new(0.0, 1.0), Complex::new(1.0, 0.0)]
        .map(|factor| combined(terms, std::iter::once(factor * fundamental)));
    let beside = Beside::new(solved, &columns)?;
    let (first, at, size) = (terms.fundamental(), terms.fitted() + 1, fundamental.norm());
    // The amplitude at the end by coefficients: along the fundamental, and half the change from the centre on.
    let mut end = DVector::zeros(beside.found.len());
    (end[first], end[first + 1], end[at]) = (fundamental.re / size, -fundamental.im / size, size / 2.0);
    let variance = end.dot(&(&beside.covariance * &end)) * beside.variance;
    let found = Trending {
        change: beside.found[at],
        uncertainty: beside.deviation(at),
        end: end.dot(&beside.found),
        end_uncertainty: variance.sqrt(),
    };
    (found.change.is_finite() && found.end.is_finite()).then_some(found)
}

/// How the fundamental of a channel depends on the phase gained over the record by a change of frequency, at its own
/// size: `(∂X/∂θ) / X`.
pub(super) fn by_phase(solved: &Solved) -> Complex<f64> {
    let terms = &solved.system.terms;
    let derivative = &solved.system.gram * turned(terms, &solved.amplitudes());
    let moved = solved.system.factor.solve(&derivative.rows(0, terms.fitted()).into_owned());
    let first = terms.fundamental();
    -Complex::new(moved[first], -moved[first + 1]) / solved.fundamental()
}
