//! One voltage in all channels at one frequency: what was recorded of it, and what it says of the channels.
//!
//! Owns: [`RatioTone`]. It depends on job and samples alone, so that a recomputed run says the same. Must not: ask for
//! anything, or correct a result; `evaluate::channels` does that.

use super::input::QuietTime;
use super::setup::Setup;
use crate::control::SEGMENTS;
use crate::estimate::{Complex, DwellEstimate, DwellOptions, EstimateError, FrequencySearch, dwell};
use plan_schema::chain::{Chain, Transfer};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Fraction, Hertz, Peak, SampleIndex, Volts, engineering};
use std::sync::Arc;

/// One tone in all channels.
#[derive(Debug, Clone, PartialEq)]
pub struct RatioTone {
    /// Before the first motion or after the last.
    pub when: QuietTime,
    /// Number of its frequency in the plan, from 0.
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

/// No two channels that work are this far apart beyond what their gains are calibrated to.
const APART: f64 = 0.1;

impl RatioTone {
    /// Looks at samples of one tone. `tone` is frequency and amplitude as applied.
    #[must_use]
    pub fn of(
        setup: &Setup,
        (when, number): (QuietTime, usize),
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
            // What the mains truly is was not measured yet.
            mains: Some(job.rig.mains_frequency),
            ..DwellOptions::default()
        };
        let columns: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
        let estimate = dwell(&columns, job.rig.acquisition.rate, job.reference.column, tone.0, &options);
        Self { when, number, first_sample, applied_frequency: tone.0, drive: tone.1, samples, estimate }
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
        job.plan.channel_ratio.as_ref()?.frequencies.get(self.number).copied()
    }

    /// Why it can't be used: a channel that does not show the tone, or one that shows quite another.
    #[must_use]
    pub fn fault(&self, job: &ResolvedJob) -> Option<String> {
        let at = engineering(self.applied_frequency.si(), "Hz");
        let estimate = match &self.estimate {
            Ok(estimate) => estimate,
            Err(error) => return Some(format!("the tone of {at} can't be fitted: {error}")),
        };
        let name = |column: usize| job.columns.get(column).map_or("", |c| c.name.as_str());
        let reference = std::iter::once(job.reference.column);
        for column in reference.chain(job.chains().map(|(column, _)| column)) {
            let shown = estimate.channels.get(column)?;
            if shown.snr_db < CLEAR_DB {
                return Some(format!(
                    "channel '{}' shows {} at {at}, {:.0} dB above its noise: the tone does not get there",
                    name(column),
                    engineering(shown.amplitude.norm(), "V pk"),
                    shown.snr_db
                ));
            }
            let Some(ratio) = self.beyond_stated(job, column) else { continue };
            if (ratio - 1.0).norm() > APART {
                return Some(format!(
                    "channel '{}' shows {:.2} % of what channel '{}' does at {at}, which no two good channels do",
                    name(column),
                    ratio.norm() * 100.0,
                    name(job.reference.column)
                ));
            }
        }
        None
    }
}
