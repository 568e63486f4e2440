//! One dwell, as it grows: the frequency on the reference, all channels at it, and each channel's ratio to the reference
//! with its type A uncertainty.
//!
//! Owns: the record under way and what is told of it. Must not know what the channels carry; `look` does the work.

use super::EstimateError;
use super::fit::ChannelEstimate;
use super::look::Look;
use super::model::Turn;
use super::options::{DwellOptions, FrequencySearch};
use super::ratio::RatioEstimate;
use super::segments::Cut;
use super::sums::Sums;
use super::table::Table;
use plan_schema::mains;
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond, Seconds};
use std::ops::Range;

/// Shortest time constant, samples.
const SHORTEST_DECAY: f64 = 1.0;

/// Where the frequency of a dwell comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FrequencyBasis {
    /// Measured on the reference.
    Measured {
        /// Standard uncertainty from the residual, taken as white.
        uncertainty: Hertz,
    },
    /// The start, as asked for.
    Nominal,
    /// The start, since the record does not tell it better.
    Unresolved,
}

/// Relative change of the reference's amplitude over the record, as a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Change from the first sample to the last, relative to the amplitude.
    pub change: f64,
    /// Its standard uncertainty from the residual, taken as white.
    pub uncertainty: f64,
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
    /// How the motion changed during the dwell. `None` where the record does not tell it.
    pub trend: Option<Trend>,
    /// Passes over the samples that it took: one where the start was good.
    pub passes: u32,
}

/// A dwell under way.
#[derive(Debug, Clone)]
pub struct DwellFit {
    sums: Sums,
    rate: SamplesPerSecond,
    reference: usize,
    start: Hertz,
    options: DwellOptions,
}

/// Estimates one dwell: planar channels in V, all of the same length, contiguous. Phases refer to the first sample.
/// `start` is the best frequency known beforehand.
///
/// # Errors
/// What [`EstimateError`] names. A channel without signal is no error, a reference without signal is.
pub fn dwell(
    channels: &[&[f32]],
    rate: SamplesPerSecond,
    reference: usize,
    start: Hertz,
    options: &DwellOptions,
) -> Result<DwellEstimate, EstimateError> {
    let longest = SampleCount(channels.first().map_or(0, |samples| samples.len()) as u64);
    let mut fit = DwellFit::new(channels.len(), rate, reference, start, longest, options)?;
    fit.push(channels)?;
    fit.look(channels)
}

impl DwellFit {
    /// Makes room for `longest` samples; a longer record takes more as it comes.
    ///
    /// # Errors
    /// If there is no such reference, or if frequency, harmonics or a time constant can't be fitted at this rate.
    pub fn new(
        channels: usize,
        rate: SamplesPerSecond,
        reference: usize,
        start: Hertz,
        longest: SampleCount,
        options: &DwellOptions,
    ) -> Result<Self, EstimateError> {
        if reference >= channels {
            return Err(EstimateError::NoSuchReference { reference, channels });
        }
        let (turn, harmonics) = Turn::checked(start, rate, options.harmonics)?;
        let lines: Vec<Turn> = match options.mains {
            Some(mains) => {
                (1..=mains::LINES).map(|k| Turn(f64::from(k) * Turn::new(mains, rate).0)).collect()
            }
            None => Vec::new(),
        };
        let decays = decays(channels, rate, &options.decays)?;
        let nearby = matches!(options.frequency, FrequencySearch::Measure { .. });
        let table = Table::new(turn, harmonics, nearby, &lines, &decays);
        let length = |count: SampleCount| usize::try_from(count.0).unwrap_or(usize::MAX);
        let base = options.base.map_or(length(longest), length);
        let cut = Cut::new(turn, base, options.segments, options.within());
        let sums = Sums::new(table, cut, channels, length(longest));
        Ok(Self { sums, rate, reference, start, options: options.clone() })
    }

    /// Samples of each channel so far.
    #[must_use]
    pub fn samples(&self) -> SampleCount {
        SampleCount(self.sums.samples() as u64)
    }

    /// Takes the samples that follow those of the last call, V. Allocates nothing up to the longest length.
    ///
    /// # Errors
    /// If there are not as many channels as there should be, or if they are not equally long.
    pub fn push(&mut self, channels: &[&[f32]]) -> Result<(), EstimateError> {
        let expected = self.sums.bases.len();
        if channels.len() != expected {
            return Err(EstimateError::OtherChannels { channels: channels.len(), expected });
        }
        let expected = channels.first().map_or(0, |samples| samples.len());
        if let Some((channel, samples)) = unequal(channels, expected) {
            return Err(EstimateError::UnequalChannels { channel, samples, expected });
        }
        self.sums.push(channels);
        Ok(())
    }

    /// What the record tells as it stands. `kept` are the samples pushed so far; they are gone over again if the
    /// frequency is found to be so far from the start that the sums do not tell everything to eleven digits.
    ///
    /// # Errors
    /// What [`EstimateError`] names.
    pub fn look(&mut self, kept: &[&[f32]]) -> Result<DwellEstimate, EstimateError> {
        let expected = self.sums.samples();
        if kept.len() != self.sums.bases.len() {
            return Err(EstimateError::OtherChannels {
                channels: kept.len(),
                expected: self.sums.bases.len(),
            });
        }
        if let Some((channel, samples)) = unequal(kept, expected) {
            return Err(EstimateError::UnequalChannels { channel, samples, expected });
        }
        self.judged_by(self.reference, kept, |look, sums| look.estimate(sums))
    }

    /// Has the record as it stands judged, with one of the channels as reference.
    pub(super) fn judged_by<R>(
        &mut self,
        reference: usize,
        kept: &[&[f32]],
        judge: impl FnOnce(&Look<'_>, &Sums) -> R,
    ) -> R {
        let look = Look { rate: self.rate, reference, start: self.start, options: &self.options, kept };
        self.sums.with_all(|sums| judge(&look, sums))
    }
}

fn unequal(channels: &[&[f32]], expected: usize) -> Option<(usize, usize)> {
    channels.iter().map(|samples| samples.len()).enumerate().find(|(_, samples)| *samples != expected)
}

/// Time constants in samples, one entry a channel.
fn decays(
    channels: usize,
    rate: SamplesPerSecond,
    decays: &[Option<Seconds>],
) -> Result<Vec<Option<f64>>, EstimateError> {
    (0..channels)
        .map(|channel| match decays.get(channel).copied().flatten() {
            None => Ok(None),
            Some(constant) => {
                let samples = constant.si() * rate.si();
                let usable = samples >= SHORTEST_DECAY && samples.is_finite();
                if usable {
                    Ok(Some(samples))
                } else {
                    Err(EstimateError::DecayOutOfRange { channel, constant })
                }
            }
        })
        .collect()
}
