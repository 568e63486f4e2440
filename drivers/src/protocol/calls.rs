//! What may be asked of an instrument, and the replies. The role's name stands before the point.
//!
//! A number that is not finite is null on the wire, and named in `not_finite`; without that flag a null says that
//! there is no such number. It is said and never left out, so that no other object passes for a reply.

use super::hello::{Hello, Introduction};
use crate::safe::StopReason;
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

/// A request: its parameters are the type itself.
pub trait Call: Serialize + DeserializeOwned + JsonSchema + Send + Sync {
    /// The method.
    const METHOD: &'static str;
    /// What comes back.
    type Reply: Serialize + DeserializeOwned + JsonSchema + Send;
}

macro_rules! call {
    ($(#[$doc:meta])* $method:literal $name:ident { $($(#[$field_doc:meta])* $field:ident: $type:ty,)* } -> $reply:ty) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
        pub struct $name { $($(#[$field_doc])* pub $field: $type,)* }

        impl Call for $name {
            const METHOD: &'static str = $method;
            type Reply = $reply;
        }
    };
}

impl Call for Hello {
    const METHOD: &'static str = "hello";
    type Reply = Introduction;
}

/// Leave to drive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PermitParams {
    /// Number of the leave; each new one is higher, 0 is none.
    pub generation: u64,
    /// Largest drive that it allows.
    pub ceiling_v_peak: f64,
}

call! {
    /// Goes to a tone without a step in phase and without a jump; answers when the way has begun.
    "source.set_tone" SetTone {
        /// Leave to drive.
        permit: PermitParams,
        /// Frequency.
        frequency_hz: f64,
        /// Amplitude at the output.
        amplitude_v_peak: f64,
        /// How long the way there takes.
        over_s: f64,
    } -> ToneState
}

/// What was applied: never more than the wished amplitude, never faster than the wished time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ToneState {
    /// Frequency.
    #[serde(deserialize_with = "Option::deserialize")]
    pub frequency_hz: Option<f64>,
    /// Amplitude at the output.
    #[serde(deserialize_with = "Option::deserialize")]
    pub amplitude_v_peak: Option<f64>,
    /// How long the way there takes.
    #[serde(deserialize_with = "Option::deserialize")]
    pub over_s: Option<f64>,
    /// Names of the numbers above that are not finite.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_finite: Vec<String>,
}

call! {
    /// Brings the output to 0 V. Needs no permit.
    "source.output_off" OutputOff {
        /// How long the way there takes; never less.
        over_s: f64,
    } -> Off
}

/// How long the way to 0 V will take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Off {
    /// The time.
    #[serde(deserialize_with = "Option::deserialize")]
    pub over_s: Option<f64>,
    /// `["over_s"]` where that is not finite.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_finite: Vec<String>,
}

call! {
    /// Lets the drive through to the coil.
    "amplifier.unmute" Unmute {
        /// Leave to drive.
        permit: PermitParams,
    } -> AmplifierState
}

call! {
    /// Keeps the drive from the coil. Needs no permit.
    "amplifier.mute" Mute {} -> AmplifierState
}

call! {
    /// Reads the amplifier's state.
    "amplifier.status" ReadStatus {} -> AmplifierState
}

/// What an amplifier says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct AmplifierState {
    /// True while muted.
    pub muted: bool,
    /// True while it reports a fault.
    pub fault: bool,
    /// True if it clipped since the last status; null where it can't tell.
    #[serde(deserialize_with = "Option::deserialize")]
    pub clipping: Option<bool>,
}

/// One channel of an acquisition.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelParams {
    /// Number of the input, from 0.
    pub input: u32,
    /// Full scale.
    pub range_v_peak: f64,
}

call! {
    /// Sets rate, length of a block and channels; answers what was applied in the same form.
    "acquisition.configure" Configure {
        /// Samples per second and channel.
        rate_hz: f64,
        /// Samples per channel in a block.
        block_samples: u32,
        /// The channels, in the order in which blocks hold them.
        channels: Vec<ChannelParams>,
    } -> Configure
}

call! {
    /// Starts sampling: blocks follow as notifications, the first sample has index 0.
    "acquisition.start" Start {} -> Done
}

call! {
    /// Ends sampling. No block follows the reply.
    "acquisition.stop" Stop {} -> Done
}

/// It was done; an empty object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Done {}

call! {
    /// Reads ambient conditions once.
    "ambient.read" ReadAmbient {} -> AmbientState
}

/// Ambient conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AmbientState {
    /// Temperature.
    #[serde(deserialize_with = "Option::deserialize")]
    pub temperature_degc: Option<f64>,
    /// Relative humidity; null where it is not measured.
    #[serde(deserialize_with = "Option::deserialize")]
    pub humidity_percent: Option<f64>,
    /// Names of the numbers above that are not finite.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_finite: Vec<String>,
}

call! {
    /// Reads the contacts once.
    "contacts.read" ReadContacts {} -> ContactState
}

/// State of the contacts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ContactState {
    /// True while the emergency stop is not pressed. What can't be read is pressed.
    pub emergency_stop_closed: bool,
    /// True for each further input that is closed, by its number from 0. One beyond the end could not be read.
    pub inputs: Vec<bool>,
}

call! {
    /// Switches an output.
    "contacts.set_output" SetOutput {
        /// Its number, from 0.
        output: u32,
        /// Whether it is to be on.
        on: bool,
    } -> Output
}

/// What was applied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Output {
    /// Whether it is on.
    pub on: bool,
}

call! {
    /// Makes the instrument safe. Taken out of order, needs no permit, valid at any time and any number of times.
    "make_safe" MakeSafe {
        /// Why.
        reason: Reason,
    } -> Proof
}

/// Why an instrument is made safe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// The station starts and does not know what was before.
    Start,
    /// The run is over.
    RunEnded,
    /// A person said stop.
    Operator,
    /// The interlock tripped.
    Trip,
    /// The link to the daemon, or to this instrument's host before, is gone.
    LinkLost,
}

/// What the instrument reads back after it was made safe; null where it does not have that role.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Proof {
    /// Amplitude that the source reads back; 0 when safe.
    #[serde(deserialize_with = "Option::deserialize")]
    pub drive_v_peak: Option<f64>,
    /// Whether the amplifier reads back as muted.
    #[serde(deserialize_with = "Option::deserialize")]
    pub muted: Option<bool>,
    /// `["drive_v_peak"]` where that is not finite.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_finite: Vec<String>,
}

/// The names of those that are not finite.
#[must_use]
pub fn not_finite<const N: usize>(numbers: [(&str, f64); N]) -> Vec<String> {
    numbers.into_iter().filter(|(_, v)| !v.is_finite()).map(|(name, _)| name.to_owned()).collect()
}

impl From<StopReason> for Reason {
    fn from(why: StopReason) -> Self {
        match why {
            StopReason::Start => Self::Start,
            StopReason::RunEnded => Self::RunEnded,
            StopReason::Operator => Self::Operator,
            StopReason::Trip => Self::Trip,
            StopReason::LinkLost => Self::LinkLost,
        }
    }
}

impl From<Reason> for StopReason {
    fn from(reason: Reason) -> Self {
        match reason {
            Reason::Start => Self::Start,
            Reason::RunEnded => Self::RunEnded,
            Reason::Operator => Self::Operator,
            Reason::Trip => Self::Trip,
            Reason::LinkLost => Self::LinkLost,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The reply of another call, or an empty one, must not read as proof.
    #[test]
    fn another_reply_does_not_pass_for_proof() {
        for other in ["{}", "{\"on\":true}", "{\"muted\":true}", "{\"drive_v_peak\":null}"] {
            assert!(serde_json::from_str::<Proof>(other).is_err(), "{other}");
        }
        assert!(serde_json::from_str::<Proof>("{\"drive_v_peak\":null,\"muted\":null}").is_ok());
    }
}
