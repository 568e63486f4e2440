//! One dwell: the frequency on the reference, all channels at it, and each channel's ratio to the reference with
//! its type A uncertainty.
//!
//! Owns: the order of the passes, which frequency is used, and the statistics of the segments. Must not know what
//! the channels carry.

use super::EstimateError;
use super::fit::{ChannelEstimate, Fit, Residuals};
use super::frequency;
use super::regressors::Model;
use super::segments::segments;
use nalgebra::Complex;
use plan_schema::units::{Fraction, Hertz, Radians, SamplesPerSecond};
use std::ops::Range;

/// A reference whose fundamental is below this many times its own standard uncertainty is silent.
const STANDS_OUT: f64 = 3.0;

/// How the frequency is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FrequencySearch {
    /// Measure it on the reference.
    Measure {
        /// How far source and acquisition may disagree: a relative limit. A record that does not tell the
        /// frequency better than this (a third of it as standard uncertainty) leaves the nominal one in force,
        /// since fitting a frequency that is known better costs certainty of the phase (Andersson and Händel's
        /// rule of parsimony).
        within: Fraction,
    },
    /// Use the nominal frequency as exact: one clock for source and acquisition.
    Nominal,
}

/// What [`dwell`] fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DwellOptions {
    /// Harmonics, the fundamental being the first; at least 1.
    pub harmonics: u32,
    /// Whether a straight line over the dwell is fitted.
    pub drift: bool,
    /// How the frequency is found.
    pub frequency: FrequencySearch,
    /// Segments wanted; with fewer cycles, one for each cycle.
    pub segments: usize,
}

impl Default for DwellOptions {
    /// Five harmonics, drift, frequency within 0.1 %, ten segments.
    fn default() -> Self {
        Self {
            harmonics: 5,
            drift: true,
            frequency: FrequencySearch::Measure { within: Fraction::new(1e-3) },
            segments: 10,
        }
    }
}

/// Where the frequency of a dwell comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FrequencyBasis {
    /// Measured on the reference.
    Measured {
        /// Standard uncertainty from the residual, taken as white.
        uncertainty: Hertz,
    },
    /// The nominal frequency, as asked for.
    Nominal,
    /// The nominal frequency, since the record does not tell it better.
    Unresolved,
}

/// What gave the type A uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TypeABasis {
    /// Scatter of the segments.
    Scatter,
    /// The residual of both channels, taken as white: it was the larger, or there is only one segment.
    Residual,
}

/// A channel against the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioEstimate {
    /// Position of the channel.
    pub channel: usize,
    /// Complex amplitude of the channel over that of the reference.
    pub ratio: Complex<f64>,
    /// Type A standard uncertainty of the magnitude, relative; infinite if the channel shows nothing at all.
    pub u_rel_a: Fraction,
    /// Type A standard uncertainty of the phase; infinite if the channel shows nothing at all.
    pub u_phase_a: Radians,
    /// Degrees of freedom of both: segments − 1, or samples − terms where there is only one segment.
    pub dof: f64,
    /// What gave `u_rel_a`.
    pub magnitude_basis: TypeABasis,
    /// What gave `u_phase_a`.
    pub phase_basis: TypeABasis,
}

/// What a dwell tells.
#[derive(Debug, Clone, PartialEq)]
pub struct DwellEstimate {
    /// Frequency of the fit.
    pub frequency: Hertz,
    /// Where it comes from.
    pub frequency_basis: FrequencyBasis,
    /// Segments, counted from the dwell's first sample. What is left at the end belongs to none, but to the fit.
    pub segments: Vec<Range<usize>>,
    /// Every channel, in the order handed in. The distortion of the motion is that of the reference's channel.
    pub channels: Vec<ChannelEstimate>,
    /// Every channel but the reference against it.
    pub ratios: Vec<RatioEstimate>,
}

/// Estimates one dwell: planar channels in V, all of the same length, contiguous. Phases refer to the first sample.
///
/// # Errors
/// What [`EstimateError`] names. A channel without signal is no error, a reference without signal is.
pub fn dwell(
    channels: &[&[f32]],
    rate: SamplesPerSecond,
    reference: usize,
    nominal: Hertz,
    options: &DwellOptions,
) -> Result<DwellEstimate, EstimateError> {
    let of_reference = *channels
        .get(reference)
        .ok_or(EstimateError::NoSuchReference { reference, channels: channels.len() })?;
    let (frequency, frequency_basis) = find_frequency(of_reference, rate, nominal, options)?;
    let fit = Fit::new(channels, rate, &options.model(frequency))?;
    let segments = segments(fit.regressors().turn(), of_reference.len(), options.segments);
    let residuals = fit.residuals(channels, &segments)?;
    refuse_silence(&fit, &residuals, reference)?;
    let ratios = (0..channels.len())
        .filter(|channel| *channel != reference)
        .map(|channel| ratio(&fit, &residuals, channel, reference))
        .collect();
    let channels = fit.estimates(&residuals, rate);
    Ok(DwellEstimate { frequency, frequency_basis, segments, channels, ratios })
}

impl DwellOptions {
    fn model(&self, frequency: Hertz) -> Model {
        Model { frequency, harmonics: self.harmonics, drift: self.drift }
    }
}

fn find_frequency(
    reference: &[f32],
    rate: SamplesPerSecond,
    nominal: Hertz,
    options: &DwellOptions,
) -> Result<(Hertz, FrequencyBasis), EstimateError> {
    let FrequencySearch::Measure { within } = options.frequency else {
        return Ok((nominal, FrequencyBasis::Nominal));
    };
    let start = frequency::coarse(reference, rate, nominal, within)?;
    let allowed = nominal * within.si();
    match frequency::refine(reference, rate, &options.model(start)) {
        Some(found) if found.uncertainty * STANDS_OUT <= allowed => {
            let off = (found.frequency - nominal).abs();
            if off > allowed + found.uncertainty * STANDS_OUT {
                return Err(EstimateError::FrequencyOff { measured: found.frequency, nominal, allowed });
            }
            Ok((found.frequency, FrequencyBasis::Measured { uncertainty: found.uncertainty }))
        }
        _ => Ok((nominal, FrequencyBasis::Unresolved)),
    }
}

fn refuse_silence(fit: &Fit, residuals: &Residuals, reference: usize) -> Result<(), EstimateError> {
    let fundamental = fit.fundamental(reference);
    let amplitude = fundamental.norm();
    let uncertainty = (fit.unit_variances(fundamental).0 * variance(fit, residuals, reference)).sqrt();
    if amplitude > STANDS_OUT * uncertainty {
        Ok(())
    } else {
        Err(EstimateError::ReferenceSilent { amplitude, uncertainty })
    }
}

/// Variance of a channel's residual.
fn variance(fit: &Fit, residuals: &Residuals, channel: usize) -> f64 {
    residuals.squares.get(channel).copied().unwrap_or_default() / fit.freedom()
}

/// Variances of magnitude (relative) and phase of one channel from its residual, taken as white: about 2σ²/(N A²).
fn from_residual(fit: &Fit, residuals: &Residuals, channel: usize) -> (f64, f64) {
    let fundamental = fit.fundamental(channel);
    let power = fundamental.norm_sqr();
    if power <= 0.0 {
        return (f64::INFINITY, f64::INFINITY);
    }
    let scale = variance(fit, residuals, channel) / power;
    let (along, across) = fit.unit_variances(fundamental);
    (along * scale, across * scale)
}

fn ratio(fit: &Fit, residuals: &Residuals, channel: usize, reference: usize) -> RatioEstimate {
    let (output, input) = (fit.fundamental(channel), fit.fundamental(reference));
    let white = [channel, reference].map(|c| from_residual(fit, residuals, c));
    let [(magnitude, phase), (magnitude_of_reference, phase_of_reference)] = white;
    let mut estimate = RatioEstimate {
        channel,
        ratio: output / input,
        u_rel_a: Fraction::new((magnitude + magnitude_of_reference).sqrt()),
        u_phase_a: Radians::new((phase + phase_of_reference).sqrt()),
        dof: fit.freedom(),
        magnitude_basis: TypeABasis::Residual,
        phase_basis: TypeABasis::Residual,
    };
    // Each segment's ratio over that of the whole dwell: about 1.
    let relative: Vec<Complex<f64>> = residuals
        .departures
        .iter()
        .filter_map(|segment| Some((segment.get(channel)?, segment.get(reference)?)))
        .map(|(of_output, of_input)| (1.0 + of_output / output) / (1.0 + of_input / input))
        .collect();
    if relative.len() < 2 {
        return estimate;
    }
    estimate.dof = relative.len() as f64 - 1.0;
    let scatter = standard_error(relative.iter().map(|r| r.norm()));
    if scatter > estimate.u_rel_a.si() {
        (estimate.u_rel_a, estimate.magnitude_basis) = (Fraction::new(scatter), TypeABasis::Scatter);
    }
    let scatter = standard_error(relative.iter().map(|r| r.arg()));
    if scatter > estimate.u_phase_a.si() {
        (estimate.u_phase_a, estimate.phase_basis) = (Radians::new(scatter), TypeABasis::Scatter);
    }
    estimate
}

/// Standard deviation of the mean (GUM 4.2.3).
fn standard_error(values: impl ExactSizeIterator<Item = f64> + Clone) -> f64 {
    let count = values.len() as f64;
    let mean = values.clone().sum::<f64>() / count;
    let squares: f64 = values.map(|value| (value - mean).powi(2)).sum();
    (squares / (count - 1.0) / count).sqrt()
}
