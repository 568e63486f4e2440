//! The linear fit of one model to all channels of a record, and what it leaves over.
//!
//! Owns: one pass for the sums of all channels and terms, one pass for the residuals. Must not choose the
//! frequency (`frequency`) or judge (`dwell`, and those who call it).
//!
//! Convention: with n counted from the record's first sample and t = n / rate, a channel is
//! `x(t) = offset + drift·(t − t_centre) + Σ_h Re{X_h e^{jhωt}}`, so `X = A − jB` for `A cos ωt + B sin ωt`.

use super::EstimateError;
use super::normal::{Normal, dot, load};
use super::regressors::{BLOCK, Column, Model, Regressors};
use nalgebra::{Complex, DMatrix, DVector};
use plan_schema::units::{Peak, Rms, SamplesPerSecond, Volts, VoltsDc};
use std::ops::Range;

/// Terms of the fit to a part of the record: offset, cosine and sine.
const CARRIER_TERMS: usize = 3;

/// What was found on one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelEstimate {
    /// Complex amplitude of the fundamental, V peak; phase at the record's first sample.
    pub amplitude: Complex<f64>,
    /// Value of the straight part at the centre of the record.
    pub offset: VoltsDc,
    /// Slope of the straight part, V/s; zero if no drift was fitted.
    pub drift: f64,
    /// Complex amplitudes of the harmonics 2, 3, … that were fitted, V peak.
    pub harmonics: Vec<Complex<f64>>,
    /// What the model leaves over: `√(Σr² / (N − terms))`, the unbiased estimate if it is white noise.
    pub residual_rms: Volts<Rms>,
    /// Total harmonic distortion, `√(Σ_{h≥2} |X_h|²) / |X_1|` as a share. `None` if no harmonic was fitted or the
    /// fundamental is zero.
    pub thd: Option<f64>,
    /// Power of the fundamental over that of the residual, in dB; infinite for a residual of zero.
    pub snr_db: f64,
}

impl ChannelEstimate {
    /// Magnitude of the fundamental.
    #[must_use]
    pub fn peak(&self) -> Volts<Peak> {
        Volts::new(self.amplitude.norm())
    }
}

/// Fits `model` to every channel (planar, V).
///
/// # Errors
/// What `EstimateError` names: channels of unequal length, less than a cycle, too few samples, terms that can't be
/// told apart, samples that are no numbers, a frequency that the rate does not carry.
pub fn fit(
    channels: &[&[f32]],
    rate: SamplesPerSecond,
    model: &Model,
) -> Result<Vec<ChannelEstimate>, EstimateError> {
    let fit = Fit::new(channels, rate, model)?;
    let residuals = fit.residuals(channels, &[])?;
    Ok(fit.estimates(&residuals, rate))
}

/// A solved record.
#[derive(Debug)]
pub(super) struct Fit {
    regressors: Regressors,
    samples: usize,
    /// Coefficients of each channel.
    coefficients: Vec<DVector<f64>>,
    /// Covariance of the coefficients for noise of unit variance.
    covariance: DMatrix<f64>,
}

/// What is left of the record after the fit.
#[derive(Debug)]
pub(super) struct Residuals {
    /// Sum of squares of each channel over the whole record.
    pub(super) squares: Vec<f64>,
    /// For each part asked for, for each channel: how far its fundamental departs from that of the whole record.
    pub(super) departures: Vec<Vec<Complex<f64>>>,
}

impl Fit {
    pub(super) fn new(
        channels: &[&[f32]],
        rate: SamplesPerSecond,
        model: &Model,
    ) -> Result<Self, EstimateError> {
        let samples = common_length(channels)?;
        let regressors = Regressors::new(model, rate, samples)?;
        check_length(&regressors, samples)?;
        let mut normal = Normal::new(regressors.terms(), channels.len());
        let mut columns = vec![[0.0; BLOCK]; regressors.terms()];
        let mut block = [0.0; BLOCK];
        for part in blocks(&(0..samples)) {
            regressors.fill(part.start, part.len(), &mut columns);
            normal.add_gram(columns.iter());
            for (channel, samples) in channels.iter().enumerate() {
                load(samples.get(part.clone()).unwrap_or_default(), &mut block);
                normal.add_cross(channel, columns.iter(), &block);
            }
        }
        let factor =
            normal.factor().map_err(|_| EstimateError::RankDeficient { samples, terms: columns.len() })?;
        let coefficients: Vec<_> = (0..channels.len()).map(|c| factor.solve(&normal.cross(c))).collect();
        for (channel, found) in coefficients.iter().enumerate() {
            if !found.iter().all(|value| value.is_finite()) {
                return Err(not_finite(channel, channels));
            }
        }
        Ok(Self { regressors, samples, coefficients, covariance: factor.unit_covariance() })
    }

    pub(super) fn regressors(&self) -> &Regressors {
        &self.regressors
    }

    /// Complex amplitude of the fundamental of `channel`.
    pub(super) fn fundamental(&self, channel: usize) -> Complex<f64> {
        let first = self.regressors.fundamental();
        self.coefficients.get(channel).map_or_else(Complex::default, |found| pair(found, first))
    }

    /// Complex amplitudes of `channel`, h = 1 …
    pub(super) fn amplitudes(&self, channel: usize) -> Vec<Complex<f64>> {
        let pairs = (self.regressors.fundamental()..self.regressors.terms()).step_by(2);
        self.coefficients
            .get(channel)
            .map_or_else(Vec::new, |found| pairs.map(|cosine| pair(found, cosine)).collect())
    }

    /// Variances that white noise of unit variance causes in a fundamental of this phase: along it and across it,
    /// V². These are exact for the record, also over a broken number of cycles; over whole ones both are 2/N.
    pub(super) fn unit_variances(&self, fundamental: Complex<f64>) -> (f64, f64) {
        let first = self.regressors.fundamental();
        let direction = fundamental / fundamental.norm().max(f64::MIN_POSITIVE);
        // The coefficients are A = Re X and B = −Im X.
        let (along, across) = ((direction.re, -direction.im), (direction.im, direction.re));
        let variance = |(a, b): (f64, f64)| {
            let c = &self.covariance;
            a * a * c[(first, first)]
                + 2.0 * a * b * c[(first, first + 1)]
                + b * b * c[(first + 1, first + 1)]
        };
        (variance(along), variance(across))
    }

    /// Number of samples beyond the number of coefficients.
    pub(super) fn freedom(&self) -> f64 {
        (self.samples - self.regressors.terms()) as f64
    }

    /// Goes over the record again: sums of squares, and the fundamental of what is left in each of `parts` (in
    /// order, without overlap; the samples outside them count for the sums only).
    ///
    /// # Errors
    /// `RankDeficient` for a part that does not carry offset and fundamental.
    pub(super) fn residuals(
        &self,
        channels: &[&[f32]],
        parts: &[Range<usize>],
    ) -> Result<Residuals, EstimateError> {
        let mut work = Leftover::new(self, channels);
        let mut departures = Vec::with_capacity(parts.len());
        let mut next = 0;
        for part in parts {
            work.sum(next..part.start);
            let normal = work.sum(part.clone());
            let factor = normal
                .factor()
                .map_err(|_| EstimateError::RankDeficient { samples: part.len(), terms: CARRIER_TERMS })?;
            departures.push((0..channels.len()).map(|c| pair(&factor.solve(&normal.cross(c)), 1)).collect());
            next = part.end;
        }
        work.sum(next..self.samples);
        Ok(Residuals { squares: work.squares, departures })
    }

    pub(super) fn estimates(&self, residuals: &Residuals, rate: SamplesPerSecond) -> Vec<ChannelEstimate> {
        let record = self.samples as f64 / rate.si();
        let first = self.regressors.fundamental();
        std::iter::zip(&self.coefficients, &residuals.squares)
            .enumerate()
            .map(|(channel, (found, squares))| {
                let amplitude = pair(found, first);
                let harmonics = self.amplitudes(channel).split_off(1);
                let residual = (squares / self.freedom()).sqrt();
                let distortion = harmonics.iter().map(|x| x.norm_sqr()).sum::<f64>().sqrt();
                let fundamental = amplitude.norm();
                ChannelEstimate {
                    amplitude,
                    offset: VoltsDc::new(found[0]),
                    drift: if first == 2 { found[1] / record } else { 0.0 },
                    thd: (!harmonics.is_empty() && fundamental > 0.0).then(|| distortion / fundamental),
                    harmonics,
                    residual_rms: Volts::new(residual),
                    snr_db: 20.0 * (fundamental / std::f64::consts::SQRT_2 / residual).log10(),
                }
            })
            .collect()
    }
}

/// The second pass.
struct Leftover<'a> {
    fit: &'a Fit,
    channels: &'a [&'a [f32]],
    columns: Vec<Column>,
    squares: Vec<f64>,
}

impl<'a> Leftover<'a> {
    fn new(fit: &'a Fit, channels: &'a [&'a [f32]]) -> Self {
        let columns = vec![[0.0; BLOCK]; fit.regressors.terms()];
        Self { fit, channels, columns, squares: vec![0.0; channels.len()] }
    }

    /// Adds the squares over `range`; gives the sums for offset and fundamental alone of what is left there.
    /// Harmonics and drift are gone already, and over whole cycles what is left of them is orthogonal to the
    /// fundamental.
    fn sum(&mut self, range: Range<usize>) -> Normal {
        let first = self.fit.regressors.fundamental();
        let mut normal = Normal::new(CARRIER_TERMS, self.channels.len());
        let mut block = [0.0; BLOCK];
        for part in blocks(&range) {
            self.fit.regressors.fill(part.start, part.len(), &mut self.columns);
            let carrier = self.columns.iter().take(1).chain(self.columns.iter().skip(first).take(2));
            normal.add_gram(carrier.clone());
            for (channel, samples) in self.channels.iter().enumerate() {
                load(samples.get(part.clone()).unwrap_or_default(), &mut block);
                if let Some(found) = self.fit.coefficients.get(channel) {
                    subtract(&mut block, &self.columns, found);
                }
                if let Some(sum) = self.squares.get_mut(channel) {
                    *sum += dot(&block, &block);
                }
                normal.add_cross(channel, carrier.clone(), &block);
            }
        }
        normal
    }
}

fn subtract(block: &mut Column, columns: &[Column], coefficients: &DVector<f64>) {
    for (column, coefficient) in columns.iter().zip(coefficients) {
        for (value, term) in block.iter_mut().zip(column) {
            *value -= coefficient * term;
        }
    }
}

/// `A − jB` from the coefficients of a cosine and the sine behind it.
pub(super) fn pair(coefficients: &DVector<f64>, cosine: usize) -> Complex<f64> {
    Complex::new(coefficients[cosine], -coefficients[cosine + 1])
}

/// Cuts a range into blocks, counted from its start.
pub(super) fn blocks(range: &Range<usize>) -> impl Iterator<Item = Range<usize>> + use<> {
    let end = range.end;
    (range.start..end).step_by(BLOCK).map(move |first| first..end.min(first + BLOCK))
}

fn common_length(channels: &[&[f32]]) -> Result<usize, EstimateError> {
    let expected = channels.first().ok_or(EstimateError::NoChannels)?.len();
    match channels.iter().position(|samples| samples.len() != expected) {
        None => Ok(expected),
        Some(channel) => Err(EstimateError::UnequalChannels {
            channel,
            samples: channels.get(channel).map_or(0, |samples| samples.len()),
            expected,
        }),
    }
}

fn check_length(regressors: &Regressors, samples: usize) -> Result<(), EstimateError> {
    let cycles = samples as f64 * regressors.turn().0;
    if super::segments::whole_cycles(regressors.turn(), samples) == 0 {
        return Err(EstimateError::TooFewCycles { cycles });
    }
    let needed = regressors.terms() + 1;
    if samples < needed { Err(EstimateError::TooFewSamples { samples, needed }) } else { Ok(()) }
}

/// Names the first sample that is no number. The sums of finite f32 can't overflow an f64.
fn not_finite(channel: usize, channels: &[&[f32]]) -> EstimateError {
    let sample = channels.get(channel).and_then(|samples| samples.iter().position(|v| !v.is_finite()));
    EstimateError::NotFinite { channel, sample: sample.unwrap_or_default() }
}
