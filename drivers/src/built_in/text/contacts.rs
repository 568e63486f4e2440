//! Contacts that are asked for by lines of text.

use super::State;
use crate::built_in::link::Link;
use crate::built_in::link::lane::{Lane, MAKE_SAFE};
use crate::built_in::link::talk::Talk;
use crate::built_in::opened;
use crate::built_in::settings::{WantedIdentity, check, read_or_refuse};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{ContactReading, Contacts};
use crate::safe::{Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;

written_table! {
    /// Contacts that are asked for by lines of text; yes is closed.
    pub struct ContactsSettings {
        /// How they are reached.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
        /// The question for its identity; empty where it has none.
        pub identify: String = "*IDN?".to_owned(),
        /// Yes while the emergency stop is not pressed.
        pub emergency_stop: State,
        /// The further inputs, numbered from 0.
        pub inputs key "input": Vec<State> = Vec::new(),
        /// The outputs, numbered from 0.
        pub outputs key "output": Vec<Output> = Vec::new(),
    }
}

written_table! {
    /// An output.
    pub struct Output {
        /// The command that switches it on.
        pub on: String,
        /// The command that switches it off.
        pub off: String,
        /// The question whether it is on.
        pub is_on: State,
    }
}

impl ContactsSettings {
    fn problems(&self) -> Vec<String> {
        self.link.problems()
    }
}

/// Opens contacts that are asked for by lines of text.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "text-contacts"
    }

    fn describe(&self) -> &str {
        "emergency stop, permissives and outputs by lines of text, over a serial line, TCP or USBTMC"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, ContactsSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, ContactsSettings::problems)?;
        let mut talk = Talk::new(&instrument.name, &settings.link);
        let found = settings.identity.ask(&mut talk, &settings.identify, &instrument.name).await?;
        settings.emergency_stop.ask(&mut talk, "open").await?;
        let outputs = f64::from(u32::try_from(settings.outputs.len()).unwrap_or(u32::MAX));
        // Two attempts for each: switched, and read back.
        let safe_within = settings.link.safe_within(2.0 * 2.0 * outputs) + settings.link.delay();
        let shared = Arc::new(Shared { lane: Lane::new(talk.wanted(), talk), settings });
        let mut opened = opened(found, Arc::new(Safe(shared.clone())), safe_within);
        opened.contacts = Some(Box::new(Panel(shared)));
        Ok(opened)
    }
}

struct Shared {
    lane: Lane<Talk>,
    settings: ContactsSettings,
}

impl Output {
    async fn set(&self, talk: &mut Talk, op: &'static str, on: bool) -> Result<(), DriverError> {
        talk.tell(op, if on { &self.on } else { &self.off }).await?;
        if self.is_on.ask(talk, op).await? == on {
            return Ok(());
        }
        Err(talk.wrong(ErrorKind::BadData, op, "the output does not read back as it was switched"))
    }
}

struct Panel(Arc<Shared>);

#[async_trait]
impl Contacts for Panel {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        let Shared { lane, settings } = &*self.0;
        lane.in_turn(settings, |talk, settings| Box::pin(settings.read(talk))).await
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        let settings = &self.0.settings;
        let mut talk = self.0.lane.calm().await;
        let output = usize::try_from(number).ok().and_then(|n| settings.outputs.get(n));
        let Some(output) = output else {
            let detail =
                format!("the settings name {} outputs, and none of number {number}", settings.outputs.len());
            return Err(talk.wrong(ErrorKind::OutOfRange, "set_output", detail));
        };
        output.set(&mut talk, "set_output", on).await.map(|()| on)
    }
}

impl ContactsSettings {
    async fn read(&self, talk: &mut Talk) -> Result<ContactReading, DriverError> {
        let emergency_stop_closed = self.emergency_stop.ask(talk, "read").await?;
        let mut inputs = Vec::with_capacity(self.inputs.len());
        for input in &self.inputs {
            inputs.push(input.ask(talk, "read").await?);
        }
        Ok(ContactReading { emergency_stop_closed, inputs })
    }
}

struct Safe(Arc<Shared>);

#[async_trait]
impl SafeHandle for Safe {
    /// Contacts move nothing; their outputs go off, each whatever became of the others. What failed is tried once more, since
    /// a link that was lost is opened anew once.
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let mut talk = self.0.lane.urgent().await;
        let mut first = Ok(SafeProof::default());
        for output in &self.0.settings.outputs {
            if let Err(error) = output.set(&mut talk, MAKE_SAFE, false).await {
                tracing::warn!("switching off once more: {error}");
                let again = output.set(&mut talk, MAKE_SAFE, false).await;
                first = first.and_then(|proof| again.map(|()| proof));
            }
        }
        first
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.link.timeout + self.0.settings.link.delay())
    }
}
