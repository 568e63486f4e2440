//! The roles of instruments. All traits are object-safe; every future is `Send`.
//!
//! Cancellation: dropping a future may leave an instrument in an unknown state, so dropping is not stopping. A caller
//! that gives up on a call goes on with `make_safe`.

use crate::block::Block;
use crate::error::{DriverError, ErrorKind};
use crate::permit::DrivePermit;
use async_trait::async_trait;
use plan_schema::units::{Celsius, Fraction, Hertz, Peak, SamplesPerSecond, Seconds, Volts};

/// A sine at the output of a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Frequency.
    pub frequency: Hertz,
    /// Amplitude at the output.
    pub amplitude: Volts<Peak>,
}

/// A way from the output as it is to a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transition {
    /// Where it ends.
    pub tone: Tone,
    /// How long it takes. The amplitude goes smoothly, without overshoot; a driver whose instrument has no ramp of its
    /// own makes one in small steps.
    pub over: Seconds,
}

/// What a source can do. A documented value; the core asks no "has" questions.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct SourceLimits {
    /// Lowest frequency.
    pub frequency_min: Hertz,
    /// Highest frequency.
    pub frequency_max: Hertz,
    /// Largest amplitude.
    pub amplitude_max: Volts<Peak>,
    /// True if a tone that starts from 0 V starts at phase zero, rising, as [`SignalSource::set_tone`] describes; false
    /// where nothing is known of the phase at a start.
    pub starts_at_zero: bool,
}

impl SourceLimits {
    /// Limits of a source of which nothing is known of the phase at a start.
    #[must_use]
    pub fn new(frequency_min: Hertz, frequency_max: Hertz, amplitude_max: Volts<Peak>) -> Self {
        Self { frequency_min, frequency_max, amplitude_max, starts_at_zero: false }
    }

    /// The same, with what is known of the phase at a start.
    #[must_use]
    pub fn with_start_at_zero(self, starts_at_zero: bool) -> Self {
        Self { starts_at_zero, ..self }
    }
}

/// Makes the sine.
#[async_trait]
pub trait SignalSource: Send {
    /// What it can do.
    fn limits(&self) -> SourceLimits;

    /// Goes to a tone without a step in phase and without a jump of the output; returns what was applied.
    ///
    /// A tone that starts from 0 V, the way there being over, has no phase to keep. Where [`SourceLimits::starts_at_zero`]
    /// says so, it starts at phase zero, rising: the output is `a(t) sin(2πft)` from the moment at which it follows the
    /// command, so that its phase is known beforehand.
    ///
    /// Returns when the way has begun, not when it has ended. Must not exceed the wish in amplitude; may take longer
    /// than wished, never less, and says how long. Cancel-safe: no.
    ///
    /// # Errors
    /// `out_of_range` where the instrument can't make the tone.
    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError>;

    /// Brings the output to 0 V over a time; returns how long it will take, as [`Self::set_tone`] does. Needs no permit.
    /// Cancel-safe: no.
    ///
    /// # Errors
    /// Where the output is not known to go off.
    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError>;
}

/// What an amplifier says of itself. `None` where it can't tell.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct AmplifierStatus {
    /// True while muted.
    pub muted: bool,
    /// True while it reports a fault.
    pub fault: bool,
    /// True if it clipped since the last status.
    pub clipping: Option<bool>,
}

/// Drives the coil.
#[async_trait]
pub trait PowerAmplifier: Send {
    /// Lets the drive through to the coil. Only at zero drive. Cancel-safe: no.
    ///
    /// # Errors
    /// Where the amplifier does not read back as live.
    async fn unmute(&mut self, permit: &DrivePermit) -> Result<AmplifierStatus, DriverError>;

    /// Keeps the drive from the coil. Needs no permit. Cancel-safe: no.
    ///
    /// # Errors
    /// Where the amplifier does not read back as muted.
    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError>;

    /// Reads its state. Cancel-safe: yes.
    ///
    /// # Errors
    /// Where it does not answer.
    async fn status(&mut self) -> Result<AmplifierStatus, DriverError>;
}

/// One channel of an acquisition as it is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelRequest {
    /// Number of the input, from 0.
    pub input: u32,
    /// Full scale.
    pub range: Volts<Peak>,
}

/// How an acquisition is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct AcquisitionRequest {
    /// Samples per second and channel.
    pub rate: SamplesPerSecond,
    /// Samples per channel in a block.
    pub frames: u32,
    /// The channels, in the order in which blocks hold them.
    pub channels: Vec<ChannelRequest>,
}

/// How blocks follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Continuity {
    /// Without gaps.
    Continuous,
    /// Contiguous inside, with gaps between.
    Gated,
}

/// Samples the channels.
#[async_trait]
pub trait Acquisition: Send {
    /// How its blocks follow each other.
    fn continuity(&self) -> Continuity;

    /// Sets rate, block length and channels; returns what was applied. Cancel-safe: no.
    ///
    /// # Errors
    /// `out_of_range` or `unsupported` where it can't.
    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError>;

    /// Starts sampling; the first sample has index 0. Cancel-safe: no.
    ///
    /// # Errors
    /// Where it does not start.
    async fn start(&mut self) -> Result<(), DriverError>;

    /// The next block, or `None` if none came within `within`. Cancel-safe: yes, no block is lost.
    ///
    /// # Errors
    /// Where the instrument says that sampling ended.
    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError>;

    /// Ends sampling. Cancel-safe: no.
    ///
    /// # Errors
    /// Where it does not answer.
    async fn stop(&mut self) -> Result<(), DriverError>;
}

/// Temperature and humidity at one moment. `None` where the instrument does not measure it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AmbientReading {
    /// Temperature.
    pub temperature: Celsius,
    /// Relative humidity.
    pub humidity: Option<Fraction>,
}

/// Reads ambient conditions.
#[async_trait]
pub trait Ambient: Send {
    /// Reads once. Cancel-safe: yes.
    ///
    /// # Errors
    /// Where it does not answer.
    async fn read(&mut self) -> Result<AmbientReading, DriverError>;
}

/// State of the contacts. The emergency stop is normally closed; what another contact has to be is the rig file's. One
/// that can't be read is the alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ContactReading {
    /// True while the emergency stop is not pressed.
    pub emergency_stop_closed: bool,
    /// True for each further input that is closed, by its number from 0. One beyond the end could not be read.
    pub inputs: Vec<bool>,
}

/// Reads the emergency stop and permissives, and switches outputs such as that of a warning.
#[async_trait]
pub trait Contacts: Send {
    /// Reads once. Cancel-safe: yes.
    ///
    /// # Errors
    /// Where it does not answer; the caller treats that as pressed.
    async fn read(&mut self) -> Result<ContactReading, DriverError>;

    /// Switches an output, numbered from 0; returns what was applied. Must not stay on when the link to the daemon is
    /// gone. Cancel-safe: no.
    ///
    /// # Errors
    /// `unsupported` where there are no outputs, which is what an author gets who writes nothing; `out_of_range` where
    /// there is none of this number.
    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        let _ = on;
        let detail = format!("these contacts have no outputs, so none of number {number}");
        Err(DriverError::new(ErrorKind::Unsupported, "contacts", "set_output", detail))
    }
}
