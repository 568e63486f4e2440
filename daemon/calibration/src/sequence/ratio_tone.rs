//! One voltage in several channels at one frequency: what was recorded of it, and what it says of the channels.
//!
//! Owns: [`RatioTone`]. It depends on job and samples alone, so that a recomputed run says the same. Must not: ask for
//! anything, or correct a result; `evaluate::channels` does that.

use super::input::QuietTime;
use super::measure::fit;
use super::setup::Setup;
use crate::control::SEGMENTS;
use crate::estimate::{Complex, DwellEstimate, DwellOptions, EstimateError, FrequencySearch, dwell};
use plan_schema::chain::{Chain, Transfer};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Fraction, Hertz, Peak, SampleIndex, Volts, engineering};
use std::sync::Arc;

/// Whose voltage a tone is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ToneOf {
    /// The source's, in all channels, before the first motion or after the last.
    Source(QuietTime),
    /// The reference's, in its own channel and in those of the sensors under test, while it moves.
    Reference,
}

/// One tone in several channels.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioTone {
    /// Whose it is.
    pub of: ToneOf,
    /// Number from 0: of the source's its frequency in the plan, of the reference's the point.
    pub number: usize,
    /// First sample.
    pub first_sample: SampleIndex,
    /// Frequency as the source applied it.
    pub applied_frequency: Hertz,
    /// Amplitude as the source applied it.
    pub drive: Volts<Peak>,
    /// Samples, a vector a column, in volts; empty once they are stored.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// What they tell, or why they tell nothing.
    pub estimate: Result<DwellEstimate, EstimateError>,
}

/// How far source and acquisition may disagree about a frequency.
const CLOCKS_WITHIN: Fraction = Fraction::new(1e-3);

/// Signal over noise below which a channel does not show the tone.
const CLEAR_DB: f64 = 40.0;

/// The same of the reference's: a small motion is no better than it is, and its noise is in the budget.
const HEARD_DB: f64 = 20.0;

/// No two channels that work are this far apart beyond what their gains are calibrated to.
const APART: f64 = 0.1;

/// Harmonics that one of two channels shows of one voltage and the other does not, as a share: from here on one is cut off.
const OWN_HARMONICS: f64 = 0.005;

impl RatioTone {
    /// Looks at samples of one tone of the source. `tone` is frequency and amplitude as applied.
    #[must_use]
    pub fn of(
        setup: &Setup,
        (when, number): (QuietTime, usize),
        tone: (Hertz, Volts<Peak>),
        first_sample: SampleIndex,
        samples: Arc<Vec<Vec<f32>>>,
    ) -> Self {
        Self::looked_at(setup, (ToneOf::Source(when), number), tone, first_sample, samples)
    }

    /// Looks at samples of the reference's output in its own and in the sensors' channels, at a point.
    #[must_use]
    pub fn of_reference(
        setup: &Setup,
        point: usize,
        tone: (Hertz, Volts<Peak>),
        first_sample: SampleIndex,
        samples: Arc<Vec<Vec<f32>>>,
    ) -> Self {
        Self::looked_at(setup, (ToneOf::Reference, point), tone, first_sample, samples)
    }

    fn looked_at(
        setup: &Setup,
        (of, number): (ToneOf, usize),
        tone: (Hertz, Volts<Peak>),
        first_sample: SampleIndex,
        samples: Arc<Vec<Vec<f32>>>,
    ) -> Self {
        let job = &setup.job;
        let options = DwellOptions {
            harmonics: job.plan.harmonics.max(1),
            frequency: FrequencySearch::Measure { within: CLOCKS_WITHIN },
            nominal: Some(tone.0),
            segments: SEGMENTS as usize,
            // What the mains truly is was not measured yet, or by other wires.
            mains: Some(job.rig.mains_frequency),
            ..DwellOptions::default()
        };
        let columns: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
        let estimate = match of {
            ToneOf::Source(_) => {
                dwell(&columns, job.rig.acquisition.rate, job.reference.column, tone.0, &options)
            }
            ToneOf::Reference => fit(job, tone.0, &columns, &options),
        };
        Self { of, number, first_sample, applied_frequency: tone.0, drive: tone.1, samples, estimate }
    }

    /// What a column shows over what the reference's shows, beyond what the rig file states of both channels.
    #[must_use]
    pub fn beyond_stated(&self, job: &ResolvedJob, column: usize) -> Option<Complex<f64>> {
        let ratio = self.estimate.as_ref().ok()?.ratios.iter().find(|r| r.channel == column)?.ratio;
        let frequency = self.wanted(job)?;
        let stated = |chain: &Chain| {
            let alone = chain.of_channel_alone().at(frequency);
            alone.map_or(Complex::new(1.0, 0.0), |Transfer { magnitude, phase }| {
                Complex::from_polar(magnitude, phase.si())
            })
        };
        let own = job.chains().find(|(c, _)| *c == column).map(|(_, chain)| stated(chain))?;
        Some(ratio * stated(&job.reference.chain) / own)
    }

    /// Its frequency in the plan.
    #[must_use]
    pub fn wanted(&self, job: &ResolvedJob) -> Option<Hertz> {
        match self.of {
            ToneOf::Source(_) => job.plan.channel_ratio.as_ref()?.frequencies.get(self.number).copied(),
            ToneOf::Reference => job.points.get(self.number).map(|p| p.frequency),
        }
    }

    /// Amplitude in a column, V.
    #[must_use]
    pub fn amplitude(&self, column: usize) -> Option<f64> {
        Some(self.estimate.as_ref().ok()?.channels.get(column)?.amplitude.norm())
    }

    /// Why it can't be used: a channel that does not show the tone, or one that shows quite another.
    #[must_use]
    pub fn fault(&self, job: &ResolvedJob) -> Option<String> {
        let reference = std::iter::once(job.reference.column);
        let mut columns = reference.chain(job.chains().map(|(column, _)| column));
        columns.find_map(|column| self.fault_of(job, column))
    }

    /// Why what a column shows of it can't be used.
    #[must_use]
    pub fn fault_of(&self, job: &ResolvedJob, column: usize) -> Option<String> {
        let at = engineering(self.applied_frequency.si(), "Hz");
        let estimate = match &self.estimate {
            Ok(estimate) => estimate,
            Err(error) => return Some(format!("the tone of {at} can't be fitted: {error}")),
        };
        let name = |column: usize| job.columns.get(column).map_or("", |c| c.name.as_str());
        let (shown, reference) =
            (estimate.channels.get(column)?, estimate.channels.get(job.reference.column)?);
        let least = if self.of == ToneOf::Reference { HEARD_DB } else { CLEAR_DB };
        if shown.snr_db < least {
            return Some(format!(
                "channel '{}' shows {} at {at}, {:.0} dB above its noise: the tone does not get there",
                name(column),
                engineering(shown.amplitude.norm(), "V pk"),
                shown.snr_db
            ));
        }
        let ratio = self.beyond_stated(job, column)?;
        if (ratio - 1.0).norm() > APART {
            return Some(format!(
                "channel '{}' shows {:.2} % of what channel '{}' does at {at}, which no two good channels do",
                name(column),
                ratio.norm() * 100.0,
                name(job.reference.column)
            ));
        }
        let ratio = shown.amplitude / reference.amplitude;
        let own = std::iter::zip(&shown.harmonics, &reference.harmonics)
            .map(|(seen, there)| ((seen - there * ratio).norm() / shown.amplitude.norm()).powi(2))
            .sum::<f64>()
            .sqrt();
        // A fitted harmonic has the noise of the fundamental.
        let noise = estimate.ratios.iter().find(|r| r.channel == column).map_or(0.0, |r| r.u_rel_a.si());
        (self.of == ToneOf::Reference && own > OWN_HARMONICS + 4.0 * noise).then(|| {
            format!(
                "channel '{}' shows {:.2} % of harmonics at {at} that the reference's own channel does not: it may be cut off",
                name(column),
                own * 100.0
            )
        })
    }
}
