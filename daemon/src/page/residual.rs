//! What the fitted model leaves over of a waveform: the same fit as in the run, laid over the samples again.

use crate::record::raw::Raw;
use calibration::estimate::{ChannelEstimate, Complex, DwellEstimate, DwellOptions, FrequencySearch, dwell};
use plan_schema::units::{Hertz, SamplesPerSecond, Seconds};
use std::f64::consts::TAU;

/// A dwell with its fit.
#[derive(Debug)]
pub(super) struct Fitted {
    /// Samples a second.
    pub(super) rate_hz: f64,
    /// The fit.
    pub(super) estimate: DwellEstimate,
    /// Mains frequency of the lines that were fitted.
    mains_hz: Option<f64>,
    /// Time constants of channels with a decay.
    decays_s: Vec<Option<f64>>,
}

/// Fits a dwell by what its file says of how it was fitted.
///
/// # Errors
/// Where the file does not say it, or the fit does not go.
pub(super) fn fit(raw: &Raw, reference: usize) -> Result<Fitted, String> {
    let said = |name: &str| raw.metadata.get(name).map(String::as_str);
    let number = |name: &str| {
        said(name)
            .and_then(|text| text.parse::<f64>().ok())
            .ok_or_else(|| format!("the file does not say {name}"))
    };
    let rate_hz = number("rate_hz")?;
    let lines: Vec<f64> =
        said("model_mains_hz").unwrap_or_default().split(',').filter_map(|t| t.parse().ok()).collect();
    let decays_s: Vec<Option<f64>> = match said("model_decays_s") {
        None | Some("") => vec![None; raw.columns.len()],
        Some(text) => text.split(',').map(|t| t.parse().ok()).collect(),
    };
    let harmonics = said("model_harmonics").and_then(|t| t.parse().ok()).unwrap_or(5);
    let mains_hz = mains_of(&lines);
    let options = DwellOptions {
        harmonics,
        frequency: FrequencySearch::Nominal,
        mains: mains_hz.map(Hertz::new),
        decays: decays_s.iter().map(|s| s.map(Seconds::new)).collect(),
        ..DwellOptions::default()
    };
    let columns: Vec<&[f32]> = raw.columns.iter().map(Vec::as_slice).collect();
    let frequency = Hertz::new(number("fitted_frequency_hz")?);
    let estimate = dwell(&columns, SamplesPerSecond::new(rate_hz), reference, frequency, &options)
        .map_err(|e| e.to_string())?;
    Ok(Fitted { rate_hz, estimate, mains_hz, decays_s })
}

/// The mains frequency that lines are multiples of.
fn mains_of(lines: &[f64]) -> Option<f64> {
    let lowest = lines.iter().copied().fold(f64::INFINITY, f64::min);
    (1..=20).map(|n| lowest / f64::from(n)).find(|f| {
        let whole = |line: &f64| (line / f - (line / f).round()).abs() < 1e-6;
        (40.0..70.0).contains(f) && lines.iter().all(whole)
    })
}

impl Fitted {
    /// What is left of a channel, V.
    pub(super) fn residual(&self, samples: &[f32], channel: usize) -> Option<Vec<f64>> {
        let fitted = self.estimate.channels.get(channel)?;
        let tones = self.tones(fitted);
        let decay = fitted.decay.zip(self.decays_s.get(channel).copied().flatten());
        #[expect(clippy::cast_precision_loss, reason = "an index of samples")]
        let centre = (samples.len().saturating_sub(1)) as f64 / 2.0;
        let left = samples.iter().enumerate().map(|(n, sample)| {
            #[expect(clippy::cast_precision_loss, reason = "an index of samples")]
            let n = n as f64;
            let straight = fitted.offset.si() + fitted.drift * (n - centre) / self.rate_hz;
            let tones: f64 = tones
                .iter()
                .map(|(frequency, x)| {
                    let phase = TAU * frequency * n / self.rate_hz;
                    x.re * phase.cos() - x.im * phase.sin()
                })
                .sum();
            let decay = decay.map_or(0.0, |(start, constant)| start * (-n / self.rate_hz / constant).exp());
            f64::from(*sample) - straight - tones - decay
        });
        Some(left.collect())
    }

    /// Every tone of a channel's model with its frequency.
    fn tones(&self, fitted: &ChannelEstimate) -> Vec<(f64, Complex<f64>)> {
        let f = self.estimate.frequency.si();
        let harmonics = std::iter::zip(2_u32.., &fitted.harmonics).map(|(n, x)| (f64::from(n) * f, *x));
        let mains = self.mains_hz.unwrap_or(0.0);
        let lines = fitted.mains.iter().map(|(n, x)| (f64::from(*n) * mains, *x));
        std::iter::once((f, fitted.amplitude)).chain(harmonics).chain(lines).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// A sine with offset, slope, a harmonic and noise-like rest: what is left is the rest, by the estimator's own figure too.
    #[test]
    fn what_is_left_is_what_was_not_modelled() {
        let rate = 2000.0;
        let rest = |n: f64| 1e-4 * (TAU * 333.3 * n / rate).cos();
        let column: Vec<f32> = (0..4000_u32)
            .map(|n| {
                let n = f64::from(n);
                let t = n / rate;
                #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
                let v =
                    (0.2 + 0.01 * t + (TAU * 16.0 * t + 0.3).cos() + 0.01 * (TAU * 32.0 * t).sin() + rest(n))
                        as f32;
                v
            })
            .collect();
        let metadata = BTreeMap::from(
            [
                ("rate_hz", "2000"),
                ("fitted_frequency_hz", "16"),
                ("model_harmonics", "3"),
                ("model_decays_s", ""),
            ]
            .map(|(k, v)| (k.to_owned(), v.to_owned())),
        );
        let raw = Raw { names: vec!["a".into()], columns: vec![column], metadata };
        let fitted = fit(&raw, 0).unwrap();
        let left = fitted.residual(&raw.columns[0], 0).unwrap();
        let rms = (left.iter().map(|r| r * r).sum::<f64>() / 4000.0).sqrt();
        let expected = 1e-4 / 2.0_f64.sqrt();
        assert!((rms / expected - 1.0).abs() < 0.01, "{rms}");
        let told = fitted.estimate.channels[0].residual_rms.si();
        assert!((rms / told - 1.0).abs() < 0.01, "{rms} {told}");
    }

    #[test]
    fn the_mains_are_found_from_their_lines() {
        assert_eq!(mains_of(&[50.0, 150.0]), Some(50.0));
        assert_eq!(mains_of(&[119.8, 239.6]), Some(59.9));
        assert_eq!(mains_of(&[]), None);
    }
}
