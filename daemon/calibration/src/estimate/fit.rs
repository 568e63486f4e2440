//! The linear fit of all channels at one frequency, and what it leaves over.
//!
//! Owns: solving, the residual, and how far each segment departs. Must not choose the frequency (`frequency`) or judge
//! (`dwell`, and those who call it).
//!
//! Convention: with n counted from the record's first sample and t = n / rate, a channel is
//! `x(t) = offset + drift·(t − t_centre) + Σ_h Re{X_h e^{jhωt}} + Σ_k Re{M_k e^{jω_k t}} + d e^{−t/τ}`, so
//! `X = A − jB` for `A cos ωt + B sin ωt`.

use super::EstimateError;
use super::normal::{Factor, RankDeficient};
use super::sums::{Cross, Sums};
use super::terms::Terms;
use nalgebra::{Complex, DMatrix, DVector, Vector3};
use plan_schema::units::{Peak, Rms, SamplesPerSecond, Volts, VoltsDc};
use std::ops::Range;
use std::rc::Rc;

/// Below this share of the power the residual, a difference of sums, is rounding: 150 dB, about that of f32 samples.
const RESOLVED: f64 = 1e-15;

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
    /// Lines of the mains that were fitted (1 is the mains frequency itself) with their complex amplitudes, V peak.
    pub mains: Vec<(u32, Complex<f64>)>,
    /// Decay at the record's first sample, V. `None` if none was asked for, or if it is too slow for this record to
    /// tell it from offset and drift.
    pub decay: Option<f64>,
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

/// Terms with their factored Gram matrix: what channels share that have no decay.
#[derive(Debug)]
pub(super) struct System {
    pub(super) terms: Terms,
    /// Derivatives included.
    pub(super) gram: DMatrix<f64>,
    pub(super) factor: Factor,
    /// Covariance of the coefficients for noise of unit variance.
    covariance: DMatrix<f64>,
    /// For each segment what offset, cosine and sine have in common with every fitted term.
    segments: Vec<DMatrix<f64>>,
}

impl System {
    pub(super) fn new(terms: Terms, segments: &[Range<usize>]) -> Result<Self, RankDeficient> {
        let (fitted, first) = (terms.fitted(), terms.fundamental());
        let gram = terms.gram();
        let factor = Factor::new(&gram.view((0, 0), (fitted, fitted)).into_owned())?;
        let plain = Terms { derivatives: false, ..terms.clone() };
        let rows = |part: &Range<usize>| plain.gram_over(part).select_rows(&[0, first, first + 1]);
        let segments = segments.iter().map(rows).collect();
        let covariance = factor.unit_covariance();
        Ok(Self { terms, gram, factor, covariance, segments })
    }
}

/// The terms of each channel; a decay that can't be told from offset and drift is left out.
pub(super) fn systems(
    common: &Terms,
    decays: impl Iterator<Item = Option<f64>>,
    segments: &[Range<usize>],
) -> Result<Vec<Rc<System>>, EstimateError> {
    let lacking = |_| EstimateError::RankDeficient { samples: common.samples, terms: common.fitted() };
    let shared = Rc::new(System::new(Terms { decay: None, ..common.clone() }, segments).map_err(lacking)?);
    let own =
        |tau: f64| System::new(Terms { decay: Some(tau), ..common.clone() }, segments).ok().map(Rc::new);
    Ok(decays.map(|decay| decay.and_then(own).unwrap_or_else(|| Rc::clone(&shared))).collect())
}

/// One channel solved.
#[derive(Debug)]
pub(super) struct Solved {
    pub(super) system: Rc<System>,
    pub(super) cross: Cross,
    pub(super) coefficients: DVector<f64>,
    base: f64,
    /// Sum of squares of the residual.
    squares: f64,
}

/// All channels of a record solved.
#[derive(Debug)]
pub(super) struct Fit {
    pub(super) channels: Vec<Solved>,
}

impl Fit {
    pub(super) fn new(sums: &Sums, systems: &[Rc<System>]) -> Self {
        let wanted: Vec<_> =
            systems.iter().enumerate().map(|(channel, system)| (channel, &system.terms)).collect();
        let crosses = sums.cross(&wanted);
        let channels = systems
            .iter()
            .zip(crosses)
            .zip(&sums.bases)
            .map(|((system, cross), base)| Solved::new(Rc::clone(system), cross, *base))
            .collect();
        Self { channels }
    }
}

impl Solved {
    pub(super) fn new(system: Rc<System>, cross: Cross, base: f64) -> Self {
        let right = cross.terms.rows(0, system.terms.fitted()).into_owned();
        let coefficients = system.factor.solve(&right);
        let squares = (cross.power - coefficients.dot(&right)).max(RESOLVED * cross.power);
        Self { system, cross, coefficients, base, squares }
    }

    /// Complex amplitude of the fundamental.
    pub(super) fn fundamental(&self) -> Complex<f64> {
        self.pair(self.system.terms.fundamental())
    }

    /// Complex amplitudes, h = 1 …
    pub(super) fn amplitudes(&self) -> Vec<Complex<f64>> {
        let terms = &self.system.terms;
        (terms.fundamental()..terms.lines_at()).step_by(2).map(|cosine| self.pair(cosine)).collect()
    }

    /// `A − jB` from the coefficients of a cosine and the sine behind it.
    fn pair(&self, cosine: usize) -> Complex<f64> {
        Complex::new(self.coefficients[cosine], -self.coefficients[cosine + 1])
    }

    /// Value of the straight part at the centre of the record.
    pub(super) fn offset(&self) -> VoltsDc {
        VoltsDc::new(self.base + self.coefficients[0])
    }

    /// Number of samples beyond the number of coefficients.
    pub(super) fn freedom(&self) -> f64 {
        (self.system.terms.samples - self.system.terms.fitted()) as f64
    }

    /// Variance of the residual.
    pub(super) fn variance(&self) -> f64 {
        self.squares / self.freedom()
    }

    /// Variances that white noise as large as the residual causes in the fundamental, along it and across it, V².
    /// These are exact for the record, also over a broken number of cycles; over whole ones both are about 2σ²/N.
    pub(super) fn white(&self) -> (f64, f64) {
        let fundamental = self.fundamental();
        let first = self.system.terms.fundamental();
        let direction = fundamental / fundamental.norm().max(f64::MIN_POSITIVE);
        // The coefficients are A = Re X and B = −Im X.
        let (along, across) = ((direction.re, -direction.im), (direction.im, direction.re));
        let c = &self.system.covariance;
        let variance = |(a, b): (f64, f64)| {
            a * a * c[(first, first)]
                + 2.0 * a * b * c[(first, first + 1)]
                + b * b * c[(first + 1, first + 1)]
        };
        (variance(along) * self.variance(), variance(across) * self.variance())
    }

    /// How far the fundamental departs in each segment from that of the whole record: offset, cosine and sine fitted
    /// to what the whole fit leaves over there.
    ///
    /// # Errors
    /// If a segment does not carry them.
    pub(super) fn departures(&self) -> Result<Vec<Complex<f64>>, RankDeficient> {
        let first = self.system.terms.fundamental();
        let parts = self.system.segments.iter().zip(&self.cross.segments);
        parts
            .map(|(rows, sums)| {
                let left = Vector3::from_row_slice(sums) - rows * &self.coefficients;
                let factor = Factor::new(&rows.select_columns(&[0, first, first + 1]))?;
                let found = factor.solve(&DVector::from_row_slice(left.as_slice()));
                Ok(Complex::new(found[1], -found[2]))
            })
            .collect()
    }

    /// What is told of the channel; `lines` are the numbers of the mains lines in the model.
    pub(super) fn estimate(&self, lines: &[u32], rate: SamplesPerSecond) -> ChannelEstimate {
        let terms = &self.system.terms;
        let mut amplitudes = self.amplitudes();
        let harmonics = amplitudes.split_off(1);
        let amplitude = self.fundamental();
        let residual = self.variance().sqrt();
        let distortion = harmonics.iter().map(|x| x.norm_sqr()).sum::<f64>().sqrt();
        let fundamental = amplitude.norm();
        let mains = (terms.lines_at()..terms.decay_at()).step_by(2).map(|cosine| self.pair(cosine));
        let record = terms.samples as f64 / rate.si();
        ChannelEstimate {
            amplitude,
            offset: self.offset(),
            drift: if terms.drift { self.coefficients[1] / record } else { 0.0 },
            thd: (!harmonics.is_empty() && fundamental > 0.0).then(|| distortion / fundamental),
            harmonics,
            mains: lines.iter().copied().zip(mains).collect(),
            decay: terms.decay.map(|_| self.coefficients[terms.decay_at()]),
            residual_rms: Volts::new(residual),
            snr_db: 20.0 * (fundamental / std::f64::consts::SQRT_2 / residual).log10(),
        }
    }
}
