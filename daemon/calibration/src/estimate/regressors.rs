//! The columns of the sine model, generated in blocks: 1, drift, cos and sin of each harmonic.
//!
//! Owns: the model's terms, their order, and how they are computed. Must not see samples.
//! A block of [`BLOCK`] samples is one exact phasor times a table of exact phasors, so that no error grows along
//! the record: every cosine is within a few units in the last place, whatever its index.
//!
//! ```text
//! column   0    [1]        then pairs, h = 1 … H
//! term     1    (n−c)/N    cos(hωn), sin(hωn)          c: centre of the record, N: its length
//! ```

use super::EstimateError;
use nalgebra::Complex;
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::f64::consts::TAU;

/// Samples that share one anchor.
pub(super) const BLOCK: usize = 256;
/// One term of the model over one block.
pub(super) type Column = [f64; BLOCK];

/// Harmonics above this share of the sample rate are not fitted: too near the Nyquist frequency, where the
/// converter's own filter rules.
pub(super) const HIGHEST_SHARE: f64 = 0.45;

/// What is fitted to each channel of a dwell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Model {
    /// Frequency of the fundamental, the same for all channels.
    pub frequency: Hertz,
    /// Harmonics wanted, the fundamental being the first; at least 1. Those above 0.45 of the sample rate are
    /// dropped.
    pub harmonics: u32,
    /// Whether a straight line over the dwell is fitted too.
    pub drift: bool,
}

/// Cycles of the fundamental per sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turn(pub(super) f64);

impl Turn {
    pub(super) fn new(frequency: Hertz, rate: SamplesPerSecond) -> Self {
        Self(frequency.si() / rate.si())
    }

    /// `e^{jhωn}`. The product is split exactly, so that the phase stays good after millions of cycles.
    pub(super) fn phasor(self, harmonic: u32, n: f64) -> Complex<f64> {
        let product = self.0 * n;
        let rounded_off = self.0.mul_add(n, -product);
        let cycle = f64::from(harmonic) * ((product - product.floor()) + rounded_off);
        let (sin, cos) = (TAU * (cycle - cycle.floor())).sin_cos();
        Complex::new(cos, sin)
    }
}

/// Generator of the columns for one record.
#[derive(Debug, Clone)]
pub(super) struct Regressors {
    turn: Turn,
    samples: usize,
    drift: bool,
    /// Cosine and sine at the offsets within a block, for h = 1 … H.
    table: Vec<[Column; 2]>,
}

impl Regressors {
    /// Checks the model against the rate.
    ///
    /// # Errors
    /// `FrequencyOutOfRange` unless 0 < frequency ≤ 0.45 × rate; `NoHarmonics` for zero harmonics.
    pub(super) fn new(model: &Model, rate: SamplesPerSecond, samples: usize) -> Result<Self, EstimateError> {
        if model.harmonics == 0 {
            return Err(EstimateError::NoHarmonics);
        }
        let turn = Turn::new(model.frequency, rate);
        let usable = rate.si() > 0.0 && turn.0 > 0.0 && turn.0 <= HIGHEST_SHARE;
        if !usable {
            return Err(EstimateError::FrequencyOutOfRange { frequency: model.frequency, rate });
        }
        let table = (1..=model.harmonics)
            .take_while(|h| f64::from(*h) * turn.0 <= HIGHEST_SHARE)
            .map(|h| {
                let mut pair = [[0.0; BLOCK]; 2];
                let [cos, sin] = &mut pair;
                for (offset, (c, s)) in cos.iter_mut().zip(sin.iter_mut()).enumerate() {
                    let phasor = turn.phasor(h, offset as f64);
                    (*c, *s) = (phasor.re, phasor.im);
                }
                pair
            })
            .collect();
        Ok(Self { turn, samples, drift: model.drift, table })
    }

    pub(super) fn turn(&self) -> Turn {
        self.turn
    }

    /// Number of columns.
    pub(super) fn terms(&self) -> usize {
        self.fundamental() + 2 * self.table.len()
    }

    /// Position of the fundamental's cosine; its sine follows, then the harmonics in pairs.
    pub(super) fn fundamental(&self) -> usize {
        1 + usize::from(self.drift)
    }

    /// Where sample `n` lies in the record: −½ … ½ of its length.
    pub(super) fn position(&self, n: usize) -> f64 {
        (n as f64 - self.centre()) / self.samples as f64
    }

    /// Index of the middle of the record.
    pub(super) fn centre(&self) -> f64 {
        (self.samples as f64 - 1.0) / 2.0
    }

    /// Fills the first [`Self::terms`] columns of `out` for samples `first … first + count`; zero behind them.
    pub(super) fn fill(&self, first: usize, count: usize, out: &mut [Column]) {
        let mut columns = out.iter_mut();
        if let Some(constant) = columns.next() {
            constant.fill(1.0);
        }
        if self.drift
            && let Some(line) = columns.next()
        {
            for (offset, value) in line.iter_mut().enumerate() {
                *value = self.position(first + offset);
            }
        }
        for (harmonic, [table_cos, table_sin]) in (1..).zip(&self.table) {
            let anchor = self.turn.phasor(harmonic, first as f64);
            let (Some(cos), Some(sin)) = (columns.next(), columns.next()) else {
                break;
            };
            let table = table_cos.iter().zip(table_sin);
            for ((c, s), (tc, ts)) in cos.iter_mut().zip(sin.iter_mut()).zip(table) {
                *c = anchor.re * tc - anchor.im * ts;
                *s = anchor.im * tc + anchor.re * ts;
            }
        }
        for column in out {
            column.iter_mut().skip(count).for_each(|value| *value = 0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The reference is the addition theorem with an exactly representable turn: 3/1024 cycle per sample has a
    /// phase without rounding.
    #[test]
    fn no_error_grows_along_the_record() {
        let rate = SamplesPerSecond::new(1024.0);
        let model = Model { frequency: Hertz::new(3.0), harmonics: 9, drift: true };
        let regressors = Regressors::new(&model, rate, 1 << 30).unwrap();
        let mut columns = vec![[0.0; BLOCK]; regressors.terms()];
        for first in [0_usize, 77, 1 << 20, (1 << 29) + 13] {
            regressors.fill(first, BLOCK, &mut columns);
            for (h, pair) in (1..=9_usize).zip(columns[2..].chunks(2)) {
                for (offset, (cos, sin)) in pair[0].iter().zip(&pair[1]).enumerate() {
                    let angle = TAU * ((3 * h * (first + offset)) % 1024) as f64 / 1024.0;
                    assert!((cos - angle.cos()).abs() < 1e-14 && (sin - angle.sin()).abs() < 1e-14);
                }
            }
        }
    }

    #[test]
    fn harmonics_near_the_nyquist_frequency_are_dropped() {
        let rate = SamplesPerSecond::new(1000.0);
        let terms = |frequency, harmonics| {
            Regressors::new(&Model { frequency: Hertz::new(frequency), harmonics, drift: false }, rate, 100)
                .map(|r| r.terms())
        };
        assert_eq!(terms(100.0, 5), Ok(1 + 2 * 4));
        assert_eq!(terms(450.0, 5), Ok(1 + 2));
        assert!(matches!(terms(451.0, 5), Err(EstimateError::FrequencyOutOfRange { .. })));
        assert!(matches!(terms(-1.0, 5), Err(EstimateError::FrequencyOutOfRange { .. })));
        assert!(matches!(terms(f64::NAN, 5), Err(EstimateError::FrequencyOutOfRange { .. })));
        assert_eq!(terms(10.0, 0), Err(EstimateError::NoHarmonics));
    }
}
