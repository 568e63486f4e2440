//! Front panels: the simulated rig in real time, behind the interfaces that real instruments have.
//!
//! Owns: a panel for each instrument of a rig file, by the kind of its driver, on loopback or a pseudo-terminal; and the
//! thread that lets simulated time pass with real time. What the panels understand is written in their modules, not taken
//! from the rig file: settings that do not fit are found out, as with a real instrument.
//!
//! Must not: judge anything, or be reachable from another machine.

mod gated;
mod line;
mod pace;
mod panels;
mod registers;
mod scpi;
mod stream;

use crate::SimulatedRig;
use crate::error::SimError;
use drivers::built_in::link::Link;
use pace::Pace;
use plan_schema::rig::Instrument;
use std::collections::BTreeMap;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio_serial::{SerialPort, SerialStream};

/// Where a panel listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// Host and port.
    Tcp(String),
    /// Path of a pseudo-terminal.
    Serial(String),
}

/// The panels of a rig. They end when this is dropped.
pub struct Served {
    /// Where each instrument listens, by its name; one that has no panel is not here.
    pub addresses: BTreeMap<String, Address>,
    tasks: JoinSet<()>,
    /// Keep the pseudo-terminals while nobody has them open.
    _lines: Vec<std::fs::File>,
    pace: Pace,
}

impl Served {
    /// Waits until a panel ends by itself, which none should.
    pub async fn ended(&mut self) {
        self.tasks.join_next().await;
    }
}

/// Which ports the panels take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ports {
    /// Those of the rig file.
    AsWritten,
    /// Any that are free.
    Free,
}

/// Serves the instruments of a rig, in real time from now on.
///
/// # Errors
/// A port that is taken, or a pseudo-terminal that can't be made; with its remedy.
pub async fn serve(rig: &SimulatedRig, instruments: &[Instrument], ports: Ports) -> Result<Served, SimError> {
    let pace = Pace::begin(rig.clone());
    let mut served = Served { addresses: BTreeMap::new(), tasks: JoinSet::new(), _lines: Vec::new(), pace };
    for instrument in instruments {
        let Some(panel) = panels::of(rig, instrument, &served.pace) else {
            continue;
        };
        let link = drivers::built_in::link_of(instrument);
        let place = Place::take(&instrument.name, link.as_ref(), ports).await?;
        served.addresses.insert(instrument.name.clone(), place.address());
        if let Place::Line { path, .. } = &place {
            let keep = std::fs::OpenOptions::new().read(true).write(true).open(path);
            served._lines.extend(keep.ok());
        }
        match panel {
            panels::Panel::Text(panel) => served.tasks.spawn(line::serve(place, panel)),
            panels::Panel::Registers(unit) => served.tasks.spawn(registers::serve(place, unit)),
            panels::Panel::Stream => {
                served.tasks.spawn(stream::serve(place, rig.clone(), served.pace.sink()))
            }
        };
    }
    Ok(served)
}

/// A place where a panel listens.
enum Place {
    Tcp(TcpListener, SocketAddr),
    Line { stream: SerialStream, path: String },
}

impl Place {
    async fn take(name: &str, link: Option<&Link>, ports: Ports) -> Result<Self, SimError> {
        if let Some(link) = link
            && link.tcp.is_none()
        {
            let remedy = "use tcp for this instrument, or a system with pseudo-terminals";
            let failed = |e: String| SimError::new(format!("no pseudo-terminal for '{name}': {e}"), remedy);
            let (stream, near) = SerialStream::pair().map_err(|e| failed(e.to_string()))?;
            let path = near.name().ok_or_else(|| failed("it has no name".to_owned()))?;
            return Ok(Self::Line { stream, path });
        }
        let written =
            link.and_then(|l| l.tcp.as_ref()).and_then(|a| a.rsplit_once(':')?.1.parse::<u16>().ok());
        let port = if ports == Ports::Free { 0 } else { written.unwrap_or(0) };
        let failed = |e: std::io::Error| {
            let message = format!("port {port} for '{name}' can't be taken: {e}");
            SimError::new(message, "end what listens there, or ask for free ports")
        };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Self::Tcp(listener, address))
    }

    fn address(&self) -> Address {
        match self {
            Self::Tcp(_, address) => Address::Tcp(address.to_string()),
            Self::Line { path, .. } => Address::Serial(path.clone()),
        }
    }
}

/// A panel that takes lines of text.
#[derive(Clone)]
struct Text {
    /// What it answers to a line.
    answer: Answer,
    /// Whether something that it was told is not in effect yet.
    is_busy: Arc<dyn Fn() -> bool + Send + Sync>,
}

/// What a text panel answers to a line.
type Answer = Arc<dyn Fn(&str) -> Vec<u8> + Send + Sync>;
