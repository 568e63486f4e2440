//! The first message, its reply, and the heartbeat.

use crate::roles::{Continuity, SourceLimits};
use crate::safe::Identity;
use plan_schema::units::{Hertz, Volts};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// `hello`: the first message. Opens the instrument, which must not change an output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hello {
    /// The version that the daemon speaks, `major.minor`.
    pub protocol: String,
    /// Name of the instrument in the rig file.
    pub instrument: String,
    /// Kind of driver in the rig file; `plug-in` for a program of somebody else.
    pub driver: String,
    /// Longest time from a command's reply until the output follows, as the rig file says.
    pub latency_s: f64,
    /// Serial number that the rig file expects; the daemon compares.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Settings of the instrument in the rig file.
    pub settings: Map<String, Value>,
    /// Longest time that a call may take; then the host answers `timeout`.
    pub reply_limit_s: f64,
    /// Longest time without a heartbeat that is believed; then the host makes its instrument safe and ends.
    pub heartbeat_limit_s: f64,
}

/// The reply to `hello`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Introduction {
    /// The version that the host speaks, `major.minor`.
    pub protocol: String,
    /// Who the instrument says it is.
    pub identity: IdentityParams,
    /// What it can be.
    pub roles: Roles,
    /// Longest time that `make_safe` takes.
    pub safe_ms: f64,
    /// Longest time that a transfer keeps the link to the instrument busy; `make_safe` may have to wait for one.
    pub transfer_ms: f64,
}

/// Who the instrument says it is; empty where it does not say.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct IdentityParams {
    /// Maker.
    pub make: String,
    /// Model.
    pub model: String,
    /// Serial number.
    pub serial: String,
    /// Firmware.
    pub firmware: String,
}

/// Roles that an instrument fills; one that is absent it does not.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Roles {
    /// It makes the sine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<SourceRole>,
    /// It drives the coil.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amplifier: Option<NoLimits>,
    /// It samples the channels.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acquisition: Option<AcquisitionRole>,
    /// It reads temperature and humidity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient: Option<NoLimits>,
    /// It reads contacts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contacts: Option<NoLimits>,
}

/// A role of which there is nothing more to say; an empty object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct NoLimits {}

/// What a source can do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SourceRole {
    /// Lowest frequency.
    pub frequency_hz_min: f64,
    /// Highest frequency.
    pub frequency_hz_max: f64,
    /// Largest amplitude.
    pub amplitude_v_peak_max: f64,
    /// True if a tone that starts from 0 V is a(t)·sin(2πft) from its start on; false if nothing is known of its phase.
    pub starts_at_zero: bool,
}

/// What an acquisition does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct AcquisitionRole {
    /// How blocks follow each other.
    pub continuity: ContinuityWord,
}

/// How blocks follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ContinuityWord {
    /// Without gaps.
    Continuous,
    /// Contiguous inside, with gaps between.
    Gated,
}

/// The notification that the daemon lives.
pub const HEARTBEAT: &str = "heartbeat";

/// The daemon lives and judges what it is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Heartbeat {
    /// Number of the leave that is given; 0: none is, and every permit so far is void.
    pub generation: u64,
    /// Index of the sample after the last that the interlock judged; null before the first. While there is leave, a
    /// heartbeat is believed only if this is higher than in the one before.
    #[serde(deserialize_with = "Option::deserialize")]
    pub judged_samples: Option<u64>,
}

impl From<&Identity> for IdentityParams {
    fn from(i: &Identity) -> Self {
        let Identity { make, model, serial, firmware } = i.clone();
        Self { make, model, serial, firmware }
    }
}

impl From<IdentityParams> for Identity {
    fn from(i: IdentityParams) -> Self {
        let IdentityParams { make, model, serial, firmware } = i;
        Self { make, model, serial, firmware }
    }
}

impl From<SourceLimits> for SourceRole {
    fn from(limits: SourceLimits) -> Self {
        Self {
            frequency_hz_min: limits.frequency_min.si(),
            frequency_hz_max: limits.frequency_max.si(),
            amplitude_v_peak_max: limits.amplitude_max.si(),
            starts_at_zero: limits.starts_at_zero,
        }
    }
}

impl From<SourceRole> for SourceLimits {
    fn from(role: SourceRole) -> Self {
        let (low, high) = (Hertz::new(role.frequency_hz_min), Hertz::new(role.frequency_hz_max));
        Self::new(low, high, Volts::new(role.amplitude_v_peak_max)).with_start_at_zero(role.starts_at_zero)
    }
}

impl From<Continuity> for ContinuityWord {
    fn from(continuity: Continuity) -> Self {
        match continuity {
            Continuity::Continuous => Self::Continuous,
            Continuity::Gated => Self::Gated,
        }
    }
}

impl From<ContinuityWord> for Continuity {
    fn from(word: ContinuityWord) -> Self {
        match word {
            ContinuityWord::Continuous => Self::Continuous,
            ContinuityWord::Gated => Self::Gated,
        }
    }
}
