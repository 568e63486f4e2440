//! The simulated instruments behind the driver contract.
//!
//! Owns: one handle per role, and the one that makes safe. A handle locks the world for the moment of a call, never
//! across a wait, so making safe never waits for another call.
//! A reply says what an instrument was set to; its output follows after the latency of the rig file.

use crate::SimulatedRig;
use crate::amplifier::Cut;
use crate::source::Setting;
use async_trait::async_trait;
use drivers::{
    Acquisition, AcquisitionRequest, Ambient, AmbientReading, AmplifierStatus, Block, ContactReading,
    Contacts, Continuity, DrivePermit, DriverError, ErrorKind, PowerAmplifier, SafeHandle, SafeProof,
    SignalSource, SourceLimits, StopReason, Tone, Transition,
};
use plan_schema::units::{Hertz, Peak, SampleCount, SampleIndex, Seconds, Volts};

/// An instrument of the rig in one of its roles.
#[derive(Clone)]
pub(crate) struct Port {
    pub(crate) rig: SimulatedRig,
    /// Name in the rig file.
    pub(crate) instrument: String,
}

impl Port {
    fn error(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        DriverError::new(kind, &self.instrument, op, detail)
    }
}

/// The signal source.
pub(crate) struct SourcePort(pub(crate) Port);

#[async_trait]
impl SignalSource for SourcePort {
    fn limits(&self) -> SourceLimits {
        let world = self.0.rig.lock();
        let (lowest, highest) = world.source.frequencies();
        let amplitude_max = Volts::new(world.source.amplitude_max());
        SourceLimits::new(Hertz::new(lowest), Hertz::new(highest), amplitude_max).with_start_at_zero(true)
    }

    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        let refuse = |detail: String| self.0.error(ErrorKind::OutOfRange, "set_tone", detail);
        if want.tone.amplitude > permit.ceiling() {
            let (wanted, ceiling) = (want.tone.amplitude.si(), permit.ceiling().si());
            return Err(refuse(format!("{wanted} V pk is beyond the ceiling of {ceiling} V pk")));
        }
        let mut world = self.0.rig.lock();
        let want = Setting {
            frequency: want.tone.frequency.si(),
            amplitude: want.tone.amplitude.si(),
            over: want.over.si(),
        };
        let setting = world.source.resolve(want).map_err(refuse)?;
        world.set_source(setting);
        let tone =
            Tone { frequency: Hertz::new(setting.frequency), amplitude: Volts::new(setting.amplitude) };
        Ok(Transition { tone, over: Seconds::new(setting.over) })
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        let mut world = self.0.rig.lock();
        let over =
            world.source.way(over.si()).map_err(|d| self.0.error(ErrorKind::OutOfRange, "output_off", d))?;
        world.source_off(over);
        Ok(Seconds::new(over))
    }
}

/// The power amplifier, or the relay beside it.
pub(crate) struct AmplifierPort(pub(crate) Port, pub(crate) Cut);

impl AmplifierPort {
    fn read(&self) -> AmplifierStatus {
        let mut world = self.0.rig.lock();
        let muted = world.amplifier.reads(self.1);
        if self.1 == Cut::Relay {
            return AmplifierStatus { muted, fault: false, clipping: None };
        }
        world.note_amplifier_contact();
        let clipping = Some(world.amplifier.take_clipping());
        AmplifierStatus { muted, fault: world.amplifier.fault(), clipping }
    }
}

#[async_trait]
impl PowerAmplifier for AmplifierPort {
    async fn unmute(&mut self, _permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let live = self.0.rig.lock().cut(self.1, false);
        if live {
            return Ok(self.read());
        }
        let detail = "it reports a fault of its own and stays muted; clear the fault, then unmute again";
        Err(self.0.error(ErrorKind::BadData, "unmute", detail))
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.0.rig.lock().cut(self.1, true);
        Ok(self.read())
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        Ok(self.read())
    }
}

/// The acquisition. Its calls are what moves time.
pub(crate) struct AcquisitionPort(pub(crate) Port);

#[async_trait]
impl Acquisition for AcquisitionPort {
    fn continuity(&self) -> Continuity {
        if self.0.rig.lock().sampler.is_gated() { Continuity::Gated } else { Continuity::Continuous }
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        let refuse = |detail: String| self.0.error(ErrorKind::OutOfRange, "configure", detail);
        let mut world = self.0.rig.lock();
        if world.sampler.is_running() {
            return Err(self.0.error(ErrorKind::Busy, "configure", "it is sampling; stop it first"));
        }
        if want.rate != world.rate() {
            let rate = world.rate().si();
            return Err(refuse(format!(
                "it samples at the {rate} S/s of the rig file, not at {} S/s",
                want.rate.si()
            )));
        }
        let channels: Vec<(u32, f64)> = want.channels.iter().map(|c| (c.input, c.range.si())).collect();
        world.sampler.configure(want.frames, &channels).map_err(refuse)?;
        Ok(want.clone())
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        let mut world = self.0.rig.lock();
        if world.sampler.is_running() {
            return Err(self.0.error(ErrorKind::Busy, "start", "it is sampling already"));
        }
        if world.sampler.start() {
            return Ok(());
        }
        Err(self.0.error(ErrorKind::Protocol, "start", "it was not configured; configure it first"))
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        let mut world = self.0.rig.lock();
        if !world.sampler.is_running() {
            return Err(self.0.error(
                ErrorKind::Protocol,
                "next_block",
                "it is not sampling; start it first",
            ));
        }
        let Some(taken) = world.collect(within) else {
            return Ok(None);
        };
        let first = SampleIndex(taken.first);
        Block::new(first, SampleCount(taken.gap), taken.samples, taken.overload)
            .map(Some)
            .ok_or_else(|| self.0.error(ErrorKind::Bug, "next_block", "a block came out uneven"))
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.0.rig.lock().sampler.stop();
        Ok(())
    }
}

/// The ambient sensor.
pub(crate) struct AmbientPort(pub(crate) Port);

#[async_trait]
impl Ambient for AmbientPort {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        let world = self.0.rig.lock();
        Ok(AmbientReading { temperature: world.air(), humidity: Some(world.humidity()) })
    }
}

/// The contacts.
pub(crate) struct ContactsPort(pub(crate) Port);

#[async_trait]
impl Contacts for ContactsPort {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        let world = self.0.rig.lock();
        Ok(ContactReading { emergency_stop_closed: world.emergency_stop_closed(), inputs: world.contacts() })
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        if self.0.rig.lock().set_output(number, on) {
            return Ok(on);
        }
        let detail = format!("the rig file names no output of number {number}");
        Err(self.0.error(ErrorKind::OutOfRange, "set_output", detail))
    }
}

/// Makes an instrument safe in the roles that it has.
pub(crate) struct SafePort {
    pub(crate) port: Port,
    pub(crate) is_source: bool,
    pub(crate) cuts: Option<Cut>,
    pub(crate) is_contacts: bool,
}

#[async_trait]
impl SafeHandle for SafePort {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let mut world = self.port.rig.lock();
        let mut proof = SafeProof::default();
        if self.is_source {
            // As fast as the source can.
            let over = world.source.shortest_way();
            world.source_off(over);
            proof.drive = Some(Volts::<Peak>::new(world.source.commanded().amplitude));
        }
        if let Some(cut) = self.cuts {
            world.cut(cut, true);
            proof.muted = Some(world.amplifier.reads(cut));
        }
        if self.is_contacts {
            world.panel.outputs_off();
        }
        Ok(proof)
    }
}
