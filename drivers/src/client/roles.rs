//! The roles of an instrument behind a host.

use super::link::{Blocks, Link};
use crate::block::Block;
use crate::error::{DriverError, ErrorKind};
use crate::permit::DrivePermit;
use crate::protocol::{
    AmplifierState, Call, ChannelParams, Configure, Mute, OutputOff, PermitParams, ReadAmbient, ReadContacts,
    ReadStatus, SetOutput, SetTone, Start, Stop, Unmute, op_of,
};
use crate::roles::{
    Acquisition, AcquisitionRequest, Ambient, AmbientReading, AmplifierStatus, ChannelRequest,
    ContactReading, Contacts, Continuity, PowerAmplifier, SignalSource, SourceLimits, Tone, Transition,
};
use crate::room;
use async_trait::async_trait;
use plan_schema::units::{Celsius, Fraction, Hertz, SampleIndex, SamplesPerSecond, Seconds, Volts};
use std::sync::Arc;
use std::time::Duration;

/// The way to the host, as a role has it.
#[derive(Clone)]
pub(super) struct Remote {
    pub(super) link: Arc<Link>,
    pub(super) instrument: String,
    /// Longest time that a call may take.
    pub(super) limit: Duration,
}

impl Remote {
    async fn call<C: Call>(&self, ask: C) -> Result<C::Reply, DriverError> {
        self.link.call(&ask, self.limit).await
    }

    fn error<C: Call>(&self, kind: ErrorKind, detail: String) -> DriverError {
        DriverError::new(kind, &self.instrument, op_of(C::METHOD), detail)
    }

    /// Numbers that are sent have to be numbers.
    fn finite<C: Call>(&self, numbers: &[f64]) -> Result<(), DriverError> {
        if numbers.iter().all(|n| n.is_finite()) {
            return Ok(());
        }
        Err(self.error::<C>(ErrorKind::OutOfRange, format!("{numbers:?} are not all finite numbers")))
    }

    /// Numbers that come back too.
    fn number<C: Call>(&self, name: &str, value: Option<f64>) -> Result<f64, DriverError> {
        value
            .filter(|v| v.is_finite())
            .ok_or_else(|| self.error::<C>(ErrorKind::BadData, format!("{name} is no finite number")))
    }

    fn unflagged<C: Call>(&self, not_finite: &[String]) -> Result<(), DriverError> {
        if not_finite.is_empty() {
            return Ok(());
        }
        let detail = format!("{} came back as no finite number", not_finite.join(", "));
        Err(self.error::<C>(ErrorKind::BadData, detail))
    }
}

fn permit_params(permit: &DrivePermit) -> PermitParams {
    PermitParams { generation: permit.generation(), ceiling_v_peak: permit.ceiling().si() }
}

/// The source.
pub(super) struct RemoteSource(pub(super) Remote, pub(super) SourceLimits);

#[async_trait]
impl SignalSource for RemoteSource {
    fn limits(&self) -> SourceLimits {
        self.1
    }

    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        let (frequency_hz, amplitude_v_peak) = (want.tone.frequency.si(), want.tone.amplitude.si());
        let over_s = want.over.si();
        self.0.finite::<SetTone>(&[frequency_hz, amplitude_v_peak, over_s, permit.ceiling().si()])?;
        let permit = permit_params(permit);
        let state = self.0.call(SetTone { permit, frequency_hz, amplitude_v_peak, over_s }).await?;
        self.0.unflagged::<SetTone>(&state.not_finite)?;
        let number = |name, value| self.0.number::<SetTone>(name, value);
        let frequency = Hertz::new(number("frequency_hz", state.frequency_hz)?);
        let amplitude = Volts::new(number("amplitude_v_peak", state.amplitude_v_peak)?);
        let over = Seconds::new(number("over_s", state.over_s)?);
        Ok(Transition { tone: Tone { frequency, amplitude }, over })
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        self.0.finite::<OutputOff>(&[over.si()])?;
        let off = self.0.call(OutputOff { over_s: over.si() }).await?;
        self.0.unflagged::<OutputOff>(&off.not_finite)?;
        self.0.number::<OutputOff>("over_s", off.over_s).map(Seconds::new)
    }
}

/// The amplifier.
pub(super) struct RemoteAmplifier(pub(super) Remote);

fn status(state: &AmplifierState) -> AmplifierStatus {
    AmplifierStatus { muted: state.muted, fault: state.fault, clipping: state.clipping }
}

#[async_trait]
impl PowerAmplifier for RemoteAmplifier {
    async fn unmute(&mut self, permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        self.0.call(Unmute { permit: permit_params(permit) }).await.map(|s| status(&s))
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.0.call(Mute {}).await.map(|s| status(&s))
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.0.call(ReadStatus {}).await.map(|s| status(&s))
    }
}

/// The acquisition.
pub(super) struct RemoteAcquisition {
    pub(super) remote: Remote,
    pub(super) continuity: Continuity,
    pub(super) blocks: Blocks,
    /// Channels as they were applied.
    pub(super) channels: usize,
    /// Index of the sample that comes next.
    pub(super) next: SampleIndex,
}

impl RemoteAcquisition {
    /// Nothing may be lost or repeated in silence.
    fn checked(&mut self, block: Block) -> Result<Block, DriverError> {
        let wrong =
            |detail| DriverError::new(ErrorKind::BadData, &self.remote.instrument, "next_block", detail);
        if block.channels() != self.channels {
            let detail = format!("a block of {} channels instead of {}", block.channels(), self.channels);
            return Err(wrong(detail));
        }
        let expected = self.next.0.checked_add(block.gap_before.0);
        if expected != Some(block.first_sample.0) {
            return Err(wrong(format!(
                "a block begins with sample {}, the one before ended before {} and {} are said to be lost",
                block.first_sample.0, self.next.0, block.gap_before.0
            )));
        }
        self.next = block.end();
        Ok(block)
    }
}

#[async_trait]
impl Acquisition for RemoteAcquisition {
    fn continuity(&self) -> Continuity {
        self.continuity
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        let channel = |c: &ChannelRequest| ChannelParams { input: c.input, range_v_peak: c.range.si() };
        let ask = Configure {
            rate_hz: want.rate.si(),
            block_samples: want.frames,
            channels: want.channels.iter().map(channel).collect(),
        };
        self.remote.finite::<Configure>(&[ask.rate_hz])?;
        let applied = self.remote.call(ask).await?;
        self.channels = applied.channels.len();
        let channel =
            |c: &ChannelParams| ChannelRequest { input: c.input, range: Volts::new(c.range_v_peak) };
        let applied = AcquisitionRequest {
            rate: SamplesPerSecond::new(applied.rate_hz),
            frames: applied.block_samples,
            channels: applied.channels.iter().map(channel).collect(),
        };
        self.remote.link.keep(room::blocks(&applied));
        Ok(applied)
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        // None can come between the end of the last sampling and this start.
        while self.blocks.try_recv().is_ok() {}
        self.next = SampleIndex(0);
        self.remote.call(Start {}).await.map(|_| ())
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        let within = Duration::from_secs_f64(within.si().clamp(0.0, 3600.0));
        match tokio::time::timeout(within, self.blocks.recv()).await {
            Err(_) => Ok(None),
            Ok(Some(block)) => block.and_then(|b| self.checked(b)).map(Some),
            Ok(None) => Err(self.remote.link.lost_error("next_block")),
        }
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.remote.call(Stop {}).await.map(|_| ())
    }
}

/// The ambient sensor.
pub(super) struct RemoteAmbient(pub(super) Remote);

#[async_trait]
impl Ambient for RemoteAmbient {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        let state = self.0.call(ReadAmbient {}).await?;
        self.0.unflagged::<ReadAmbient>(&state.not_finite)?;
        let temperature = self.0.number::<ReadAmbient>("temperature_degc", state.temperature_degc)?;
        let humidity = state
            .humidity_percent
            .map(|percent| self.0.number::<ReadAmbient>("humidity_percent", Some(percent)))
            .transpose()?;
        Ok(AmbientReading {
            temperature: Celsius::new(temperature),
            humidity: humidity.map(|percent| Fraction::new(percent / 100.0)),
        })
    }
}

/// The contacts.
pub(super) struct RemoteContacts(pub(super) Remote);

#[async_trait]
impl Contacts for RemoteContacts {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        let state = self.0.call(ReadContacts {}).await?;
        Ok(ContactReading { emergency_stop_closed: state.emergency_stop_closed, inputs: state.inputs })
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        self.0.call(SetOutput { output: number, on }).await.map(|output| output.on)
    }
}
