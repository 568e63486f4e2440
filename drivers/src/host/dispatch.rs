//! The reader: opens the instrument, then hands each line to whom it concerns. It waits for nothing but the next line.

use super::roles::{self, Asked, Desk};
use super::safe::duration;
use super::serve::Sign;
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{
    AcquisitionRole, Call, Fault, HEARTBEAT, Heartbeat, Hello, Introduction, Line, LineReader, MakeSafe,
    Message, NO_METHOD, NoLimits, PARSE, Proof, Roles, VERSION, failure, not_finite, params, parse, reply,
};
use crate::registry::Registry;
use crate::safe::{Opened, SafeProof, StopReason};
use plan_schema::read::Table;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use std::io::BufRead;
use std::sync::mpsc::Sender as Signal;
use std::sync::{Arc, OnceLock};
use tokio::runtime::Handle;
use tokio::sync::mpsc::{Sender, channel, error::TrySendError};

/// Commands that may wait at a role. The daemon never has more than a few under way.
const DEPTH: usize = 8;

/// Times the reply limit that opening may take, as in the daemon.
const OPENING: f64 = 10.0;

/// Where the commands of each role go.
#[derive(Default)]
struct Routes {
    source: Option<Sender<Asked>>,
    amplifier: Option<Sender<Asked>>,
    acquisition: Option<Sender<Asked>>,
    ambient: Option<Sender<Asked>>,
    contacts: Option<Sender<Asked>>,
}

pub(super) struct Reader {
    desk: Desk,
    signs: Signal<Sign>,
    runtime: Handle,
    routes: Arc<OnceLock<Routes>>,
}

impl Reader {
    /// Begins to open the instrument; the reply to `hello` follows when that ended, and `opening` is let go.
    pub(super) fn open(
        desk: Desk,
        signs: Signal<Sign>,
        runtime: Handle,
        opening: Signal<()>,
        registry: Registry,
        id: u64,
        hello: Hello,
    ) -> Self {
        let reader = Self { desk: desk.clone(), signs, runtime: runtime.clone(), routes: Arc::default() };
        let routes = reader.routes.clone();
        runtime.spawn(async move {
            let line = match open(&desk, &registry, hello).await {
                Ok((introduction, opened)) => {
                    // Set once, by this task alone.
                    let _ = routes.set(spawn(&desk, opened));
                    reply(id, &introduction).unwrap_or_else(|fault| failure(Some(id), &fault))
                }
                Err(error) => failure(Some(id), &Fault::from(&error)),
            };
            desk.output.reply(line);
            drop(opening);
        });
        reader
    }

    /// Reads to the end of the input.
    pub(super) fn read<R: BufRead>(self, mut lines: LineReader<R>) {
        let over = loop {
            match lines.next_line() {
                Ok(Line::Whole(line)) => self.hear(line),
                Ok(Line::TooLong) => {
                    self.desk.output.reply(failure(None, &Fault::plain(PARSE, "the line is too long")));
                }
                Ok(Line::Torn) => break "the input ended within a line",
                Ok(Line::End) => break "the input ended",
                Err(_) => break "the input can't be read",
            }
        };
        // The watch may have ended before.
        let _ = self.signs.send(Sign::Over(over));
    }

    fn hear(&self, line: &[u8]) {
        match parse(line) {
            Ok(Message::Request { id, method }) if method == MakeSafe::METHOD => self.make_safe(id, line),
            Ok(Message::Request { id, method }) => {
                let asked = Asked { id, method: method.into_owned(), line: line.to_vec() };
                if let Err(fault) = self.route(asked) {
                    self.desk.output.reply(failure(Some(id), &fault));
                }
            }
            Ok(Message::Notification { method }) if method == HEARTBEAT => match params(line) {
                Ok(beat) => self.beat(beat),
                Err(fault) => tracing::warn!("a heartbeat can't be read: {}", fault.message),
            },
            // A later minor version may say more than is known here.
            Ok(other) => tracing::debug!(?other, "not understood and passed over"),
            Err(fault) => self.desk.output.reply(failure(None, &fault)),
        }
    }

    fn beat(&self, beat: Heartbeat) {
        if self.desk.shared.leave().hear(beat) {
            let _ = self.signs.send(Sign::Alive);
        }
    }

    /// Never waits for another call: a task of its own.
    fn make_safe(&self, id: u64, line: &[u8]) {
        let desk = self.desk.clone();
        // A reason that can't be read is no reason not to.
        let why = params::<MakeSafe>(line).map_or(StopReason::LinkLost, |params| params.reason.into());
        self.runtime.spawn(async move {
            let line = match desk.shared.make_safe(why).await {
                Ok(SafeProof { drive, muted }) => {
                    let drive_v_peak = drive.map(|d| d.si());
                    let not_finite = not_finite([("drive_v_peak", drive_v_peak.unwrap_or(0.0))]);
                    reply(id, &Proof { drive_v_peak, muted, not_finite })
                }
                Err(error) => Err(Fault::from(&error)),
            };
            desk.output.reply(line.unwrap_or_else(|fault| failure(Some(id), &fault)));
        });
    }

    fn route(&self, asked: Asked) -> Result<(), Fault> {
        let (role, _) = asked.method.split_once('.').unwrap_or((asked.method.as_str(), ""));
        let Some(routes) = self.routes.get() else {
            return Err(Fault::of(ErrorKind::Protocol, "the instrument is not open yet; wait for hello"));
        };
        let line = match role {
            "source" => &routes.source,
            "amplifier" => &routes.amplifier,
            "acquisition" => &routes.acquisition,
            "ambient" => &routes.ambient,
            "contacts" => &routes.contacts,
            _ => return Err(Fault::plain(NO_METHOD, format!("there is no method '{}'", asked.method))),
        };
        let Some(line) = line else {
            return Err(Fault::of(ErrorKind::Unsupported, format!("the instrument has no role '{role}'")));
        };
        line.try_send(asked).map_err(|error| match error {
            TrySendError::Full(_) => Fault::of(ErrorKind::Busy, format!("{DEPTH} calls wait already")),
            TrySendError::Closed(_) => Fault::bug("the role's task has ended"),
        })
    }
}

/// Opens the instrument and says what it is.
async fn open(desk: &Desk, registry: &Registry, hello: Hello) -> Result<(Introduction, Opened), DriverError> {
    let name = desk.shared.name.clone();
    let instrument = Instrument {
        name: name.clone(),
        driver: hello.driver,
        latency: Seconds::new(hello.latency_s),
        serial: hello.serial,
        certificate: None,
        settings: Table(hello.settings),
    };
    let limit = Seconds::new(hello.reply_limit_s * OPENING);
    let factory = registry.find(&instrument)?;
    let opened = tokio::time::timeout(duration(limit), factory.open(&instrument)).await.map_err(|_| {
        DriverError::new(ErrorKind::Timeout, &name, "open", format!("it did not open within {limit}"))
    })??;
    let transfer = opened.safe.transfer_within().unwrap_or(opened.safe_within);
    let introduction = Introduction {
        protocol: VERSION.to_string(),
        identity: (&opened.identity).into(),
        roles: Roles {
            source: opened.source.as_ref().map(|s| s.limits().into()),
            amplifier: opened.amplifier.as_ref().map(|_| NoLimits {}),
            acquisition: opened
                .acquisition
                .as_ref()
                .map(|a| AcquisitionRole { continuity: a.continuity().into() }),
            ambient: opened.ambient.as_ref().map(|_| NoLimits {}),
            contacts: opened.contacts.as_ref().map(|_| NoLimits {}),
        },
        safe_ms: opened.safe_within.si() * 1e3,
        transfer_ms: transfer.si() * 1e3,
    };
    desk.shared.opened(opened.safe.clone(), opened.safe_within);
    Ok((introduction, opened))
}

/// Gives each role a task of its own, which owns it.
fn spawn(desk: &Desk, opened: Opened) -> Routes {
    let Opened { source, amplifier, acquisition, ambient, contacts, .. } = opened;
    let mut routes = Routes::default();
    if let Some(device) = source {
        let (line, asked) = channel(DEPTH);
        tokio::spawn(roles::source(desk.clone(), device, asked));
        routes.source = Some(line);
    }
    if let Some(device) = amplifier {
        let (line, asked) = channel(DEPTH);
        tokio::spawn(roles::amplifier(desk.clone(), device, asked));
        routes.amplifier = Some(line);
    }
    if let Some(device) = acquisition {
        let (line, asked) = channel(DEPTH);
        tokio::spawn(roles::acquisition(desk.clone(), device, asked));
        routes.acquisition = Some(line);
    }
    if let Some(device) = ambient {
        let (line, asked) = channel(DEPTH);
        tokio::spawn(roles::ambient(desk.clone(), device, asked));
        routes.ambient = Some(line);
    }
    if let Some(device) = contacts {
        let (line, asked) = channel(DEPTH);
        tokio::spawn(roles::contacts(desk.clone(), device, asked));
        routes.contacts = Some(line);
    }
    routes
}
