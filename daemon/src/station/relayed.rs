//! An amplifier with a relay of its own beside it, as one that is live only if both let the drive through.
//!
//! Owns: the order of the two and what they say together. Must not: make safe; that goes to both at once, past this.
//! Invariant: until the relay was told to let the drive through both have to be muted, so that it never closes onto an amplifier
//! that is live; from then on a relay that cuts the drive off by itself is told under its own name.

use async_trait::async_trait;
use drivers::{AmplifierStatus, DrivePermit, DriverError, ErrorKind, PowerAmplifier};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Both in one.
pub(super) struct Relayed {
    amplifier: Box<dyn PowerAmplifier>,
    relay: Box<dyn PowerAmplifier>,
    name: String,
    lets_through: LetsThrough,
}

/// Whether the relay is to let the drive through; who makes safe says that it is not.
#[derive(Debug, Clone, Default)]
pub(super) struct LetsThrough(Arc<AtomicBool>);

impl LetsThrough {
    /// From now on both have to be muted.
    pub(super) fn end(&self) {
        self.0.store(false, Ordering::SeqCst);
    }

    fn begin(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    fn now(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

impl Relayed {
    /// An amplifier and its relay, whose instrument has this name.
    pub(super) fn new(
        amplifier: Box<dyn PowerAmplifier>,
        relay: Box<dyn PowerAmplifier>,
        name: &str,
        lets_through: LetsThrough,
    ) -> Self {
        Self { amplifier, relay, name: name.to_owned(), lets_through }
    }

    fn wrong(&self, op: &'static str, detail: &str) -> DriverError {
        DriverError::new(ErrorKind::BadData, &self.name, op, detail)
    }

    /// What both say, as one amplifier would.
    fn both(
        &self,
        op: &'static str,
        amplifier: AmplifierStatus,
        relay: AmplifierStatus,
    ) -> Result<AmplifierStatus, DriverError> {
        let through = self.lets_through.now();
        if relay.fault {
            return Err(self.wrong(op, "the relay reports a fault"));
        }
        if through && relay.muted {
            return Err(self.wrong(op, "the relay has cut the drive off, and nobody told it to"));
        }
        let muted = if through { amplifier.muted } else { amplifier.muted && relay.muted };
        Ok(AmplifierStatus { muted, ..amplifier })
    }
}

#[async_trait]
impl PowerAmplifier for Relayed {
    /// The relay first, while the amplifier is muted: its contacts switch nothing, and the coil gets no knock.
    async fn unmute(&mut self, permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let relay = self.relay.unmute(permit).await?;
        if relay.muted {
            let detail = "the relay was told to let the drive through and reads back as cut off";
            return Err(self.wrong("unmute", detail));
        }
        self.lets_through.begin();
        let amplifier = self.amplifier.unmute(permit).await?;
        self.both("unmute", amplifier, relay)
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.lets_through.end();
        let (amplifier, relay) = tokio::join!(self.amplifier.mute(), self.relay.mute());
        self.both("mute", amplifier?, relay?)
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let (amplifier, relay) = tokio::join!(self.amplifier.status(), self.relay.status());
        self.both("status", amplifier?, relay?)
    }
}
