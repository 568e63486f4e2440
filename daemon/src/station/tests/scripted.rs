//! Instruments that note what is asked of them and misbehave by script, around the simulated ones.

use async_trait::async_trait;
use drivers::{
    AmplifierStatus, ContactReading, Contacts, DrivePermit, DriverError, DriverFactory, ErrorKind, Opened,
    PowerAmplifier, Registry, SafeHandle, SafeProof, SignalSource, SourceLimits, StopReason, Transition,
};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Instrument;
use plan_schema::units::{Hertz, Seconds};
use std::sync::{Arc, Mutex};

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wrong {
    Nothing,
    /// The amplifier proves that it is muted, and then says that it is live.
    LiveAfterMute,
    /// It takes the command to unmute and says that it is muted.
    MutedAfterUnmute,
    /// The relay beside it does.
    CutAfterUnmute,
    /// It can't prove that it is safe, from this call on, counted from 0.
    NeverSafe(usize),
    /// The contacts have no outputs.
    NoOutputs,
    /// The source makes nothing below this many Hz.
    NothingBelow(u32),
}

/// Name and role of the relay that a test puts into the rig.
pub(super) const RELAY: &str = "relay";

/// What was asked of the instruments, in order.
#[derive(Debug, Clone, Default)]
pub(super) struct Log(Arc<Mutex<Vec<String>>>);

impl Log {
    fn note(&self, what: &str) -> usize {
        let mut log = self.0.lock().unwrap();
        let before = log.iter().filter(|l| *l == what).count();
        log.push(what.to_owned());
        before
    }

    /// Everything but polls, and repeats as one.
    pub(super) fn steps(&self) -> Vec<String> {
        let mut steps = self.0.lock().unwrap().clone();
        steps.dedup();
        steps
    }
}

/// The drivers of `inner` with a log and a script.
pub(super) fn registry(job: &ResolvedJob, inner: Registry, log: &Log, wrong: Wrong) -> Registry {
    let mut registry = Registry::default();
    for instrument in &job.rig.instruments {
        let inner = inner.find(instrument).unwrap().clone();
        registry.add(Arc::new(Factory { inner, log: log.clone(), wrong }));
    }
    registry
}

struct Factory {
    inner: Arc<dyn DriverFactory>,
    log: Log,
    wrong: Wrong,
}

#[async_trait]
impl DriverFactory for Factory {
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
        let opened = self.inner.open(instrument).await?;
        let of = |role: &'static str| Scripted { log: self.log.clone(), wrong: self.wrong, role };
        let role = match instrument.name.as_str() {
            RELAY => RELAY,
            _ if opened.source.is_some() => "source",
            _ if opened.amplifier.is_some() => "amplifier",
            _ if opened.contacts.is_some() => "contacts",
            _ => "other",
        };
        Ok(Opened {
            source: opened.source.map(|inner| Box::new(Source { inner, script: of("source") }) as _),
            amplifier: opened
                .amplifier
                .map(|inner| Box::new(Amplifier { inner, script: of(role), muted: None }) as _),
            contacts: opened.contacts.map(|inner| Box::new(Panel { inner, script: of("contacts") }) as _),
            safe: Arc::new(Safe { inner: opened.safe, script: of(role) }),
            ..opened
        })
    }
}

#[derive(Clone)]
struct Scripted {
    log: Log,
    wrong: Wrong,
    role: &'static str,
}

struct Source {
    inner: Box<dyn SignalSource>,
    script: Scripted,
}

#[async_trait]
impl SignalSource for Source {
    fn limits(&self) -> SourceLimits {
        let mut limits = self.inner.limits();
        if let Wrong::NothingBelow(hz) = self.script.wrong {
            limits.frequency_min = Hertz::new(f64::from(hz));
        }
        limits
    }

    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        self.script.log.note("tone");
        self.inner.set_tone(permit, want).await
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        self.script.log.note("source off");
        self.inner.output_off(over).await
    }
}

struct Amplifier {
    inner: Box<dyn PowerAmplifier>,
    script: Scripted,
    /// State of mute as it was asked for first: only that and the first state after it are noted.
    muted: Option<bool>,
}

#[async_trait]
impl PowerAmplifier for Amplifier {
    async fn unmute(&mut self, permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let which = if self.script.role == RELAY { "relay: " } else { "" };
        self.script.log.note(&format!("{which}unmute up to {} V", permit.ceiling().si()));
        let status = self.inner.unmute(permit).await?;
        let wrong = match self.script.role {
            RELAY => Wrong::CutAfterUnmute,
            _ => Wrong::MutedAfterUnmute,
        };
        let muted = status.muted || self.script.wrong == wrong;
        Ok(AmplifierStatus { muted, ..status })
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.inner.mute().await
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let status = self.inner.status().await?;
        if self.muted.is_none() {
            self.script.log.note(&format!("{} asked", self.script.role));
            self.muted = Some(status.muted);
        }
        let live = self.script.role == "amplifier" && self.script.wrong == Wrong::LiveAfterMute;
        let muted = status.muted && !live;
        Ok(AmplifierStatus { muted, ..status })
    }
}

struct Panel {
    inner: Box<dyn Contacts>,
    script: Scripted,
}

#[async_trait]
impl Contacts for Panel {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        self.inner.read().await
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        self.script.log.note(&format!("output {number} {}", if on { "on" } else { "off" }));
        if self.script.wrong == Wrong::NoOutputs {
            return NoOutputs.set_output(number, on).await;
        }
        self.inner.set_output(number, on).await
    }
}

/// What an author of contacts gets who writes nothing about outputs.
struct NoOutputs;

#[async_trait]
impl Contacts for NoOutputs {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        Ok(ContactReading { emergency_stop_closed: false, inputs: Vec::new() })
    }
}

struct Safe {
    inner: Arc<dyn SafeHandle>,
    script: Scripted,
}

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError> {
        let before = self.script.log.note(&format!("{} safe", self.script.role));
        let proof = self.inner.make_safe(why).await;
        match self.script.wrong {
            Wrong::NeverSafe(from) if self.script.role == "amplifier" && before >= from => {
                Err(DriverError::new(ErrorKind::Timeout, "amplifier", "make_safe", "it does not answer"))
            }
            _ => proof,
        }
    }
}
