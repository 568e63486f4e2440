//! Drivers whose instruments run in hosts: built-in ones in this program once more, plug-ins in programs of others.

use super::hosts::Hosts;
use super::program::{Program, check_name};
use super::roles::{Remote, RemoteAcquisition, RemoteAmbient, RemoteAmplifier, RemoteContacts, RemoteSource};
use super::safe::{RemoteSafe, Started, Starter, TRANSIT, identity};
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{Hello, VERSION};
use crate::registry::DriverFactory;
use crate::safe::{Opened, SafeHandle};
use async_trait::async_trait;
use plan_schema::rig::{Instrument, Rig};
use plan_schema::units::{SampleIndex, Seconds};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// Times that hosts are held to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HostedOptions {
    /// Longest time that a call may take.
    pub reply_limit: Seconds,
    /// A host that hears no heartbeat it believes for this long makes its instrument safe and ends.
    pub heartbeat_limit: Seconds,
}

/// Heartbeats within their limit.
const BEATS: u32 = 5;

/// Of the time without blocks that trips, how much a host waits for a heartbeat: it has to be safe before.
const OF_BLOCK_LIMIT: f64 = 0.6;

/// Blocks that may pass between two heartbeats that are believed: each carries the last one judged.
const BLOCKS_BETWEEN: f64 = 3.0;

/// The same for long blocks with pauses between them, of which the longest is known.
const GATES_BETWEEN: f64 = 1.5;

/// Times the reply limit that opening may take, as at the station.
const OPENING: f64 = 10.0;

impl HostedOptions {
    /// What follows from a rig's own times.
    #[must_use]
    pub fn of(rig: &Rig) -> Self {
        let by_limit = rig.timing.block_limit * OF_BLOCK_LIMIT;
        let by_block = match rig.acquisition.pause {
            None => rig.acquisition.block * BLOCKS_BETWEEN,
            Some(pause) => (rig.acquisition.block + pause) * GATES_BETWEEN,
        };
        Self { reply_limit: rig.timing.reply_limit, heartbeat_limit: by_limit.max(by_block) }
    }
}

/// A built-in driver whose instruments each run in a host of their own.
pub struct Hosted {
    inner: Arc<dyn DriverFactory>,
    program: Program,
    hosts: Arc<Hosts>,
    options: HostedOptions,
}

impl Hosted {
    /// `program` serves the same driver as `inner`, which here only describes itself and checks settings.
    #[must_use]
    pub fn new(
        inner: Arc<dyn DriverFactory>,
        program: Program,
        hosts: Arc<Hosts>,
        options: HostedOptions,
    ) -> Self {
        Self { inner, program, hosts, options }
    }
}

#[async_trait]
impl DriverFactory for Hosted {
    fn kind(&self) -> &str {
        self.inner.kind()
    }

    fn describe(&self) -> &str {
        self.inner.describe()
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        self.inner.check(instrument)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let hello = hello(instrument, self.options);
        open(self.program.clone(), hello, &self.hosts, self.options).await
    }

    fn host(&self, instrument: &Instrument) -> Option<Result<(Program, Hello), DriverError>> {
        Some(Ok((self.program.clone(), hello(instrument, self.options))))
    }
}

/// The word for a plug-in in a rig file.
pub const PLUG_IN: &str = "plug-in";

/// The setting of a plug-in that names its program.
const PROGRAM: &str = "program";

/// Instruments behind programs of others.
pub struct PlugIns {
    folders: Vec<PathBuf>,
    hosts: Arc<Hosts>,
    options: Option<HostedOptions>,
}

impl PlugIns {
    /// Starts programs from these folders only, which the settings of the machine list, never a rig file.
    #[must_use]
    pub fn new(folders: Vec<PathBuf>, hosts: Arc<Hosts>, options: HostedOptions) -> Self {
        Self { folders, hosts, options: Some(options) }
    }

    /// For the list of drivers and for checking settings: opens nothing.
    #[must_use]
    pub fn listing() -> Self {
        Self { folders: Vec::new(), hosts: Arc::default(), options: None }
    }
}

#[async_trait]
impl DriverFactory for PlugIns {
    fn kind(&self) -> &str {
        PLUG_IN
    }

    fn describe(&self) -> &str {
        "a program of your own that speaks the protocol of drivers/PROTOCOL.md, from a folder that the settings list"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        program_of(instrument).err().into_iter().collect()
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let (program, hello) = self.program(instrument)?;
        let options = self.options.ok_or_else(|| listed_only(instrument))?;
        open(program, hello, &self.hosts, options).await
    }

    fn host(&self, instrument: &Instrument) -> Option<Result<(Program, Hello), DriverError>> {
        Some(self.program(instrument))
    }
}

impl PlugIns {
    /// The program of a plug-in, and what it is greeted with.
    fn program(&self, instrument: &Instrument) -> Result<(Program, Hello), DriverError> {
        let refuse = |kind, detail| DriverError::new(kind, &instrument.name, "open", detail);
        let options = self.options.ok_or_else(|| listed_only(instrument))?;
        let name = program_of(instrument).map_err(|detail| refuse(ErrorKind::OutOfRange, detail))?;
        let program = Program::plug_in(name, &self.folders)
            .map_err(|error| refuse(ErrorKind::Unsupported, error.to_string()))?;
        let mut instrument = instrument.clone();
        instrument.settings.0.remove(PROGRAM);
        Ok((program, hello(&instrument, options)))
    }
}

fn listed_only(instrument: &Instrument) -> DriverError {
    let detail = "plug-ins are started for a run on real instruments only";
    DriverError::new(ErrorKind::Unsupported, &instrument.name, "open", detail)
}

fn program_of(instrument: &Instrument) -> Result<&str, String> {
    let name = instrument.settings.0.get(PROGRAM).and_then(|name| name.as_str()).ok_or_else(|| {
        format!(
            "instrument '{}': a plug-in needs the name of its program: settings = {{ program = \"NAME\" }}",
            instrument.name
        )
    })?;
    check_name(name).map_err(|error| format!("instrument '{}': {error}", instrument.name))?;
    Ok(name)
}

/// What the host of an instrument is greeted with.
fn hello(instrument: &Instrument, options: HostedOptions) -> Hello {
    let instrument = instrument.clone();
    Hello {
        protocol: VERSION.to_string(),
        instrument: instrument.name,
        driver: instrument.driver,
        latency_s: instrument.latency.si(),
        serial: instrument.serial,
        settings: instrument.settings.0,
        reply_limit_s: options.reply_limit.si(),
        heartbeat_limit_s: options.heartbeat_limit.si(),
    }
}

/// Starts the host of an instrument and takes the roles that it introduces.
async fn open(
    program: Program,
    hello: Hello,
    hosts: &Arc<Hosts>,
    options: HostedOptions,
) -> Result<Opened, DriverError> {
    let seconds = |time: Seconds| Duration::from_secs_f64(time.si().clamp(0.001, 3600.0));
    let name = hello.instrument.clone();
    let beat = seconds(options.heartbeat_limit) / BEATS;
    let starter = Starter { program, hello, hosts: hosts.clone(), beat };
    let Started { link, blocks, introduction } =
        starter.start(seconds(options.reply_limit * OPENING)).await?;
    let safe = RemoteSafe::new(starter, link.clone(), &introduction);
    let safe_within = safe.within();
    let limit = seconds(options.reply_limit) + TRANSIT;
    let remote = Remote { link, instrument: name, limit };
    let identity = identity(&introduction);
    let roles = introduction.roles;
    Ok(Opened {
        identity,
        source: roles.source.map(|s| Box::new(RemoteSource(remote.clone(), s.into())) as _),
        amplifier: roles.amplifier.map(|_| Box::new(RemoteAmplifier(remote.clone())) as _),
        acquisition: roles.acquisition.map(|role| {
            Box::new(RemoteAcquisition {
                remote: remote.clone(),
                continuity: role.continuity.into(),
                blocks,
                channels: 0,
                next: SampleIndex(0),
            }) as _
        }),
        ambient: roles.ambient.map(|_| Box::new(RemoteAmbient(remote.clone())) as _),
        contacts: roles.contacts.map(|_| Box::new(RemoteContacts(remote.clone())) as _),
        safe: Arc::new(safe) as Arc<dyn SafeHandle>,
        safe_within,
    })
}
