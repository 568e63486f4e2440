//! A power amplifier, or a mute relay by itself, behind Modbus.
//!
//! Owns: the order of muting and unmuting with read-back, faults and their meanings, the heartbeat that the amplifier's
//! own watchdog waits for. With nothing but `mute` in its settings it is a relay that cuts the drive.

use super::client::Modbus;
use super::map::{Contact, Image, Places, Reading, Register};
use crate::built_in::link::Link;
use crate::built_in::link::lane::{Lane, MAKE_SAFE};
use crate::built_in::opened;
use crate::built_in::settings::{Number, check, read_or_refuse};
use crate::error::{DriverError, ErrorKind};
use crate::permit::DrivePermit;
use crate::registry::DriverFactory;
use crate::roles::{AmplifierStatus, PowerAmplifier};
use crate::safe::{Identity, Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::{Fraction, Seconds};
use plan_schema::written_table;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::{Instant, sleep};

written_table! {
    /// A power amplifier behind Modbus. A contact is "coil 0", "not discrete 4" or "input 10 bit 2".
    pub struct AmplifierSettings {
        /// How it is reached; the address of a serial line means RTU.
        pub link: Link,
        /// Written true to mute, false to unmute.
        pub mute: Contact,
        /// Reads true while muted; absent: `mute` itself is read back.
        pub muted: Option<Contact>,
        /// Longest time until `muted` follows `mute`.
        pub follows: Seconds = Seconds::new(0.05),
        /// Written true before unmuting, where the amplifier has to be enabled.
        pub enable: Option<Contact>,
        /// Reads true if it clipped.
        pub clipping: Option<Contact>,
        /// Contacts that read true while something is wrong.
        pub faults key "fault": Vec<Fault> = Vec::new(),
        /// Numbers that are watched, such as current and temperature.
        pub watched key "watch": Vec<Watch> = Vec::new(),
        /// The gain that it has to have; looked at before unmuting.
        pub gain: Option<Expected>,
        /// A holding register that is written with a running number at every status.
        pub heartbeat: Option<Register>,
        /// The amplifier's own watchdog.
        pub watchdog: Option<Watchdog>,
    }
}

written_table! {
    /// Something that may be wrong.
    pub struct Fault {
        /// Reads true while it is wrong.
        pub at: Contact,
        /// What it means.
        pub means: String,
    }
}

written_table! {
    /// A number that is watched.
    pub struct Watch {
        /// Where it lies.
        pub at: Reading,
        /// What it is, with its unit.
        pub means: String,
        /// Below this it is a fault.
        pub min: Option<Number>,
        /// Above this it is a fault.
        pub max: Option<Number>,
    }
}

written_table! {
    /// A number that has to have a value.
    pub struct Expected {
        /// Where it lies.
        pub at: Reading,
        /// The value.
        pub value: Number,
        /// How far it may lie off.
        pub within: Fraction = Fraction::new(0.01),
    }
}

written_table! {
    /// A watchdog that mutes by itself when the heartbeat stays away.
    pub struct Watchdog {
        /// The holding register of its time.
        pub register: Register,
        /// What is written there before unmuting.
        pub count: u32,
    }
}

impl AmplifierSettings {
    fn read_back(&self) -> Contact {
        self.muted.unwrap_or(self.mute)
    }

    fn status_places(&self) -> Places {
        Places::default()
            .contacts([&self.read_back()])
            .contacts(&self.clipping)
            .contacts(self.faults.iter().map(|f| &f.at))
            .readings(self.watched.iter().map(|w| &w.at))
    }

    /// What is wrong, each with its remedy.
    pub(crate) fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems_of_modbus();
        for (key, contact) in [("mute", Some(self.mute)), ("enable", self.enable)] {
            if let Some(contact) = contact.filter(|c| !c.is_writable()) {
                found.push(format!(
                    "settings.{key}: {contact} can't be written; write a coil or a bit of a holding register"
                ));
            }
        }
        let registers = [
            ("heartbeat", self.heartbeat),
            ("watchdog.register", self.watchdog.as_ref().map(|w| w.register)),
        ];
        for (key, register) in registers {
            if let Some(register) = register.filter(|r| !r.is_writable()) {
                found.push(format!("settings.{key}: {register} can't be written; write a holding register"));
            }
        }
        if let Some(watchdog) = self.watchdog.as_ref().filter(|w| w.count > u32::from(u16::MAX)) {
            found.push(format!(
                "settings.watchdog.count: {} does not fit a register; write at most 65535",
                watchdog.count
            ));
        }
        if self.watchdog.is_some() && self.heartbeat.is_none() {
            found.push("settings.heartbeat: a watchdog needs a heartbeat; write its register".to_owned());
        }
        for watch in self.watched.iter().filter(|w| w.min.is_none() && w.max.is_none()) {
            found.push(format!("settings.watch: '{}' has no limit; write min or max", watch.means));
        }
        if !(self.follows.si() >= 0.0 && self.follows.si() <= 10.0) {
            found.push(format!("settings.follows: {} can't be waited for; write 0 ms to 10 s", self.follows));
        }
        found
    }

    /// Longest time that making safe takes, in two attempts: the mute written (a bit of a register is read before) and read
    /// back, then the same without leave to the output stage.
    fn safe_within(&self) -> Seconds {
        self.link.safe_within(2.0 * 6.0) + self.follows * 4.0
    }
}

/// Opens power amplifiers behind Modbus.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "modbus-amplifier"
    }

    fn describe(&self) -> &str {
        "power amplifier or mute relay behind Modbus TCP or RTU; its register map is in the rig file"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, AmplifierSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, AmplifierSettings::problems)?;
        open(&instrument.name, settings).await
    }
}

/// Opens an amplifier with settings that were checked.
pub(crate) async fn open(name: &str, settings: AmplifierSettings) -> Result<Opened, DriverError> {
    let mut modbus = Modbus::new(name, &settings.link);
    let image = settings.status_places().read(&mut modbus, "open").await?;
    let identity = Identity {
        model: "amplifier behind Modbus".to_owned(),
        serial: format!("unit {} at {}", settings.link.unit, settings.link.address()),
        ..Identity::default()
    };
    if let (_, faults) = settings.judge(&image)
        && !faults.is_empty()
    {
        tracing::warn!(instrument = name, "it reports: {}", faults.join(", "));
    }
    let safe_within = settings.safe_within();
    let wanted = modbus.wanted();
    let state = State { modbus, beats: 0, proved: false, faults: Vec::new() };
    let shared = Arc::new(Shared { lane: Lane::new(wanted, state), settings });
    let mut opened = opened(identity, Arc::new(Safe(shared.clone())), safe_within);
    opened.amplifier = Some(Box::new(Amplifier(shared)));
    Ok(opened)
}

struct Shared {
    lane: Lane<State>,
    settings: AmplifierSettings,
}

/// The amplifier as it is known.
struct State {
    modbus: Modbus,
    beats: u16,
    /// It was made safe or muted, with proof, since its link was opened.
    proved: bool,
    /// What it reported last.
    faults: Vec<String>,
}

impl AmplifierSettings {
    /// Status and what is wrong, from what was read. What was not read counts as wrong.
    fn judge(&self, image: &Image) -> (AmplifierStatus, Vec<String>) {
        let mut wrong: Vec<String> = Vec::new();
        for fault in &self.faults {
            if fault.at.in_image(image).unwrap_or(true) {
                wrong.push(fault.means.clone());
            }
        }
        for watch in &self.watched {
            match watch.at.in_image(image) {
                None => wrong.push(format!("{} reads as no number", watch.means)),
                Some(value) => {
                    let low = watch.min.is_some_and(|min| value < min.0);
                    let high = watch.max.is_some_and(|max| value > max.0);
                    if low || high {
                        wrong.push(format!("{} is {value}", watch.means));
                    }
                }
            }
        }
        let status = AmplifierStatus {
            muted: self.read_back().in_image(image).unwrap_or(false),
            fault: !wrong.is_empty(),
            clipping: self.clipping.map(|c| c.in_image(image).unwrap_or(true)),
        };
        (status, wrong)
    }
}

impl State {
    async fn status(
        &mut self,
        settings: &AmplifierSettings,
        op: &'static str,
    ) -> Result<AmplifierStatus, DriverError> {
        if let Some(register) = settings.heartbeat {
            self.beats = self.beats.wrapping_add(1);
            self.modbus.write_words(op, register.address, &[self.beats]).await?;
        }
        let image = settings.status_places().read(&mut self.modbus, op).await?;
        let (status, faults) = settings.judge(&image);
        if faults != self.faults && !faults.is_empty() {
            tracing::warn!("{:?} reports: {}", self.modbus, faults.join(", "));
        }
        self.faults = faults;
        self.note_reopened();
        Ok(status)
    }

    fn note_reopened(&mut self) {
        if self.modbus.take_reopened() {
            self.proved = false;
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
        let contact = settings.read_back();
        let place = Places::default().contacts([&contact]);
        loop {
            let image = place.read(&mut self.modbus, op).await?;
            if contact.in_image(&image) == Some(muted) {
                return Ok(());
            }
            if begun.elapsed().as_secs_f64() >= settings.follows.si() {
                let (wanted, other) = if muted { ("muted", "live") } else { ("live", "muted") };
                let detail = format!(
                    "it reads back as {other} and not as {wanted} {} after the command",
                    settings.follows
                );
                return Err(self.modbus.wrong(ErrorKind::BadData, op, detail));
            }
            sleep(Duration::from_millis(2)).await;
        }
    }

    /// Mutes, and has it read back; what reads back is what counts, whatever became of the command.
    async fn make_safe(&mut self, settings: &AmplifierSettings, op: &'static str) -> Result<(), DriverError> {
        self.proved = false;
        let written = settings.mute.write(&mut self.modbus, op, true).await;
        let mut read = self.follows(settings, op, true).await;
        // What one command did not do the other may.
        if let (Err(_), Some(enable)) = (&read, settings.enable) {
            let withdrawn = enable.write(&mut self.modbus, op, false).await;
            read = self.follows(settings, op, true).await;
            if let (Err(error), Err(_)) = (withdrawn, &read) {
                tracing::warn!("what enables it could not be taken away either: {error}");
            }
        }
        if read.is_err() {
            written?;
        }
        read?;
        let _ = self.modbus.take_reopened();
        self.proved = true;
        Ok(())
    }

    /// Looks whether it may be unmuted at all.
    async fn may_unmute(&mut self, settings: &AmplifierSettings) -> Result<(), DriverError> {
        let op = "unmute";
        let status = self.status(settings, op).await?;
        if !self.proved {
            let detail = "its link was opened and it was not muted since; make it safe first";
            return Err(self.modbus.wrong(ErrorKind::Disconnected, op, detail));
        }
        if status.fault {
            let detail =
                format!("it reports: {}; clear the fault, then unmute again", self.faults.join(", "));
            return Err(self.modbus.wrong(ErrorKind::BadData, op, detail));
        }
        let Some(gain) = &settings.gain else {
            return Ok(());
        };
        let image = Places::default().readings([&gain.at]).read(&mut self.modbus, op).await?;
        let found = gain.at.in_image(&image);
        if found.is_some_and(|v| (v - gain.value.0).abs() <= gain.within.si() * gain.value.0.abs()) {
            return Ok(());
        }
        let found = found.map_or("no number".to_owned(), |v| v.to_string());
        let detail = format!(
            "its gain reads {found}, and the rig file says {}; set the gain, or correct the file",
            gain.value.0
        );
        Err(self.modbus.wrong(ErrorKind::BadData, op, detail))
    }
}

struct Amplifier(Arc<Shared>);

#[async_trait]
impl PowerAmplifier for Amplifier {
    async fn unmute(&mut self, _permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        let shared = &self.0;
        let settings = &shared.settings;
        let mut state = shared.lane.calm().await;
        state.may_unmute(settings).await?;
        if let Some(watchdog) = &settings.watchdog {
            let count = u16::try_from(watchdog.count).unwrap_or(u16::MAX);
            state.modbus.write_words("unmute", watchdog.register.address, &[count]).await?;
        }
        if let Some(enable) = settings.enable {
            enable.write(&mut state.modbus, "unmute", true).await?;
        }
        settings.mute.write(&mut state.modbus, "unmute", false).await?;
        state.follows(settings, "unmute", false).await?;
        state.status(settings, "unmute").await
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        let Shared { lane, settings } = &*self.0;
        let muted = lane.in_turn(settings, |state, settings| {
            Box::pin(async move {
                state.make_safe(settings, "mute").await?;
                state.status(settings, "mute").await
            })
        });
        muted.await
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let Shared { lane, settings } = &*self.0;
        lane.in_turn(settings, |state, settings| Box::pin(state.status(settings, "status"))).await
    }
}

struct Safe(Arc<Shared>);

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let mut state = self.0.lane.urgent().await;
        // A link that was lost is opened anew once.
        if let Err(error) = state.make_safe(&self.0.settings, MAKE_SAFE).await {
            tracing::warn!("making safe once more: {error}");
            state.make_safe(&self.0.settings, MAKE_SAFE).await?;
        }
        Ok(SafeProof { drive: None, muted: Some(true) })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.link.timeout)
    }
}

#[cfg(test)]
mod tests;
