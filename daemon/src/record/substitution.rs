//! Reference and sensors through the same channels, as a run measured it: entries of the journal, and what `result.json` says of
//! it.
//!
//! Owns their shape, and the way there from the core. Must not compute: ratios come from the core.

use super::channel_ratio::{ConfirmationRecord, RoutedBy, Shown, confirmed};
use super::convert::routed_by;
use calibration::evaluate::RunFacts;
use calibration::sequence::{RatioTone, Setup, ToneOf};
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A point with the reference in the sensors' channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SubstitutedEntry {
    /// Number of the point, from 1.
    pub point: u64,
    /// Index of its first sample.
    pub first_sample: u64,
    /// Frequency as the source applied it.
    pub applied_frequency_hz: f64,
    /// Drive as the source applied it.
    pub drive_v_peak: f64,
    /// SHA-256 of its raw file, which is also the file's name.
    pub raw_sha256: String,
}

/// The reference through the channels of the sensors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubstitutionRecord {
    /// Who exchanged reference and sensors.
    pub by: RoutedBy,
    /// What persons confirmed; empty for a switch.
    pub confirmed: Vec<ConfirmationRecord>,
    /// The channel of each sensor.
    pub channels: Vec<SubstitutedChannel>,
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubstitutedChannel {
    /// Name of the channel.
    pub channel: String,
    /// Serial number of the sensor that was measured through it.
    pub serial: String,
    /// What it showed of the reference, in order of time.
    pub points: Vec<SubstitutedPoint>,
}

/// What a channel showed of the reference at a point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubstitutedPoint {
    /// Frequency of the plan.
    pub frequency_hz: f64,
    /// What the channel showed.
    #[serde(flatten)]
    pub shown: Shown,
}

impl SubstitutedEntry {
    /// The entry of a tone whose waveforms have this hash.
    #[must_use]
    pub fn of(tone: &RatioTone, raw_sha256: String) -> Self {
        Self {
            point: tone.number as u64 + 1,
            first_sample: tone.first_sample.0,
            applied_frequency_hz: tone.applied_frequency.si(),
            drive_v_peak: tone.drive.si(),
            raw_sha256,
        }
    }
}

impl SubstitutionRecord {
    /// What a run measured; `None` where the plan wants no substitution.
    #[must_use]
    pub fn of(setup: &Setup, facts: &RunFacts) -> Option<Self> {
        let (way, job) = (setup.substitution()?, &setup.job);
        let of_sensor = |sensor: &MountedSensor| SubstitutedChannel {
            channel: job.columns.get(sensor.column).map(|c| c.name.clone()).unwrap_or_default(),
            serial: sensor.sensor.serial.clone(),
            points: facts
                .channels
                .iter()
                .filter(|tone| tone.of == ToneOf::Reference && sensor.takes(tone.number))
                .map(|tone| SubstitutedPoint::of(job, tone, sensor.column))
                .collect(),
        };
        Some(Self {
            by: routed_by(way.by),
            confirmed: confirmed(facts),
            channels: job.sensors.iter().map(of_sensor).collect(),
        })
    }
}

impl SubstitutedPoint {
    fn of(job: &ResolvedJob, tone: &RatioTone, column: usize) -> Self {
        Self {
            frequency_hz: tone.wanted(job).unwrap_or(tone.applied_frequency).si(),
            shown: Shown::of(job, tone, column),
        }
    }
}
