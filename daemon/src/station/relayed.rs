//! An amplifier with a relay of its own beside it, as one that is live only if both let the drive through.
//!
//! Owns: the order of the two and what they say together. Must not: make safe; that goes to both at once, past this.

use async_trait::async_trait;
use drivers::{AmplifierStatus, DrivePermit, DriverError, ErrorKind, PowerAmplifier};

/// Both in one.
pub(super) struct Relayed {
    amplifier: Box<dyn PowerAmplifier>,
    relay: Box<dyn PowerAmplifier>,
    name: String,
}

impl Relayed {
    /// An amplifier and its relay, whose instrument has this name.
    pub(super) fn new(
        amplifier: Box<dyn PowerAmplifier>,
        relay: Box<dyn PowerAmplifier>,
        name: &str,
    ) -> Self {
        Self { amplifier, relay, name: name.to_owned() }
    }
}

fn both(amplifier: AmplifierStatus, relay: AmplifierStatus) -> AmplifierStatus {
    AmplifierStatus {
        muted: amplifier.muted || relay.muted,
        fault: amplifier.fault || relay.fault,
        clipping: amplifier.clipping,
    }
}

#[async_trait]
impl PowerAmplifier for Relayed {
    /// The relay first, while the amplifier is muted: its contacts switch nothing, and the coil gets no knock.
    async fn unmute(&mut self, permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let relay = self.relay.unmute(permit).await?;
        if relay.muted {
            let detail = "the relay was told to let the drive through and reads back as cut off";
            return Err(DriverError::new(ErrorKind::BadData, &self.name, "unmute", detail));
        }
        Ok(both(self.amplifier.unmute(permit).await?, relay))
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        let (amplifier, relay) = tokio::join!(self.amplifier.mute(), self.relay.mute());
        Ok(both(amplifier?, relay?))
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let (amplifier, relay) = tokio::join!(self.amplifier.status(), self.relay.status());
        Ok(both(amplifier?, relay?))
    }
}
