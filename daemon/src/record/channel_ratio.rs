//! The ratio of channels as a run measured it: entries of the journal, and what `result.json` says of it.
//!
//! Owns their shape, and the way there from the core. Must not compute: ratios come from the core.

use super::convert::{cable, routed_by};
use super::words::vocabulary;
use calibration::evaluate::RunFacts;
use calibration::sequence::{self, QuietTime, RatioTone, ToneOf};
use plan_schema::plan::Method;
use plan_schema::resolve::ResolvedJob;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

vocabulary! {
    /// Who changed what the channels are connected to.
    RoutedBy {
        /// A switch of the rig.
        Switch = "switch",
        /// A person, who confirmed that.
        Person = "person",
    }
}

vocabulary! {
    /// Where a person took which cables.
    Cable {
        /// To the channels, by way of a distribution box, and off the amplifier.
        ToChannels = "to_channels",
        /// Back to the amplifier, and every transducer to its channel.
        ToAmplifier = "to_amplifier",
        /// The reference's to the channels of the sensors in place of these.
        ReferenceToChannels = "reference_to_channels",
        /// Every sensor's to its channel again.
        SensorsToChannels = "sensors_to_channels",
    }
}

/// One voltage in all channels at a frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RatioToneEntry {
    /// True for those before the first motion, false for those after the last.
    pub before: bool,
    /// Number of its frequency in the plan, from 1.
    pub tone: u64,
    /// Index of its first sample.
    pub first_sample: u64,
    /// Frequency as the source applied it.
    pub applied_frequency_hz: f64,
    /// Amplitude as the source applied it.
    pub drive_v_peak: f64,
    /// SHA-256 of its raw file, which is also the file's name.
    pub raw_sha256: String,
}

/// A person moved cables; the time is that of the entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ConfirmedEntry {
    /// Where.
    pub cable: Cable,
    /// Who.
    pub name: String,
}

/// The ratio of channels as the run measured it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelRatioRecord {
    /// Who took the source's output to the channels.
    pub by: RoutedBy,
    /// What persons confirmed; empty for a switch.
    pub confirmed: Vec<ConfirmationRecord>,
    /// Every channel that was compared with the reference's.
    pub channels: Vec<ChannelRatios>,
}

/// A person moved cables.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConfirmationRecord {
    /// Where.
    pub cable: Cable,
    /// Who.
    pub name: String,
    /// When that was recorded.
    pub at_utc: String,
}

/// One channel against the reference's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelRatios {
    /// Name of the channel.
    pub channel: String,
    /// Serial number of what is connected to it otherwise.
    pub serial: String,
    /// The tones, in order of time.
    pub tones: Vec<ToneRatio>,
}

/// What one tone showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ToneRatio {
    /// True before the first motion, false after the last.
    pub before: bool,
    /// Frequency of the plan.
    pub frequency_hz: f64,
    /// What the channel showed.
    #[serde(flatten)]
    pub shown: Shown,
}

/// What a channel shows of a tone over what the reference's does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shown {
    /// The channel over the reference's, magnitude, beyond what the rig file states of both; null where nothing could be fitted.
    pub ratio: Option<f64>,
    /// Its phase.
    pub phase_deg: Option<f64>,
    /// Standard uncertainty of the magnitude by scatter, relative.
    pub type_a_percent: Option<f64>,
    /// Standard uncertainty of the phase by scatter.
    pub type_a_deg: Option<f64>,
    /// Degrees of freedom of the former; null when they are without limit.
    pub dof: Option<f64>,
}

/// What persons confirmed in a run.
#[must_use]
pub fn confirmed(facts: &RunFacts) -> Vec<ConfirmationRecord> {
    let of = |(way, name, at): &(sequence::Cable, String, String)| ConfirmationRecord {
        cable: cable(*way),
        name: name.clone(),
        at_utc: at.clone(),
    };
    facts.confirmed.iter().map(of).collect()
}

impl RatioToneEntry {
    /// The entry of a tone whose waveforms have this hash.
    #[must_use]
    pub fn of(tone: &RatioTone, raw_sha256: String) -> Self {
        Self {
            before: tone.of == ToneOf::Source(QuietTime::Before),
            tone: tone.number as u64 + 1,
            first_sample: tone.first_sample.0,
            applied_frequency_hz: tone.applied_frequency.si(),
            drive_v_peak: tone.drive.si(),
            raw_sha256,
        }
    }
}

impl ChannelRatioRecord {
    /// What a run measured; `None` where it measured no ratio of channels.
    #[must_use]
    pub fn of(job: &ResolvedJob, facts: &RunFacts) -> Option<Self> {
        let asked = job.plan.method == Method::Comparison;
        let route = job.rig.channel_ratio.as_ref().filter(|_| asked && !facts.channels.is_empty())?;
        let serial = |column: usize| {
            let mut mounted = job.sensors.iter().chain(&job.check_standards);
            let of_sensor = mounted.find(|s| s.column == column).map(|s| s.sensor.serial.clone());
            let second = job.second_reference.as_ref().map(|r| r.reference.serial.clone());
            of_sensor.or(second).unwrap_or_default()
        };
        let of_channel = |column: usize| ChannelRatios {
            channel: job.columns.get(column).map(|c| c.name.clone()).unwrap_or_default(),
            serial: serial(column),
            tones: facts.channels.iter().map(|tone| ToneRatio::of(job, tone, column)).collect(),
        };
        Some(Self {
            by: routed_by(route.by),
            confirmed: confirmed(facts),
            channels: job.chains().map(|(column, _)| of_channel(column)).collect(),
        })
    }

    /// The channel that carries a sensor.
    #[must_use]
    pub fn of_serial(&self, serial: &str) -> Option<&ChannelRatios> {
        self.channels.iter().find(|c| c.serial == serial)
    }
}

impl ToneRatio {
    fn of(job: &ResolvedJob, tone: &RatioTone, column: usize) -> Self {
        Self {
            before: tone.of == ToneOf::Source(QuietTime::Before),
            frequency_hz: tone.wanted(job).unwrap_or(tone.applied_frequency).si(),
            shown: Shown::of(job, tone, column),
        }
    }
}

impl Shown {
    pub(super) fn of(job: &ResolvedJob, tone: &RatioTone, column: usize) -> Self {
        let ratio = tone.beyond_stated(job, column);
        let estimate = tone.estimate.as_ref().ok();
        let fitted = estimate.and_then(|e| e.ratios.iter().find(|r| r.channel == column));
        let finite = |value: f64| value.is_finite().then_some(value);
        Self {
            ratio: ratio.and_then(|r| finite(r.norm())),
            phase_deg: ratio.and_then(|r| finite(r.arg().to_degrees())),
            type_a_percent: fitted.and_then(|r| finite(r.u_rel_a.percent())),
            type_a_deg: fitted.and_then(|r| finite(r.u_phase_a.degrees())),
            dof: fitted.and_then(|r| finite(r.dof)),
        }
    }
}
