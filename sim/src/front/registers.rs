//! Panels behind Modbus: what lies in which table of amplifier, contacts and ambient sensor.
//!
//! | unit | place | what |
//! |---|---|---|
//! | amplifier | coil 0 | mute, 1 is muted |
//! | | coil 1 | enable; 0 mutes |
//! | | discrete 0, 1, 2 | muted; fault; clipped since it was read last |
//! | | input 0 | bit 0: it reports a fault |
//! | | input 1 | temperature of the heat sink, 0.1 °C, signed |
//! | | input 2, 3 | gain in V/V or A/V, single precision, high word first |
//! | | holding 0, 1 | heartbeat; time of the watchdog in ms |
//! | relay | coil 0, discrete 0 | 1 cuts the drive off |
//! | contacts | discrete 0 | emergency stop, 1 is not pressed |
//! | | discrete 1 … 16 | further inputs, 1 is closed |
//! | | coil 0 … 15 | outputs |
//! | | holding 0 | heartbeat |
//! | ambient | input 0, 1 | temperature in 0.01 °C, signed; humidity in 0.01 % |
//!
//! Whatever else is asked for is refused as an illegal address. Units answer to any unit number.

use super::Place;
use crate::SimulatedRig;
use crate::amplifier::Cut;
use std::collections::BTreeMap;
use std::future::{Ready, ready};
use std::sync::{Arc, Mutex, PoisonError};
use tokio_modbus::server::{Service, rtu, tcp};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};

/// What a unit is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Role {
    Amplifier,
    Relay,
    Contacts,
    Ambient,
}

/// A Modbus unit of the rig.
pub(super) struct Unit {
    rig: SimulatedRig,
    role: Role,
    gain: f32,
    /// What was written and only has to be kept: coils by their address, registers behind them.
    kept: Mutex<BTreeMap<(bool, u16), u16>>,
}

/// Inputs and outputs of the contacts.
const CONTACTS: u16 = 16;

impl Unit {
    fn new(rig: SimulatedRig, role: Role) -> Arc<Self> {
        #[expect(clippy::cast_possible_truncation, reason = "a register pair holds single precision")]
        let gain = rig.wiring().gain as f32;
        Arc::new(Self { rig, role, gain, kept: Mutex::default() })
    }

    pub(super) fn amplifier(rig: SimulatedRig) -> Arc<Self> {
        let unit = Self::new(rig, Role::Amplifier);
        unit.keep(true, 1, 1);
        unit
    }

    pub(super) fn relay(rig: SimulatedRig) -> Arc<Self> {
        Self::new(rig, Role::Relay)
    }

    pub(super) fn contacts(rig: SimulatedRig) -> Arc<Self> {
        Self::new(rig, Role::Contacts)
    }

    pub(super) fn ambient(rig: SimulatedRig) -> Arc<Self> {
        Self::new(rig, Role::Ambient)
    }

    fn keep(&self, coil: bool, address: u16, value: u16) {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).insert((coil, address), value);
    }

    fn kept(&self, coil: bool, address: u16) -> u16 {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).get(&(coil, address)).copied().unwrap_or(0)
    }

    fn coil(&self, address: u16) -> Option<bool> {
        match (self.role, address) {
            (Role::Amplifier, 0) => Some(self.rig.lock().amplifier.reads(Cut::Mute)),
            (Role::Relay, 0) => Some(self.rig.lock().amplifier.reads(Cut::Relay)),
            (Role::Amplifier, 1) => Some(self.kept(true, 1) != 0),
            (Role::Contacts, 0..CONTACTS) => Some(self.kept(true, address) != 0),
            _ => None,
        }
    }

    fn discrete(&self, address: u16) -> Option<bool> {
        let mut world = self.rig.lock();
        match (self.role, address) {
            (Role::Amplifier, 0) => Some(world.amplifier.reads(Cut::Mute)),
            (Role::Relay, 0) => Some(world.amplifier.reads(Cut::Relay)),
            (Role::Amplifier, 1) => Some(world.amplifier.fault()),
            (Role::Amplifier, 2) => Some(world.amplifier.take_clipping()),
            (Role::Contacts, 0) => Some(world.emergency_stop_closed()),
            (Role::Contacts, 1..=CONTACTS) => {
                Some(world.contacts().get(usize::from(address) - 1).copied().unwrap_or(true))
            }
            _ => None,
        }
    }

    fn input(&self, address: u16) -> Option<u16> {
        let world = self.rig.lock();
        let gain = self.gain.to_bits();
        #[expect(clippy::cast_possible_truncation, reason = "half of 32 bits")]
        match (self.role, address) {
            (Role::Amplifier, 0) => Some(u16::from(world.amplifier.fault())),
            (Role::Amplifier, 1) => Some(scaled(world.temperature().si() + 10.0, 10.0)),
            (Role::Amplifier, 2) => Some((gain >> 16) as u16),
            (Role::Amplifier, 3) => Some(gain as u16),
            (Role::Ambient, 0) => Some(scaled(world.air().si(), 100.0)),
            (Role::Ambient, 1) => Some(scaled(world.humidity().si(), 10_000.0)),
            _ => None,
        }
    }

    fn holding(&self, address: u16) -> Option<u16> {
        self.has_holding(address).then(|| self.kept(false, address))
    }

    fn has_holding(&self, address: u16) -> bool {
        matches!((self.role, address), (Role::Amplifier, 0 | 1) | (Role::Contacts, 0))
    }

    fn write_coil(&self, address: u16, on: bool) -> Result<(), ExceptionCode> {
        let refused = ExceptionCode::ServerDeviceFailure;
        match (self.role, address) {
            (Role::Amplifier, 0) => {
                let muted = on || self.kept(true, 1) == 0;
                if self.rig.lock().cut(Cut::Mute, muted) && muted == on { Ok(()) } else { Err(refused) }
            }
            (Role::Amplifier, 1) => {
                self.keep(true, 1, u16::from(on));
                if !on {
                    self.rig.lock().cut(Cut::Mute, true);
                }
                Ok(())
            }
            (Role::Relay, 0) => {
                self.rig.lock().cut(Cut::Relay, on);
                Ok(())
            }
            (Role::Contacts, 0..CONTACTS) => {
                if !self.rig.lock().set_output(u32::from(address), on) {
                    tracing::debug!("nothing is connected to output {address}");
                }
                self.keep(true, address, u16::from(on));
                Ok(())
            }
            _ => Err(ExceptionCode::IllegalDataAddress),
        }
    }

    fn write_word(&self, address: u16, word: u16) -> Result<(), ExceptionCode> {
        if !self.has_holding(address) {
            return Err(ExceptionCode::IllegalDataAddress);
        }
        self.keep(false, address, word);
        Ok(())
    }

    fn answer(&self, request: Request<'static>) -> Result<Response, ExceptionCode> {
        if self.role == Role::Amplifier {
            self.rig.lock().note_amplifier_contact();
        }
        match request {
            Request::ReadCoils(a, n) => many(a, n, 2000, |a| self.coil(a)).map(Response::ReadCoils),
            Request::ReadDiscreteInputs(a, n) => {
                many(a, n, 2000, |a| self.discrete(a)).map(Response::ReadDiscreteInputs)
            }
            Request::ReadInputRegisters(a, n) => {
                many(a, n, 125, |a| self.input(a)).map(Response::ReadInputRegisters)
            }
            Request::ReadHoldingRegisters(a, n) => {
                many(a, n, 125, |a| self.holding(a)).map(Response::ReadHoldingRegisters)
            }
            Request::WriteSingleCoil(a, on) => {
                self.write_coil(a, on).map(|()| Response::WriteSingleCoil(a, on))
            }
            Request::WriteSingleRegister(a, word) => {
                self.write_word(a, word).map(|()| Response::WriteSingleRegister(a, word))
            }
            Request::WriteMultipleRegisters(a, words) => {
                let count = u16::try_from(words.len()).map_err(|_| ExceptionCode::IllegalDataValue)?;
                for (address, word) in (a..=u16::MAX).zip(words.iter()) {
                    self.write_word(address, *word)?;
                }
                Ok(Response::WriteMultipleRegisters(a, count))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        }
    }
}

/// Reads several places of a table.
fn many<T>(
    first: u16,
    count: u16,
    most: u16,
    read: impl Fn(u16) -> Option<T>,
) -> Result<Vec<T>, ExceptionCode> {
    if count == 0 || count > most {
        return Err(ExceptionCode::IllegalDataValue);
    }
    let last = first.checked_add(count - 1).ok_or(ExceptionCode::IllegalDataAddress)?;
    (first..=last).map(|a| read(a).ok_or(ExceptionCode::IllegalDataAddress)).collect()
}

/// A value in counts as a signed register holds it.
fn scaled(value: f64, per_unit: f64) -> u16 {
    #[expect(clippy::cast_possible_truncation, reason = "a float saturates")]
    let count = (value * per_unit).round() as i16;
    count.cast_unsigned()
}

/// A unit as the protocol's library calls it.
struct Desk(Arc<Unit>);

impl Service for Desk {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(self.0.answer(request.request))
    }
}

/// Answers requests until it is dropped.
pub(super) async fn serve(place: Place, unit: Arc<Unit>) {
    let ended = match place {
        Place::Line { stream, .. } => rtu::Server::new(stream).serve_forever(Desk(unit)).await,
        Place::Tcp(listener, _) => {
            let connected = |stream: tokio::net::TcpStream, _| {
                let _ = stream.set_nodelay(true);
                ready(Ok(Some((Desk(unit.clone()), stream))))
            };
            let failed = |error: std::io::Error| tracing::debug!("a connection ended: {error}");
            tcp::Server::new(listener).serve(&connected, failed).await
        }
    };
    if let Err(error) = ended {
        tracing::warn!("a Modbus panel ended: {error}");
    }
}
