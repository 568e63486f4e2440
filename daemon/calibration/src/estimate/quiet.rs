//! Channels at rest: zero offset, noise and hum of a block without drive.

use super::EstimateError;
use super::dwell::DwellFit;
use super::fit::{Fit, Solved};
use super::look::Found;
use super::options::{DwellOptions, FrequencySearch};
use plan_schema::mains::LINES;
use plan_schema::units::{Fraction, Hertz, Peak, Rms, SampleCount, SamplesPerSecond, Volts, VoltsDc};

/// How far the mains may be from its nominal frequency.
const MAINS_WITHIN: f64 = 0.01;
/// Hum is there when a line stands out by this many times its standard uncertainty.
const STANDS_OUT: f64 = 5.0;

/// What a channel shows at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct AtRest {
    /// Mean of the block: the zero offset or bias.
    pub mean: VoltsDc,
    /// Standard deviation about the mean, `√(Σ(x − x̄)² / (N − 1))`: noise, hum and drift together.
    pub noise_rms: Volts<Rms>,
    /// Lines of the mains (1 is the mains frequency itself) and their amplitudes, noise included; empty where they
    /// were not looked for or can't be told.
    pub hum: Vec<(u32, Volts<Peak>)>,
}

/// All channels at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct Quiet {
    /// Every channel, in the order handed in.
    pub channels: Vec<AtRest>,
    /// Frequency of the mains, measured on the channel where hum stands out most; `None` if it does on none. The
    /// amplitudes are then those at the nominal frequency: an upper limit, about as large as the noise.
    pub mains: Option<Hertz>,
}

/// Mean, noise and hum of a block in which nothing is driven; `mains` is the nominal frequency.
///
/// # Errors
/// `TooFewSamples` for less than two, `UnequalChannels`, and `NotFinite` for a sample that is no number.
pub fn quiet(channels: &[&[f32]], rate: SamplesPerSecond, mains: Hertz) -> Result<Quiet, EstimateError> {
    let mut rest = channels
        .iter()
        .enumerate()
        .map(|(channel, samples)| {
            at_rest(samples).map_err(|error| match error {
                EstimateError::NotFinite { sample, .. } => EstimateError::NotFinite { channel, sample },
                other => other,
            })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let samples = channels.first().map_or(0, |samples| samples.len());
    let options = DwellOptions {
        harmonics: LINES,
        frequency: FrequencySearch::Measure { within: Fraction::new(MAINS_WITHIN) },
        ..DwellOptions::default()
    };
    // A rate too low for the mains leaves nothing to look for.
    let Ok(mut fit) = DwellFit::new(channels.len(), rate, 0, mains, SampleCount(samples as u64), &options)
    else {
        return Ok(Quiet { channels: rest, mains: None });
    };
    fit.push(channels)?;
    let (fit, frequency) = hum(&mut fit, channels);
    for (channel, solved) in rest.iter_mut().zip(fit.iter().flat_map(|fit| &fit.channels)) {
        let amplitudes = solved.amplitudes();
        channel.hum = (1..).zip(amplitudes.iter().map(|x| Volts::new(x.norm()))).collect();
    }
    Ok(Quiet { channels: rest, mains: frequency })
}

/// All channels fitted at the frequency of the one where hum stands out most, or at the nominal one.
fn hum(record: &mut DwellFit, channels: &[&[f32]]) -> (Option<Fit>, Option<Hertz>) {
    let mut best: Option<(f64, Fit, Found)> = None;
    for reference in 0..channels.len() {
        let tried = record.judged_by(reference, channels, |look, sums| {
            let found = look.find(sums)?;
            let fit = look.fit(found.better.as_ref().unwrap_or(sums), found.turn)?;
            let measured = matches!(found.basis, super::FrequencyBasis::Measured { .. });
            let clear = fit
                .channels
                .get(reference)
                .map_or(0.0, |solved| if measured { clearness(solved) } else { 0.0 });
            Ok::<_, EstimateError>((clear, fit, found))
        });
        if let Ok(tried) = tried
            && tried.0 > best.as_ref().map_or(STANDS_OUT, |(clear, ..)| *clear)
        {
            best = Some(tried);
        }
    }
    if let Some((_, fit, found)) = best {
        return (Some(fit), Some(found.frequency));
    }
    let nominal = record.judged_by(0, channels, |look, sums| {
        look.check(sums)?;
        look.fit(sums, sums.table.turn)
    });
    (nominal.ok(), None)
}

/// How many standard uncertainties the mains frequency itself stands out by.
fn clearness(solved: &Solved) -> f64 {
    let (along, across) = solved.white();
    solved.fundamental().norm() / along.max(across).sqrt()
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
    Ok(AtRest { mean: VoltsDc::new(mean), noise_rms: Volts::new(noise), hum: Vec::new() })
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

    /// Hum on the second channel only, away from the nominal frequency.
    #[test]
    fn hum_is_measured_where_it_stands_out() {
        use rand::SeedableRng;
        use rand_distr::Distribution;
        use std::f64::consts::TAU;
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(2);
        let noise = rand_distr::Normal::new(0.0, 1e-3).unwrap();
        let mut channel = |first: f64, third: f64| -> Vec<f32> {
            (0..6000)
                .map(|n| {
                    let angle = TAU * 50.11 * f64::from(n) / 2000.0;
                    let hum = first * (angle + 0.5).cos() + third * (3.0 * angle).sin();
                    #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
                    let sample = (2.5 + hum + noise.sample(&mut rng)) as f32;
                    sample
                })
                .collect()
        };
        let (still, humming) = (channel(0.0, 0.0), channel(3e-3, 1e-3));
        let rate = SamplesPerSecond::new(2000.0);
        let found = quiet(&[&still, &humming], rate, Hertz::new(50.0)).unwrap();
        assert!((found.mains.unwrap().si() - 50.11).abs() < 0.005, "{found:?}");
        let peaks: Vec<f64> = found.channels[1].hum.iter().map(|(_, peak)| peak.si()).collect();
        for (peak, truth) in peaks.iter().zip([3e-3, 0.0, 1e-3]) {
            assert!((peak - truth).abs() < 1e-4, "{peaks:?}");
        }
        assert!(found.channels[0].hum.iter().all(|(_, peak)| peak.si() < 1e-4));
        assert!((found.channels[1].mean.si() - 2.5).abs() < 1e-4);
        let none = quiet(&[&still, &still], rate, Hertz::new(50.0)).unwrap();
        assert!(none.mains.is_none() && none.channels[0].hum.len() == 3);
        // Too slow to see the mains.
        let slow = quiet(&[&still], SamplesPerSecond::new(80.0), Hertz::new(50.0)).unwrap();
        assert!(slow.mains.is_none() && slow.channels[0].hum.is_empty());
        let mut broken = still.clone();
        broken[77] = f32::NAN;
        let expected = EstimateError::NotFinite { channel: 1, sample: 77 };
        assert_eq!(quiet(&[&still, &broken], rate, Hertz::new(50.0)), Err(expected));
    }
}
