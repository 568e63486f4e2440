//! A dwell with gaps: contiguous parts, each fitted for itself at one common frequency.
//!
//! Owns: the common frequency and joining the parts. Phases are never joined across a gap, since nobody knows how long
//! it was to a fraction of a cycle.

use super::EstimateError;
use super::dwell::{DwellEstimate, DwellFit, FrequencyBasis};
use super::fit::ChannelEstimate;
use super::frequency::Measured;
use super::model::Turn;
use super::options::{DwellOptions, FrequencySearch};
use super::ratio::{RatioEstimate, with_scatter};
use nalgebra::Complex;
use plan_schema::units::{Fraction, Hertz, Radians, SampleCount, SamplesPerSecond, Volts, VoltsDc};
use std::f64::consts::SQRT_2;

/// Estimates a dwell of several contiguous parts (each planar channels in V, of the same length). The parts are the
/// segments, weighted by their length; ranges count the samples without the gaps. Amplitudes are means over the parts
/// with phases against the reference's fundamental, which itself is real; amplitudes of mains lines are root mean
/// squares without a phase. A trend is not told.
///
/// # Errors
/// What [`EstimateError`] names, for any of the parts; `TooFewSamples` if there is no part.
pub fn gated(
    parts: &[Vec<&[f32]>],
    rate: SamplesPerSecond,
    reference: usize,
    start: Hertz,
    options: &DwellOptions,
) -> Result<DwellEstimate, EstimateError> {
    if parts.is_empty() {
        return Err(EstimateError::TooFewSamples { samples: 0, needed: 1 });
    }
    let (frequency, frequency_basis) = common_frequency(parts, rate, reference, start, options)?;
    let known =
        DwellOptions { frequency: FrequencySearch::Nominal, segments: 1, base: None, ..options.clone() };
    let found = parts
        .iter()
        .map(|part| super::dwell(part, rate, reference, frequency, &known))
        .collect::<Result<Vec<_>, _>>()?;
    let mut next = 0;
    let segments: Vec<_> = parts
        .iter()
        .map(|part| {
            let first = next;
            next += part.first().map_or(0, |samples| samples.len());
            first..next
        })
        .collect();
    let weights: Vec<f64> = segments.iter().map(|part| part.len() as f64 / next as f64).collect();
    let Some(first) = found.first() else {
        return Err(EstimateError::TooFewSamples { samples: 0, needed: 1 });
    };
    let passes = if frequency_basis == FrequencyBasis::Nominal { 1 } else { 2 };
    Ok(DwellEstimate {
        frequency,
        frequency_basis,
        channels: (0..first.channels.len())
            .map(|channel| joined(&found, &weights, channel, reference))
            .collect(),
        ratios: (0..first.ratios.len()).filter_map(|at| ratio(&found, &weights, at)).collect(),
        segments,
        trend: None,
        passes,
    })
}

/// The frequencies of the parts, weighted by what each tells.
fn common_frequency(
    parts: &[Vec<&[f32]>],
    rate: SamplesPerSecond,
    reference: usize,
    start: Hertz,
    options: &DwellOptions,
) -> Result<(Hertz, FrequencyBasis), EstimateError> {
    let (mut weight, mut off) = (0.0, 0.0);
    let mut accepted = None;
    let origin = Turn::new(start, rate).0;
    for part in parts {
        let longest = SampleCount(part.first().map_or(0, |samples| samples.len()) as u64);
        let options = DwellOptions { base: None, ..options.clone() };
        let mut fit = DwellFit::new(part.len(), rate, reference, start, longest, &options)?;
        fit.push(part)?;
        accepted = fit.judged_by(reference, part, |look, sums| {
            look.check(sums)?;
            if options.frequency == FrequencySearch::Nominal {
                return Ok(None);
            }
            if let (Some(measured), ..) = look.measure(sums)
                && measured.uncertainty > 0.0
            {
                let own = 1.0 / (measured.uncertainty * measured.uncertainty);
                weight += own;
                off += own * (measured.turn.0 - origin);
            }
            let together = Measured {
                turn: Turn(origin + off / weight),
                uncertainty: (1.0 / weight).sqrt(),
                far: false,
            };
            look.accept((weight > 0.0).then_some(together))
        })?;
    }
    Ok(match (options.frequency, accepted) {
        (FrequencySearch::Nominal, _) => (start, FrequencyBasis::Nominal),
        (_, None) => (start, FrequencyBasis::Unresolved),
        (_, Some((frequency, uncertainty, _))) => (frequency, FrequencyBasis::Measured { uncertainty }),
    })
}

fn ratio(found: &[DwellEstimate], weights: &[f64], at: usize) -> Option<RatioEstimate> {
    let parts: Vec<&RatioEstimate> = found.iter().filter_map(|part| part.ratios.get(at)).collect();
    let mean: Complex<f64> = parts.iter().zip(weights).map(|(part, w)| part.ratio * *w).sum();
    let relative: Vec<Complex<f64>> = parts.iter().map(|part| part.ratio / mean).collect();
    let white = |u: fn(&RatioEstimate) -> f64| {
        parts.iter().zip(weights).map(|(part, w)| (w * u(part)).powi(2)).sum::<f64>().sqrt()
    };
    let estimate = RatioEstimate {
        ratio: mean,
        u_rel_a: Fraction::new(white(|part| part.u_rel_a.si())),
        u_phase_a: Radians::new(white(|part| part.u_phase_a.si())),
        dof: parts.iter().map(|part| part.dof).sum(),
        dof_phase: parts.iter().map(|part| part.dof_phase).sum(),
        ..(*parts.first()?).clone()
    };
    Some(with_scatter(estimate, &relative, weights))
}

fn joined(found: &[DwellEstimate], weights: &[f64], channel: usize, reference: usize) -> ChannelEstimate {
    let parts: Vec<(&ChannelEstimate, Complex<f64>, f64)> = found
        .iter()
        .zip(weights)
        .filter_map(|(part, w)| {
            let of_reference = part.channels.get(reference)?.amplitude;
            Some((part.channels.get(channel)?, of_reference.conj() / of_reference.norm(), *w))
        })
        .collect();
    let mean = |value: &dyn Fn(&ChannelEstimate) -> f64| {
        parts.iter().map(|(part, _, w)| w * value(part)).sum::<f64>()
    };
    let amplitude: Complex<f64> = parts.iter().map(|(part, back, w)| part.amplitude * back * *w).sum();
    let orders = parts.iter().map(|(part, ..)| part.harmonics.len()).min().unwrap_or_default();
    let harmonics: Vec<Complex<f64>> = (0..orders)
        .zip(2_i32..)
        .map(|(at, h)| {
            let own =
                parts.iter().filter_map(|(part, back, w)| Some(*part.harmonics.get(at)? * back.powi(h) * *w));
            own.sum()
        })
        .collect();
    // Lines that every part could carry.
    let lines = parts.first().map_or(&[][..], |(part, ..)| &part.mains);
    let line = |number: u32| -> Option<(u32, Complex<f64>)> {
        let mut squares = 0.0;
        for (part, _, w) in &parts {
            squares += w * part.mains.iter().find(|(own, _)| *own == number)?.1.norm_sqr();
        }
        Some((number, Complex::new(squares.sqrt(), 0.0)))
    };
    let residual = mean(&|part| part.residual_rms.si().powi(2)).sqrt();
    let distortion = harmonics.iter().map(|x| x.norm_sqr()).sum::<f64>().sqrt();
    let fundamental = amplitude.norm();
    ChannelEstimate {
        amplitude,
        offset: VoltsDc::new(mean(&|part| part.offset.si())),
        drift: mean(&|part| part.drift),
        thd: (!harmonics.is_empty() && fundamental > 0.0).then(|| distortion / fundamental),
        harmonics,
        mains: lines.iter().filter_map(|(number, _)| line(*number)).collect(),
        decay: parts.first().and_then(|(part, ..)| part.decay),
        residual_rms: Volts::new(residual),
        snr_db: 20.0 * (fundamental / SQRT_2 / residual).log10(),
    }
}
