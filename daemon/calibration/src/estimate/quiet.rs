//! Channels at rest: zero offset and noise of a block without drive.

use super::EstimateError;
use plan_schema::units::{Rms, Volts, VoltsDc};

/// What a channel shows at rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtRest {
    /// Mean of the block: the zero offset or bias.
    pub mean: VoltsDc,
    /// Standard deviation about the mean, `√(Σ(x − x̄)² / (N − 1))`: noise, hum and drift together.
    pub noise_rms: Volts<Rms>,
}

/// Mean and noise of a block in which nothing is driven.
///
/// # Errors
/// `TooFewSamples` for less than two, `NotFinite` (as channel 0) for a sample that is no number.
pub fn at_rest(samples: &[f32]) -> Result<AtRest, EstimateError> {
    if samples.len() < 2 {
        return Err(EstimateError::TooFewSamples { samples: samples.len(), needed: 2 });
    }
    if let Some(sample) = samples.iter().position(|v| !v.is_finite()) {
        return Err(EstimateError::NotFinite { channel: 0, sample });
    }
    let mean = samples.iter().map(|v| f64::from(*v)).sum::<f64>() / samples.len() as f64;
    let squares: f64 = samples.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum();
    let noise = (squares / (samples.len() as f64 - 1.0)).sqrt();
    Ok(AtRest { mean: VoltsDc::new(mean), noise_rms: Volts::new(noise) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_and_deviation() {
        let rest = at_rest(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]).unwrap();
        assert!((rest.mean.si() - 5.0).abs() < 1e-15);
        assert!((rest.noise_rms.si() - (32.0_f64 / 7.0).sqrt()).abs() < 1e-15);
    }

    /// A small noise on a large bias must not drown in rounding.
    #[test]
    fn noise_on_a_bias() {
        let samples: Vec<f32> = (0..10_000).map(|n| if n % 2 == 0 { 12.0 } else { 12.000_01 }).collect();
        let rest = at_rest(&samples).unwrap();
        let step = f64::from(12.000_01_f32) - 12.0;
        assert!((rest.noise_rms.si() / (step / 2.0) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn what_can_not_be_judged_is_refused() {
        assert_eq!(at_rest(&[1.0]), Err(EstimateError::TooFewSamples { samples: 1, needed: 2 }));
        assert_eq!(at_rest(&[1.0, f32::NAN]), Err(EstimateError::NotFinite { channel: 0, sample: 1 }));
    }
}
