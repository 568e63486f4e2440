//! The ways to an instrument: TCP, a serial line, a character device.
//!
//! Owns: the settings of a link, opening one within a time, and the two manners of speaking over it: lines of text
//! (`talk`) and, beside this folder, Modbus. Every wait here ends; nothing is retried more often than the settings say.

pub(super) mod lane;
pub(super) mod number;
pub(super) mod talk;
pub(super) mod template;
#[cfg(test)]
pub(crate) mod tests_support;

use lane::{MAKE_SAFE, Wanted};
use plan_schema::units::Seconds;
use plan_schema::{written_table, written_words};
use std::fmt::Debug;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout};
use tokio_serial::{DataBits, FlowControl, SerialPortBuilderExt, StopBits};

written_words! {
    /// What ends a line in either direction.
    pub enum Ending {
        /// Line feed.
        Lf = "lf",
        /// Carriage return.
        Cr = "cr",
        /// Carriage return, line feed.
        CrLf = "crlf",
    }
}

impl Ending {
    /// The characters.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Lf => "\n",
            Self::Cr => "\r",
            Self::CrLf => "\r\n",
        }
    }
}

written_words! {
    /// Parity of a serial line.
    pub enum Parity {
        /// No parity bit.
        None = "none",
        /// Even parity.
        Even = "even",
        /// Odd parity.
        Odd = "odd",
    }
}

written_words! {
    /// Flow control of a serial line.
    pub enum Flow {
        /// None.
        None = "none",
        /// By the lines RTS and CTS.
        Hardware = "hardware",
        /// By the characters XON and XOFF.
        Software = "software",
    }
}

written_table! {
    /// How an instrument is reached: one of `tcp`, `serial` and `usbtmc`.
    pub struct Link {
        /// Host and port, such as "192.0.2.7:5025".
        pub tcp: Option<String>,
        /// Path of a serial line, by a name that stays with the adapter, such as "/dev/serial/by-id/…".
        pub serial: Option<String>,
        /// Path of the kernel's character device of a USB test and measurement instrument, such as "/dev/usbtmc0". A transfer that
        /// the instrument does not end keeps this link for up to 5 s: the armature needs a way to stop that goes without it.
        pub usbtmc: Option<String>,
        /// Bits per second of a serial line.
        pub baud: u32 = 9600,
        /// Parity of a serial line.
        pub parity: Parity = Parity::None,
        /// Data bits of a serial line.
        pub data_bits: u32 = 8,
        /// Stop bits of a serial line.
        pub stop_bits: u32 = 1,
        /// Flow control of a serial line.
        pub flow: Flow = Flow::None,
        /// Unit (slave address) of a Modbus instrument.
        pub unit: u32 = 1,
        /// What ends a line of text.
        pub ending: Ending = Ending::Lf,
        /// Longest time for one transfer there and back.
        pub timeout: Seconds = Seconds::new(0.1),
        /// Longest time for opening the link.
        pub opening: Seconds = Seconds::new(2.0),
        /// How often a question is asked again that was not answered. Settings are never repeated, and nothing is while it is made
        /// safe.
        pub retries: u32 = 1,
    }
}

/// Longest time-out that is allowed: a call that ends this late helps nobody.
const TIMEOUT_MAX: f64 = 60.0;
/// So long the kernel keeps a transfer that an instrument on USBTMC does not end, in s, and every other of it waits (Linux,
/// drivers/usb/class/usbtmc.c, `USBTMC_TIMEOUT`; from memory). A program can shorten that only by a call that no safe code has.
const USBTMC_KEEPS: f64 = 5.0;
/// Most repetitions of a question.
const RETRIES_MAX: u32 = 5;

impl Link {
    /// What is wrong with it, each with its remedy.
    pub(super) fn problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        let ways = [&self.tcp, &self.serial, &self.usbtmc];
        if ways.iter().filter(|w| w.is_some()).count() != 1 {
            found.push(
                "settings.link: it needs exactly one of tcp, serial and usbtmc; write such as link = { tcp = \
                 \"192.0.2.7:5025\" }"
                    .to_owned(),
            );
        }
        if let Some(address) = self.tcp.as_ref().filter(|a| !is_host_and_port(a)) {
            found.push(format!(
                "settings.link.tcp: '{address}' is no host and port; write such as \"192.0.2.7:5025\""
            ));
        }
        if !(5..=8).contains(&self.data_bits) || !(1..=2).contains(&self.stop_bits) || self.baud == 0 {
            found.push(format!(
                "settings.link: {} baud, {} data bits and {} stop bits can't be set; write a rate above 0, 5 to 8 data \
                 bits, 1 or 2 stop bits",
                self.baud, self.data_bits, self.stop_bits
            ));
        }
        for (key, time) in [("timeout", self.timeout), ("opening", self.opening)] {
            if !(time.si() >= 0.001 && time.si() <= TIMEOUT_MAX) {
                found.push(format!(
                    "settings.link.{key}: {time} can't be kept; write 1 ms to {TIMEOUT_MAX} s"
                ));
            }
        }
        if self.retries > RETRIES_MAX {
            found.push(format!(
                "settings.link.retries: {} are too many; write 0 to {RETRIES_MAX}",
                self.retries
            ));
        }
        if self.unit > 255 {
            found.push(format!("settings.link.unit: {} is no unit; write 0 to 255", self.unit));
        }
        found
    }

    /// The same for an instrument that is spoken to in Modbus.
    pub(super) fn problems_of_modbus(&self) -> Vec<String> {
        let mut found = self.problems();
        if self.usbtmc.is_some() {
            found.push(
                "settings.link.usbtmc: Modbus does not go over USBTMC; write tcp, or serial for RTU"
                    .to_owned(),
            );
        }
        found
    }

    /// What the kernel may add to the time-out of a transfer that was given up: over USBTMC the next waits for its own time-out.
    pub(super) fn delay(&self) -> Seconds {
        let over = if self.usbtmc.is_some() { USBTMC_KEEPS - self.timeout.si() } else { 0.0 };
        Seconds::new(over.max(0.0))
    }

    /// The address in words.
    #[must_use]
    pub fn address(&self) -> &str {
        [&self.tcp, &self.serial, &self.usbtmc].into_iter().flatten().next().map_or("nowhere", String::as_str)
    }

    /// Longest time for one transfer.
    pub(super) fn transfer(&self) -> Duration {
        Duration::from_secs_f64(self.timeout.si().clamp(0.001, TIMEOUT_MAX))
    }

    /// Longest time that a line has to be quiet before it is spoken on.
    pub(super) fn quiet(&self) -> Duration {
        self.transfer().min(QUIET)
    }

    /// Longest time that making safe takes, where it takes at most so many transfers: the step of another call that is under
    /// way, those transfers, and the link opened anew once (connection, quiet, identity). Nothing is asked twice meanwhile.
    pub(super) fn safe_within(&self, transfers: f64) -> Seconds {
        let quiet = if self.is_drained() { 2.0 * self.quiet().as_secs_f64() } else { 0.0 };
        self.timeout * (2.0 + transfers + 4.0) + Seconds::new(quiet) + self.delay()
    }

    /// Opens the link.
    ///
    /// # Errors
    /// Where it can't be opened within its time.
    pub(crate) async fn connect(&self, within: Duration) -> io::Result<Box<dyn Wire>> {
        let limit = within.min(Duration::from_secs_f64(self.opening.si().clamp(0.001, TIMEOUT_MAX)));
        let opened = timeout(limit, self.connect_now()).await;
        opened.unwrap_or_else(|_| Err(io::Error::new(io::ErrorKind::TimedOut, "it did not open in time")))
    }

    async fn connect_now(&self) -> io::Result<Box<dyn Wire>> {
        if let Some(address) = &self.tcp {
            let stream = TcpStream::connect(address.as_str()).await?;
            stream.set_nodelay(true)?;
            return Ok(Box::new(stream));
        }
        if let Some(path) = &self.serial {
            return Ok(Box::new(self.serial_line(path)?));
        }
        if let Some(path) = &self.usbtmc {
            // The kernel frames the messages: a write is one message, a read asks for one.
            let device = tokio::fs::OpenOptions::new().read(true).write(true).open(path).await?;
            return Ok(Box::new(device));
        }
        Err(io::Error::new(io::ErrorKind::InvalidInput, "the settings name no address"))
    }

    fn serial_line(&self, path: &str) -> io::Result<tokio_serial::SerialStream> {
        let bits = match self.data_bits {
            5 => DataBits::Five,
            6 => DataBits::Six,
            7 => DataBits::Seven,
            _ => DataBits::Eight,
        };
        let parity = match self.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        };
        let flow = match self.flow {
            Flow::None => FlowControl::None,
            Flow::Hardware => FlowControl::Hardware,
            Flow::Software => FlowControl::Software,
        };
        tokio_serial::new(path, self.baud)
            .data_bits(bits)
            .parity(parity)
            .flow_control(flow)
            .stop_bits(if self.stop_bits == 2 { StopBits::Two } else { StopBits::One })
            .open_native_async()
            .map_err(io::Error::from)
    }

    /// True where an answer may come in late after the link was opened anew: a line has no connection that could end.
    pub(super) fn keeps_late_answers(&self) -> bool {
        self.tcp.is_none()
    }

    /// True where such answers are waited out: over USBTMC nothing comes that was not asked for.
    fn is_drained(&self) -> bool {
        self.keeps_late_answers() && self.usbtmc.is_none()
    }

    /// Throws away what comes late, where anything may, so that `op` meets nothing of it. Ends after eight times of quiet; what
    /// makes safe waits for two at most and then speaks all the same, for its own answers are looked at.
    ///
    /// # Errors
    /// Where the wire is gone, or never quiet, or something urgent waits.
    pub(super) async fn drain(&self, wire: &mut Box<dyn Wire>, op: &str, wanted: &Wanted) -> io::Result<()> {
        if !self.is_drained() {
            return Ok(());
        }
        let times = if op == MAKE_SAFE { 2 } else { 8 };
        match drain(wire, self.quiet(), times, || wanted.before(op)).await {
            Err(error) if op == MAKE_SAFE && error.kind() == io::ErrorKind::InvalidData => {
                tracing::warn!("{error}; it is made safe all the same (at {})", self.address());
                Ok(())
            }
            drained => drained,
        }
    }
}

fn is_host_and_port(address: &str) -> bool {
    address.rsplit_once(':').is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok())
}

/// A stream of bytes to an instrument and back.
pub(crate) trait Wire: AsyncRead + AsyncWrite + Unpin + Send + Debug {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send + Debug> Wire for T {}

/// Most bytes that are thrown away before a line counts as babbling.
const BABBLE: usize = 1 << 20;

/// Longest time that a line has to be quiet before it is spoken on: who makes safe waits for it.
const QUIET: Duration = Duration::from_millis(250);

/// Throws away what comes in until nothing came for `quiet`. Ends after so many such times, or where `leave` says so.
async fn drain(
    wire: &mut Box<dyn Wire>,
    quiet: Duration,
    times: u32,
    leave: impl Fn() -> bool,
) -> io::Result<()> {
    let until = Instant::now() + quiet * times;
    let mut waste = [0_u8; 4096];
    let mut thrown = 0;
    while !leave() && Instant::now() + quiet <= until {
        match timeout(quiet, wire.read(&mut waste)).await {
            Err(_) => return Ok(()),
            Ok(Ok(0)) => return Err(io::Error::from(io::ErrorKind::UnexpectedEof)),
            Ok(Ok(count)) => thrown += count,
            Ok(Err(error)) => return Err(error),
        }
        if thrown > BABBLE {
            break;
        }
    }
    Err(io::Error::new(io::ErrorKind::InvalidData, "it sends without being asked and does not stop"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::built_in::settings::{self, tests::instrument};

    written_table! {
        /// Settings of the tests.
        pub struct Only {
            /// The link.
            pub link: Link,
        }
    }

    fn link(text: &str) -> Link {
        settings::read::<Only>(&instrument("x", text)).unwrap().link
    }

    #[test]
    fn a_link_goes_one_way() {
        assert!(link("link = { tcp = \"localhost:5025\" }").problems().is_empty());
        for bad in [
            "link = {}",
            "link = { tcp = \"localhost\" }",
            "link = { tcp = \":1\" }",
            "link = { tcp = \"a:1\", serial = \"/dev/ttyS0\" }",
            "link = { serial = \"/dev/ttyS0\", data_bits = 9 }",
            "link = { serial = \"/dev/ttyS0\", timeout = \"2 h\" }",
            "link = { tcp = \"a:1\", retries = 6 }",
            "link = { tcp = \"a:1\", unit = 256 }",
        ] {
            assert_eq!(link(bad).problems().len(), 1, "{bad}");
        }
    }

    #[test]
    fn what_the_kernel_adds_is_reckoned_with() {
        assert_eq!(link("link = { tcp = \"a:1\" }").delay(), Seconds::ZERO);
        let usb = link("link = { usbtmc = \"/dev/usbtmc0\", timeout = \"200 ms\" }");
        assert!((usb.delay().si() - 4.8).abs() < 1e-12);
        assert!(usb.problems().is_empty());
        assert_eq!(usb.problems_of_modbus().len(), 1);
    }

    /// A letter comes in before the line was quiet for long enough, again and again.
    #[tokio::test]
    async fn a_line_that_is_never_quiet_is_waited_for_in_bounded_time() {
        let (near, mut far) = tokio::io::duplex(64);
        tokio::spawn(async move {
            while tokio::io::AsyncWriteExt::write_all(&mut far, b"x").await.is_ok() {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        let (mut wire, quiet): (Box<dyn Wire>, _) = (Box::new(near), Duration::from_millis(100));
        let begun = Instant::now();
        assert!(drain(&mut wire, quiet, 8, || false).await.is_err());
        // As many letters as were passed over before took more than five seconds.
        assert!(begun.elapsed() < quiet * 40);
        assert!(drain(&mut wire, quiet, 8, || true).await.is_err());
    }

    /// Nobody listens at a port that was just given back; a path that is none is refused as well.
    #[tokio::test]
    async fn what_is_not_there_is_said_at_once() {
        let free = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
        let within = Duration::from_secs(1);
        assert!(link(&format!("link = {{ tcp = \"{free}\" }}")).connect(within).await.is_err());
        assert!(link("link = { serial = \"/dev/no-such-line\" }").connect(within).await.is_err());
        assert!(link("link = { usbtmc = \"/dev/no-such-device\" }").connect(within).await.is_err());
    }
}
