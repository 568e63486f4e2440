//! What is fitted, and exact phases of it. Must not see samples.
//!
//! Sines and exponentials that a result depends on come from `libm` here and in the modules beside, not from the
//! system's library, whose last bits differ between versions and between processors.

use super::EstimateError;
use nalgebra::Complex;
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::f64::consts::TAU;

/// Most samples that share one anchor.
pub(super) const BLOCK: usize = 256;

/// Harmonics above this share of the sample rate are not fitted: too near the Nyquist frequency, where the
/// converter's own filter rules.
pub(super) const HIGHEST_SHARE: f64 = 0.45;

/// Cycles per sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turn(pub(super) f64);

impl Turn {
    pub(super) fn new(frequency: Hertz, rate: SamplesPerSecond) -> Self {
        Self(frequency.si() / rate.si())
    }

    /// `e^{jωn}`. The product is split exactly, so that the phase stays good after millions of cycles.
    pub(super) fn phasor(self, n: f64) -> Complex<f64> {
        let product = self.0 * n;
        let rounded_off = self.0.mul_add(n, -product);
        let (sin, cos) = libm::sincos(TAU * ((product - product.floor()) + rounded_off));
        Complex::new(cos, sin)
    }

    /// Checks a fundamental against the rate; gives how many of the harmonics wanted the rate carries.
    ///
    /// # Errors
    /// `FrequencyOutOfRange` unless 0 < frequency ≤ 0.45 × rate; `NoHarmonics` for zero harmonics.
    pub(super) fn checked(
        frequency: Hertz,
        rate: SamplesPerSecond,
        harmonics: u32,
    ) -> Result<(Self, u32), EstimateError> {
        if harmonics == 0 {
            return Err(EstimateError::NoHarmonics);
        }
        let turn = Self::new(frequency, rate);
        if rate.si() > 0.0 && turn.0 > 0.0 && turn.0 <= HIGHEST_SHARE {
            let usable = (1..=harmonics).take_while(|h| f64::from(*h) * turn.0 <= HIGHEST_SHARE).count();
            Ok((turn, u32::try_from(usable).unwrap_or(harmonics)))
        } else {
            Err(EstimateError::FrequencyOutOfRange { frequency, rate })
        }
    }
}

/// `z, z², z³, …`
pub(super) fn powers(z: Complex<f64>) -> impl Iterator<Item = Complex<f64>> {
    std::iter::successors(Some(z), move |power| Some(power * z))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 3/1024 cycle per sample has a phase without rounding.
    #[test]
    fn no_error_grows_along_the_record() {
        let turn = Turn(3.0 / 1024.0);
        for n in [0_u32, 77, 1 << 20, (1 << 29) + 13] {
            for (h, phasor) in (1..=9_u64).zip(powers(turn.phasor(f64::from(n)))) {
                let cycles = (3 * h * u64::from(n)) % 1024;
                let angle = TAU * cycles as f64 / 1024.0;
                assert!((phasor - Complex::from_polar(1.0, angle)).norm() < 1e-14);
            }
        }
    }

    #[test]
    fn harmonics_near_the_nyquist_frequency_are_dropped() {
        let rate = SamplesPerSecond::new(1000.0);
        let usable = |f, harmonics| Turn::checked(Hertz::new(f), rate, harmonics).map(|(_, usable)| usable);
        assert_eq!(usable(100.0, 5), Ok(4));
        assert_eq!(usable(450.0, 5), Ok(1));
        for wrong in [451.0, -1.0, f64::NAN] {
            assert!(matches!(usable(wrong, 5), Err(EstimateError::FrequencyOutOfRange { .. })));
        }
        assert_eq!(usable(10.0, 0), Err(EstimateError::NoHarmonics));
    }
}
