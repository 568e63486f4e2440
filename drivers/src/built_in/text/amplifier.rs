//! A power amplifier or mute relay that takes lines of text.

use super::State;
use crate::built_in::link::Link;
use crate::built_in::link::lane::{Lane, MAKE_SAFE};
use crate::built_in::link::talk::Talk;
use crate::built_in::opened;
use crate::built_in::settings::{WantedIdentity, check, read_or_refuse};
use crate::error::{DriverError, ErrorKind};
use crate::permit::DrivePermit;
use crate::registry::DriverFactory;
use crate::roles::{AmplifierStatus, PowerAmplifier};
use crate::safe::{Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, sleep};

written_table! {
    /// A power amplifier or mute relay that takes lines of text.
    pub struct AmplifierSettings {
        /// How it is reached.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
        /// The question for its identity; empty where it has none.
        pub identify: String = "*IDN?".to_owned(),
        /// The command that mutes.
        pub mute: String,
        /// The command that unmutes.
        pub unmute: String,
        /// Whether each of the two is answered by a line, which is then read and not looked at.
        pub acknowledges: bool = false,
        /// The question whether it is muted.
        pub muted: State,
        /// Longest time until that answer follows the command.
        pub follows: Seconds = Seconds::new(0.05),
        /// The question whether something is wrong.
        pub fault: Option<State>,
        /// The question whether it clipped.
        pub clipping: Option<State>,
    }
}

impl AmplifierSettings {
    fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems();
        if !(self.follows.si() >= 0.0 && self.follows.si() <= 10.0) {
            found.push(format!("settings.follows: {} can't be waited for; write 0 ms to 10 s", self.follows));
        }
        if self.mute.is_empty() || self.unmute.is_empty() {
            found.push("settings.mute: a command is empty; write what mutes and what unmutes".to_owned());
        }
        found
    }
}

/// Opens amplifiers that take lines of text.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "text-amplifier"
    }

    fn describe(&self) -> &str {
        "power amplifier or mute relay that takes lines of text, over a serial line, TCP or USBTMC"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, AmplifierSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, AmplifierSettings::problems)?;
        let mut talk = Talk::new(&instrument.name, &settings.link);
        let found = settings.identity.ask(&mut talk, &settings.identify, &instrument.name).await?;
        settings.muted.ask(&mut talk, "open").await?;
        // Two attempts: the command, the question, and one that began before the answer had to follow.
        let safe_within =
            settings.link.safe_within(2.0 * 3.0) + settings.follows * 2.0 + settings.link.delay();
        let wanted = talk.wanted();
        let state = Known { talk, proved: false };
        let shared = Arc::new(Shared { lane: Lane::new(wanted, state), settings });
        let mut opened = opened(found, Arc::new(Safe(shared.clone())), safe_within);
        opened.amplifier = Some(Box::new(Amplifier(shared)));
        Ok(opened)
    }
}

struct Shared {
    lane: Lane<Known>,
    settings: AmplifierSettings,
}

struct Known {
    talk: Talk,
    /// It was muted, with proof, since its link was opened.
    proved: bool,
}

impl Known {
    async fn status(
        &mut self,
        settings: &AmplifierSettings,
        op: &'static str,
    ) -> Result<AmplifierStatus, DriverError> {
        let muted = settings.muted.ask(&mut self.talk, op).await?;
        let fault = match &settings.fault {
            Some(question) => question.ask(&mut self.talk, op).await?,
            None => false,
        };
        let clipping = match &settings.clipping {
            Some(question) => Some(question.ask(&mut self.talk, op).await?),
            None => None,
        };
        if self.talk.take_reopened() {
            self.proved = false;
        }
        Ok(AmplifierStatus { muted, fault, clipping })
    }

    async fn tell(
        &mut self,
        settings: &AmplifierSettings,
        op: &'static str,
        command: &str,
    ) -> Result<(), DriverError> {
        if settings.acknowledges {
            self.talk.command(op, command).await.map(|_| ())
        } else {
            self.talk.tell(op, command).await
        }
    }

    /// Waits until it reads back as muted or live, as long as it may take to follow.
    async fn follows(
        &mut self,
        settings: &AmplifierSettings,
        op: &'static str,
        muted: bool,
    ) -> Result<(), DriverError> {
        let begun = Instant::now();
        while settings.muted.ask(&mut self.talk, op).await? != muted {
            if begun.elapsed().as_secs_f64() >= settings.follows.si() {
                let wanted = if muted { "muted" } else { "live" };
                let detail =
                    format!("it does not read back as {wanted} {} after the command", settings.follows);
                return Err(self.talk.wrong(ErrorKind::BadData, op, detail));
            }
            sleep(Duration::from_millis(2)).await;
        }
        Ok(())
    }

    /// Mutes, and has it read back; what reads back is what counts, whatever became of the command.
    async fn make_safe(&mut self, settings: &AmplifierSettings, op: &'static str) -> Result<(), DriverError> {
        self.proved = false;
        let told = self.tell(settings, op, &settings.mute).await;
        let read = self.follows(settings, op, true).await;
        if read.is_err() {
            told?;
        }
        read?;
        let _ = self.talk.take_reopened();
        self.proved = true;
        Ok(())
    }
}

struct Amplifier(Arc<Shared>);

#[async_trait]
impl PowerAmplifier for Amplifier {
    async fn unmute(&mut self, _permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let (op, settings) = ("unmute", &self.0.settings);
        let mut known = self.0.lane.calm().await;
        let status = known.status(settings, op).await?;
        if !known.proved {
            let detail = "its link was opened and it was not muted since; make it safe first";
            return Err(known.talk.wrong(ErrorKind::Disconnected, op, detail));
        }
        if status.fault {
            let detail = "it reports a fault of its own; clear the fault, then unmute again";
            return Err(known.talk.wrong(ErrorKind::BadData, op, detail));
        }
        known.tell(settings, op, &settings.unmute).await?;
        known.follows(settings, op, false).await?;
        known.status(settings, op).await
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        let Shared { lane, settings } = &*self.0;
        let muted = lane.in_turn(settings, |known, settings| {
            Box::pin(async move {
                known.make_safe(settings, "mute").await?;
                known.status(settings, "mute").await
            })
        });
        muted.await
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let Shared { lane, settings } = &*self.0;
        lane.in_turn(settings, |known, settings| Box::pin(known.status(settings, "status"))).await
    }
}

struct Safe(Arc<Shared>);

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let mut known = self.0.lane.urgent().await;
        // A link that was lost is opened anew once.
        if let Err(error) = known.make_safe(&self.0.settings, MAKE_SAFE).await {
            tracing::warn!("making safe once more: {error}");
            known.make_safe(&self.0.settings, MAKE_SAFE).await?;
        }
        Ok(SafeProof { drive: None, muted: Some(true) })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.link.timeout + self.0.settings.link.delay())
    }
}
