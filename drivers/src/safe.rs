//! Making an instrument safe, and what opening one gives.

use crate::error::DriverError;
use crate::roles::{Acquisition, Ambient, Contacts, PowerAmplifier, SignalSource};
use async_trait::async_trait;
use plan_schema::units::{Peak, Seconds, Volts};
use std::sync::Arc;

/// Who an instrument says it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Identity {
    /// Maker.
    pub make: String,
    /// Model.
    pub model: String,
    /// Serial number.
    pub serial: String,
    /// Firmware.
    pub firmware: String,
}

/// Why an instrument is made safe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopReason {
    /// The station starts and does not know what was before.
    Start,
    /// The run is over.
    RunEnded,
    /// A person said stop.
    Operator,
    /// The interlock tripped.
    Trip,
    /// The link to the daemon is gone.
    LinkLost,
}

/// What an instrument reads back after it was made safe. `None` where it does not have that role.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SafeProof {
    /// Amplitude that the source reads back; 0 V when safe.
    pub drive: Option<Volts<Peak>>,
    /// Whether the amplifier reads back as muted.
    pub muted: Option<bool>,
}

impl SafeProof {
    /// True if nothing that was read back could move the armature.
    #[must_use]
    pub fn is_safe(&self) -> bool {
        self.drive.is_none_or(|d| d.si().abs() <= 0.0) && self.muted.unwrap_or(true)
    }
}

/// Makes an instrument safe, whatever else it is doing.
#[async_trait]
pub trait SafeHandle: Send + Sync {
    /// Source to 0 V, amplifier muted, with proof by reading back.
    ///
    /// Must not wait for another call, must be valid in every state and any number of times, and must end within the
    /// time that [`Opened::safe_within`] declares. Needs no permit. Cancel-safe: it is given up only when it did not end within
    /// that time, and what was begun then may be half done; it may be called again at once.
    ///
    /// # Errors
    /// Where the safe state can't be proved. The caller treats that as louder than any other failure.
    async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError>;

    /// Longest time that one transfer keeps the link to the instrument busy, which making safe may have to wait for.
    /// `None`: nothing shorter than [`Opened::safe_within`] is promised.
    fn transfer_within(&self) -> Option<Seconds> {
        None
    }
}

/// An open instrument: who it is, the roles it fills, and the handle that makes it safe.
pub struct Opened {
    /// Who it says it is.
    pub identity: Identity,
    /// As signal source.
    pub source: Option<Box<dyn SignalSource>>,
    /// As power amplifier.
    pub amplifier: Option<Box<dyn PowerAmplifier>>,
    /// As acquisition.
    pub acquisition: Option<Box<dyn Acquisition>>,
    /// As ambient sensor.
    pub ambient: Option<Box<dyn Ambient>>,
    /// As reader of contacts.
    pub contacts: Option<Box<dyn Contacts>>,
    /// Makes it safe.
    pub safe: Arc<dyn SafeHandle>,
    /// Longest time that making it safe takes.
    pub safe_within: Seconds,
}
