//! Modbus requests, each checked against its answer, with time-outs and the silence that RTU wants.
//!
//! Owns: the connection and when it is opened anew. An answer of another length, another address or another value than
//! was asked for is an error here: nothing that a peer sends passes for data because it came. A request that was cut off
//! closes the link, so that its late answer meets nobody.

use crate::built_in::link::Link;
use crate::built_in::link::lane::{GIVES_WAY, MAKE_SAFE, Wanted};
use crate::built_in::link::number::shorten;
use crate::built_in::link::talk::of_io;
use crate::error::{DriverError, ErrorKind};
use std::borrow::Cow;
use std::fmt;
use std::time::Duration;
use tokio::time::{Instant, sleep_until, timeout};
use tokio_modbus::client::{Client, Context, rtu, tcp};
use tokio_modbus::{Error, ExceptionCode, Request, Response, Slave};

/// The four tables of Modbus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Table {
    /// Bits that are read and written.
    Coil,
    /// Bits that are read.
    Discrete,
    /// Registers that are read.
    Input,
    /// Registers that are read and written.
    Holding,
}

impl Table {
    /// Its word in settings.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Coil => "coil",
            Self::Discrete => "discrete",
            Self::Input => "input",
            Self::Holding => "holding",
        }
    }

    /// Most that one request reads (Modbus application protocol V1.1b3, 6.1 to 6.4).
    pub(super) fn most(self) -> u16 {
        match self {
            Self::Coil | Self::Discrete => 2000,
            Self::Input | Self::Holding => 125,
        }
    }
}

/// A Modbus unit behind a link.
pub(super) struct Modbus {
    instrument: String,
    link: Link,
    context: Option<Context>,
    unfinished: bool,
    opened: bool,
    reopened: bool,
    /// When the line has been silent for long enough.
    free_at: Option<Instant>,
    /// What requests give way to.
    wanted: Wanted,
}

impl fmt::Debug for Modbus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Modbus unit {} at {}", self.link.unit, self.link.address())
    }
}

type Failure = (ErrorKind, String);

impl Modbus {
    /// A unit whose link is opened when it is first asked.
    pub(super) fn new(instrument: &str, link: &Link) -> Self {
        Self {
            instrument: instrument.to_owned(),
            link: link.clone(),
            context: None,
            unfinished: false,
            opened: false,
            reopened: false,
            free_at: None,
            wanted: Wanted::default(),
        }
    }

    /// What requests give way to: for the lane that this unit lies in.
    pub(super) fn wanted(&self) -> Wanted {
        self.wanted.clone()
    }

    /// True once after the link was opened anew.
    pub(super) fn take_reopened(&mut self) -> bool {
        std::mem::take(&mut self.reopened)
    }

    /// Reads `count` places of a table from `first` on; a bit is 0 or 1. Asked again where no answer comes, as often as the
    /// settings say, but not to make safe.
    ///
    /// # Errors
    /// Where no answer comes, or another than was asked for.
    pub(super) async fn read(
        &mut self,
        op: &'static str,
        table: Table,
        first: u16,
        count: u16,
    ) -> Result<Vec<u16>, DriverError> {
        let request = match table {
            Table::Coil => Request::ReadCoils(first, count),
            Table::Discrete => Request::ReadDiscreteInputs(first, count),
            Table::Input => Request::ReadInputRegisters(first, count),
            Table::Holding => Request::ReadHoldingRegisters(first, count),
        };
        let mut tries = 0;
        let answer = loop {
            match self.call(op, request.clone()).await {
                Err(error)
                    if tries < self.link.retries
                        && op != MAKE_SAFE
                        && matches!(error.kind, ErrorKind::Timeout | ErrorKind::Disconnected) =>
                {
                    tries += 1;
                    tracing::warn!(instrument = self.instrument, "asked again: {error}");
                }
                other => break other?,
            }
        };
        let read = match answer {
            Response::ReadCoils(bits) | Response::ReadDiscreteInputs(bits) => {
                // Bits come in whole bytes.
                let whole = usize::from(count).div_ceil(8) * 8;
                (bits.len() == whole || bits.len() == usize::from(count))
                    .then(|| bits.into_iter().take(usize::from(count)).map(u16::from).collect())
            }
            Response::ReadInputRegisters(words) | Response::ReadHoldingRegisters(words) => {
                (words.len() == usize::from(count)).then_some(words)
            }
            _ => None,
        };
        read.ok_or_else(|| self.not_what_was_asked(op))
    }

    /// Writes a coil. Not written again where no answer comes.
    ///
    /// # Errors
    /// Where no answer comes, or another than was asked for.
    pub(super) async fn write_coil(
        &mut self,
        op: &'static str,
        address: u16,
        on: bool,
    ) -> Result<(), DriverError> {
        match self.call(op, Request::WriteSingleCoil(address, on)).await? {
            Response::WriteSingleCoil(a, v) if (a, v) == (address, on) => Ok(()),
            _ => Err(self.not_what_was_asked(op)),
        }
    }

    /// Writes registers from `first` on. Not written again where no answer comes.
    ///
    /// # Errors
    /// Where no answer comes, or another than was asked for.
    pub(super) async fn write_words(
        &mut self,
        op: &'static str,
        first: u16,
        words: &[u16],
    ) -> Result<(), DriverError> {
        let count = u16::try_from(words.len()).unwrap_or(u16::MAX);
        let done = match words {
            [word] => {
                let answer = self.call(op, Request::WriteSingleRegister(first, *word)).await?;
                matches!(answer, Response::WriteSingleRegister(a, v) if (a, v) == (first, *word))
            }
            words => {
                let request = Request::WriteMultipleRegisters(first, Cow::Owned(words.to_vec()));
                let answer = self.call(op, request).await?;
                matches!(answer, Response::WriteMultipleRegisters(a, n) if (a, n) == (first, count))
            }
        };
        if done { Ok(()) } else { Err(self.not_what_was_asked(op)) }
    }

    fn not_what_was_asked(&mut self, op: &'static str) -> DriverError {
        self.hang_up();
        self.wrong(ErrorKind::Protocol, op, "the answer is not of the length or value that was asked for")
    }

    /// An error about this instrument.
    pub(super) fn wrong(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        let detail = format!("{} (unit {} at {})", detail.into(), self.link.unit, self.link.address());
        DriverError::new(kind, &self.instrument, op, detail)
    }

    /// Between two requests, for the sake of what makes safe.
    fn give_way(&self, op: &str) -> Result<(), Failure> {
        if self.wanted.before(op) { Err((ErrorKind::Busy, GIVES_WAY.to_owned())) } else { Ok(()) }
    }

    fn hang_up(&mut self) {
        self.context = None;
        self.unfinished = false;
    }

    async fn call(&mut self, op: &'static str, request: Request<'static>) -> Result<Response, DriverError> {
        if self.unfinished {
            self.hang_up();
        }
        self.give_way(op).map_err(|(kind, detail)| self.wrong(kind, op, detail))?;
        self.ready(op).await.map_err(|(kind, detail)| self.wrong(kind, op, detail))?;
        self.give_way(op).map_err(|(kind, detail)| self.wrong(kind, op, detail))?;
        self.unfinished = true;
        let answer = self.call_now(request).await;
        self.free_at = self.silence().map(|silence| Instant::now() + silence);
        match answer {
            Ok(answer) => {
                self.unfinished = false;
                answer.map_err(|exception| {
                    let kind = kind_of(exception);
                    self.wrong(kind, op, format!("it refuses: {exception}"))
                })
            }
            Err((kind, detail)) => {
                self.hang_up();
                Err(self.wrong(kind, op, detail))
            }
        }
    }

    async fn call_now(
        &mut self,
        request: Request<'static>,
    ) -> Result<Result<Response, ExceptionCode>, Failure> {
        if let Some(free_at) = self.free_at {
            sleep_until(free_at).await;
        }
        let within = self.link.transfer();
        let context =
            self.context.as_mut().ok_or((ErrorKind::Disconnected, "the link is closed".to_owned()))?;
        match timeout(within, context.call(request)).await {
            Err(_) => Err((ErrorKind::Timeout, format!("no answer within {} ms", within.as_millis()))),
            Ok(Err(Error::Transport(error))) => Err(of_io(&error)),
            Ok(Err(Error::Protocol(error))) => Err((
                ErrorKind::Protocol,
                format!("its answer belongs to another request: {}", shorten(&error.to_string())),
            )),
            Ok(Ok(answer)) => Ok(answer),
        }
    }

    /// Opens the link where it is closed; on a line, late answers are waited out.
    async fn ready(&mut self, op: &str) -> Result<(), Failure> {
        if self.context.is_some() {
            return Ok(());
        }
        let transfer = self.link.transfer();
        let within = if self.opened { transfer * 2 } else { Duration::MAX };
        let mut wire = self.link.connect(within).await.map_err(|e| of_io(&e))?;
        #[expect(clippy::cast_possible_truncation, reason = "the settings are checked to be at most 255")]
        let unit = Slave(self.link.unit as u8);
        // At the first opening too: what a host before this one asked may be answered only now.
        self.link.drain(&mut wire, op, &self.wanted).await.map_err(|e| of_io(&e))?;
        self.context = Some(if self.link.keeps_late_answers() {
            rtu::attach_slave(wire, unit)
        } else {
            tcp::attach_slave(wire, unit)
        });
        self.reopened |= self.opened;
        self.opened = true;
        Ok(())
    }

    /// The silence between two frames of RTU: 3.5 characters of 11 bits, and 1.75 ms above 19200 baud (Modbus over serial
    /// line V1.02, 2.5.1.1).
    fn silence(&self) -> Option<Duration> {
        self.link.keeps_late_answers().then(|| silence_at(self.link.baud))
    }
}

fn silence_at(baud: u32) -> Duration {
    if baud > 19_200 {
        return Duration::from_micros(1750);
    }
    Duration::from_secs_f64(3.5 * 11.0 / f64::from(baud.max(1)))
}

/// What an exception means for the one who asked (Modbus application protocol V1.1b3, 7).
fn kind_of(exception: ExceptionCode) -> ErrorKind {
    match exception {
        ExceptionCode::IllegalFunction => ErrorKind::Unsupported,
        ExceptionCode::IllegalDataAddress | ExceptionCode::IllegalDataValue => ErrorKind::OutOfRange,
        ExceptionCode::Acknowledge | ExceptionCode::ServerDeviceBusy => ErrorKind::Busy,
        ExceptionCode::GatewayPathUnavailable | ExceptionCode::GatewayTargetDevice => ErrorKind::Disconnected,
        _ => ErrorKind::BadData,
    }
}

#[cfg(test)]
mod tests;
