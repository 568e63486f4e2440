//! One task a device: it owns the role, takes commands one after the other, and answers into the engine's inbox.
//!
//! Every call is bounded: an instrument that does not answer within the rig's reply limit has failed as a time-out.

use super::messages::{AmplifierCommand, ContactsCommand, Message, SourceCommand};
use super::relayed::{LetsThrough, Relayed};
use drivers::{
    Acquisition, AcquisitionRequest, Ambient, Block, ChannelRequest, Contacts, Continuity, DriverError,
    ErrorKind, Guarded, Identity, Opened, PermitGate, PowerAmplifier, Registry, SafeHandle, SignalSource,
};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{Rig, instrument_of};
use plan_schema::units::{SampleCount, Seconds, engineering};
use std::collections::BTreeMap;
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender, UnboundedReceiver, channel};

/// Commands that may wait at a device. The engine never has more than a few under way.
const DEPTH: usize = 8;

/// The open instruments of a rig with their roles taken out.
pub(super) struct Bench {
    pub(super) source: Box<dyn SignalSource>,
    pub(super) amplifier: Box<dyn PowerAmplifier>,
    pub(super) acquisition: Box<dyn Acquisition>,
    pub(super) ambient: Option<Box<dyn Ambient>>,
    pub(super) contacts: Option<Box<dyn Contacts>>,
    pub(super) safes: Safes,
    pub(super) identities: BTreeMap<String, Identity>,
}

/// What makes source, amplifier, relay and contacts safe, and how long it may take.
#[derive(Clone)]
pub(super) struct Safes {
    pub(super) source: (String, Arc<dyn SafeHandle>, Seconds),
    pub(super) amplifier: (String, Arc<dyn SafeHandle>, Seconds),
    /// Beside the amplifier, where the rig has one.
    pub(super) relay: Option<(String, Arc<dyn SafeHandle>, Seconds)>,
    pub(super) lets_through: LetsThrough,
    /// The contacts, whose outputs go off at start and end.
    pub(super) contacts: Option<(String, Arc<dyn SafeHandle>, Seconds)>,
}

/// Senders to the device tasks.
pub(super) struct Lines {
    pub(super) source: Sender<SourceCommand>,
    pub(super) amplifier: Sender<AmplifierCommand>,
    pub(super) acquisition: Sender<Seconds>,
    pub(super) ambient: Option<Sender<()>>,
    pub(super) contacts: Option<Sender<ContactsCommand>>,
}

/// Opens every instrument of a rig. Opening changes no output.
pub(super) async fn open(rig: &Rig, registry: &Registry, gate: &PermitGate) -> Result<Bench, DriverError> {
    let mut opened: BTreeMap<String, Opened> = BTreeMap::new();
    for instrument in &rig.instruments {
        let factory = registry.find(instrument)?;
        let one = bounded(rig.timing.reply_limit * 10.0, &instrument.name, "open", factory.open(instrument))
            .await?;
        opened.insert(instrument.name.clone(), one);
    }
    let roles = &rig.roles;
    let safe = |role: &str| {
        let one = opened.get(instrument_of(role)).ok_or_else(|| missing(role))?;
        Ok::<_, DriverError>((instrument_of(role).to_owned(), one.safe.clone(), one.safe_within))
    };
    let relay = roles.relay.as_deref();
    let safes = Safes {
        source: safe(&roles.source)?,
        amplifier: safe(&roles.amplifier)?,
        relay: relay.map(safe).transpose()?,
        lets_through: LetsThrough::default(),
        contacts: roles.contacts.as_deref().map(safe).transpose()?,
    };
    let identities = opened.iter().map(|(name, o)| (name.clone(), o.identity.clone())).collect();
    let source = take(&mut opened, &roles.source, |o| o.source.take())?;
    let amplifier = take(&mut opened, &roles.amplifier, |o| o.amplifier.take())?;
    let amplifier = match relay {
        Some(role) => {
            let relay = take(&mut opened, role, |o| o.amplifier.take())?;
            Box::new(Relayed::new(amplifier, relay, instrument_of(role), safes.lets_through.clone()))
        }
        None => amplifier,
    };
    let acquisition = take(&mut opened, &roles.acquisition, |o| o.acquisition.take())?;
    let ambient = match &roles.ambient {
        Some(role) => Some(take(&mut opened, role, |o| o.ambient.take())?),
        None => None,
    };
    let contacts = match &roles.contacts {
        Some(role) => Some(take(&mut opened, role, |o| o.contacts.take())?),
        None => None,
    };
    let source = Box::new(Guarded::new(source, gate.clone(), instrument_of(&roles.source)));
    Ok(Bench { source, amplifier, acquisition, ambient, contacts, safes, identities })
}

/// Takes a role out of an open instrument.
fn take<T>(
    opened: &mut BTreeMap<String, Opened>,
    role: &str,
    out: impl Fn(&mut Opened) -> Option<T>,
) -> Result<T, DriverError> {
    opened.get_mut(instrument_of(role)).and_then(out).ok_or_else(|| missing(role))
}

fn missing(role: &str) -> DriverError {
    let detail = format!("the instrument does not fill the role '{role}'");
    DriverError::new(ErrorKind::Unsupported, instrument_of(role), "open", detail)
}

impl Bench {
    /// Whether the source makes every frequency of the job: what it can't is said before anything is energised.
    pub(super) fn reaches(&self, job: &ResolvedJob) -> Result<(), DriverError> {
        let limits = self.source.limits();
        let (lowest, highest) = (limits.frequency_min, limits.frequency_max);
        let beyond: Vec<String> = job
            .points
            .iter()
            .map(|point| point.frequency)
            .filter(|f| *f < lowest || *f > highest)
            .map(|f| engineering(f.si(), "Hz"))
            .collect();
        if beyond.is_empty() {
            return Ok(());
        }
        let detail = format!(
            "the plan has points at {}, and this source makes {} to {}; leave them out of the plan, or take another source",
            beyond.join(", "),
            engineering(lowest.si(), "Hz"),
            engineering(highest.si(), "Hz")
        );
        Err(DriverError::new(ErrorKind::OutOfRange, instrument_of(&job.rig.roles.source), "open", detail))
    }

    /// Sets the acquisition up as the rig file says and starts it.
    pub(super) async fn start(&mut self, job: &ResolvedJob) -> Result<(), DriverError> {
        let rig = &job.rig;
        let name = instrument_of(&rig.roles.acquisition).to_owned();
        let frames = SampleCount::nearest(rig.acquisition.block, rig.acquisition.rate).0;
        let frames = u32::try_from(frames).unwrap_or(u32::MAX).max(1);
        let channels =
            job.columns.iter().map(|c| ChannelRequest { input: c.input, range: c.range }).collect();
        let want = AcquisitionRequest { rate: rig.acquisition.rate, frames, channels };
        let limit = rig.timing.reply_limit;
        let applied = bounded(limit, &name, "configure", self.acquisition.configure(&want)).await?;
        let unsupported = |detail| Err(DriverError::new(ErrorKind::Unsupported, &name, "configure", detail));
        if applied != want {
            return unsupported(format!("asked for {want:?}, got {applied:?}"));
        }
        match (self.acquisition.continuity(), rig.acquisition.is_gated()) {
            (Continuity::Continuous, false) | (Continuity::Gated, true) => {}
            (Continuity::Gated, false) => {
                let detail = "its blocks have gaps between them: write the longest one into the rig file, such as pause = \
                              \"100 ms\" in [acquisition], so that what may go wrong meanwhile is reckoned with";
                return unsupported(detail.to_owned());
            }
            (Continuity::Continuous, true) => {
                let detail =
                    "its blocks follow without gaps: take the pause in [acquisition] out of the rig file";
                return unsupported(detail.to_owned());
            }
        }
        bounded(limit, &name, "start", self.acquisition.start()).await
    }

    /// Gives each role a task of its own.
    pub(super) fn spawn(self, rig: &Rig, inbox: &Sender<Message>) -> Lines {
        let limit = rig.timing.reply_limit;
        let (source, commands) = channel(DEPTH);
        tokio::spawn(source_task(
            self.source,
            instrument_of(&rig.roles.source).to_owned(),
            limit,
            commands,
            inbox.clone(),
        ));
        let (amplifier, commands) = channel(DEPTH);
        let name = instrument_of(&rig.roles.amplifier).to_owned();
        tokio::spawn(amplifier_task(self.amplifier, name, limit, commands, inbox.clone()));
        let (acquisition, commands) = channel(DEPTH);
        let name = instrument_of(&rig.roles.acquisition).to_owned();
        tokio::spawn(acquisition_task(self.acquisition, name, commands, inbox.clone()));
        let ambient = self.ambient.map(|device| {
            let (line, commands) = channel(DEPTH);
            let name = rig.roles.ambient.as_deref().map_or("ambient", instrument_of).to_owned();
            tokio::spawn(ambient_task(device, name, limit, commands, inbox.clone()));
            line
        });
        let contacts = self.contacts.map(|device| {
            let (line, commands) = channel(DEPTH);
            let name = rig.roles.contacts.as_deref().map_or("contacts", instrument_of).to_owned();
            tokio::spawn(contacts_task(device, name, limit, commands, inbox.clone()));
            line
        });
        Lines { source, amplifier, acquisition, ambient, contacts }
    }
}

/// Tells the engine of hosts that are gone, also of those that nobody asks anything at the moment.
pub(super) async fn tell_lost(mut lost: UnboundedReceiver<DriverError>, inbox: Sender<Message>) {
    while let Some(error) = lost.recv().await {
        if inbox.send(Message::Lost(error)).await.is_err() {
            return;
        }
    }
}

/// Runs a call that has to end within `limit`.
pub(super) async fn bounded<T>(
    limit: Seconds,
    instrument: &str,
    op: &'static str,
    call: impl Future<Output = Result<T, DriverError>>,
) -> Result<T, DriverError> {
    match tokio::time::timeout(Duration::from_secs_f64(limit.si().clamp(0.001, 3600.0)), call).await {
        Ok(result) => result,
        Err(_) => {
            let detail = format!("no answer within {limit}");
            Err(DriverError::new(ErrorKind::Timeout, instrument, op, detail))
        }
    }
}

async fn source_task(
    mut device: Box<dyn SignalSource>,
    name: String,
    limit: Seconds,
    mut commands: Receiver<SourceCommand>,
    inbox: Sender<Message>,
) {
    while let Some(command) = commands.recv().await {
        let message = match command {
            SourceCommand::Tone(permit, want) => {
                Message::Tone(bounded(limit, &name, "set_tone", device.set_tone(&permit, want)).await)
            }
            SourceCommand::Off(over) => {
                Message::SourceOff(bounded(limit, &name, "output_off", device.output_off(over)).await)
            }
        };
        if inbox.send(message).await.is_err() {
            return;
        }
    }
}

async fn amplifier_task(
    mut device: Box<dyn PowerAmplifier>,
    name: String,
    limit: Seconds,
    mut commands: Receiver<AmplifierCommand>,
    inbox: Sender<Message>,
) {
    while let Some(command) = commands.recv().await {
        let message = match command {
            AmplifierCommand::Unmute(permit) => {
                Message::Unmuted(bounded(limit, &name, "unmute", device.unmute(&permit)).await)
            }
            AmplifierCommand::Status => {
                Message::Amplifier(bounded(limit, &name, "status", device.status()).await)
            }
        };
        if inbox.send(message).await.is_err() {
            return;
        }
    }
}

async fn acquisition_task(
    mut device: Box<dyn Acquisition>,
    name: String,
    mut commands: Receiver<Seconds>,
    inbox: Sender<Message>,
) {
    while let Some(within) = commands.recv().await {
        // The driver bounds the wait itself; the margin catches one that does not.
        let block: Result<Option<Block>, _> =
            bounded(within * 2.0 + Seconds::new(0.5), &name, "next_block", device.next_block(within)).await;
        if inbox.send(Message::Block(block)).await.is_err() {
            return;
        }
    }
}

async fn ambient_task(
    mut device: Box<dyn Ambient>,
    name: String,
    limit: Seconds,
    mut commands: Receiver<()>,
    inbox: Sender<Message>,
) {
    while commands.recv().await.is_some() {
        let reading = bounded(limit, &name, "read", device.read()).await;
        if inbox.send(Message::Ambient(reading)).await.is_err() {
            return;
        }
    }
}

async fn contacts_task(
    mut device: Box<dyn Contacts>,
    name: String,
    limit: Seconds,
    mut commands: Receiver<ContactsCommand>,
    inbox: Sender<Message>,
) {
    while let Some(command) = commands.recv().await {
        let message = match command {
            ContactsCommand::Read => Message::Contacts(bounded(limit, &name, "read", device.read()).await),
            ContactsCommand::Output(what, number, on) => {
                let call = device.set_output(number, on);
                Message::Output(what, on, bounded(limit, &name, "set_output", call).await)
            }
        };
        if inbox.send(message).await.is_err() {
            return;
        }
    }
}
