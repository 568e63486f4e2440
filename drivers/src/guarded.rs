//! A source behind the gate: the ceiling and the generation of the permit are checked before every write.

use crate::error::DriverError;
use crate::permit::{DrivePermit, PermitGate};
use crate::roles::{SignalSource, SourceLimits, Transition};
use async_trait::async_trait;
use plan_schema::units::Seconds;

/// Wraps any source so that no tone passes without a good permit.
pub struct Guarded {
    inner: Box<dyn SignalSource>,
    gate: PermitGate,
    instrument: String,
}

impl Guarded {
    /// Puts `inner` behind `gate`; `instrument` is its name in the rig file.
    #[must_use]
    pub fn new(inner: Box<dyn SignalSource>, gate: PermitGate, instrument: &str) -> Self {
        Self { inner, gate, instrument: instrument.to_owned() }
    }
}

#[async_trait]
impl SignalSource for Guarded {
    fn limits(&self) -> SourceLimits {
        self.inner.limits()
    }

    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        self.gate.check(permit, want.tone.amplitude, &self.instrument)?;
        self.inner.set_tone(permit, want).await
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        self.inner.output_off(over).await
    }
}
