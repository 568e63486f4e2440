//! Contacts behind Modbus: emergency stop, doors and other permissives, outputs such as that of a warning lamp.

use super::client::Modbus;
use super::map::{Contact, Places, Register};
use crate::built_in::link::Link;
use crate::built_in::link::lane::{Lane, MAKE_SAFE};
use crate::built_in::opened;
use crate::built_in::settings::{check, read_or_refuse};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{ContactReading, Contacts};
use crate::safe::{Identity, Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;

written_table! {
    /// Contacts behind Modbus. A contact is "coil 0", "not discrete 4" or "input 10 bit 2"; true is closed.
    pub struct ContactsSettings {
        /// How they are reached; the address of a serial line means RTU.
        pub link: Link,
        /// Reads true while the emergency stop is not pressed.
        pub emergency_stop: Contact,
        /// The further inputs, numbered from 0.
        pub inputs: Vec<Contact> = Vec::new(),
        /// The outputs, numbered from 0.
        pub outputs: Vec<Contact> = Vec::new(),
        /// A holding register that is written with a running number at every reading, for a watchdog of the contacts.
        pub heartbeat: Option<Register>,
    }
}

impl ContactsSettings {
    fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems_of_modbus();
        for contact in self.outputs.iter().filter(|c| !c.is_writable()) {
            found.push(format!(
                "settings.outputs: {contact} can't be written; write a coil or a bit of a holding register"
            ));
        }
        if let Some(register) = self.heartbeat.filter(|r| !r.is_writable()) {
            found.push(format!("settings.heartbeat: {register} can't be written; write a holding register"));
        }
        found
    }

    fn places(&self) -> Places {
        Places::default().contacts([&self.emergency_stop]).contacts(&self.inputs)
    }
}

/// Opens contacts behind Modbus.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "modbus-contacts"
    }

    fn describe(&self) -> &str {
        "emergency stop, permissives and outputs behind Modbus TCP or RTU"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, ContactsSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, ContactsSettings::problems)?;
        let mut modbus = Modbus::new(&instrument.name, &settings.link);
        settings.places().read(&mut modbus, "open").await?;
        let identity = Identity {
            model: "contacts behind Modbus".to_owned(),
            serial: format!("unit {} at {}", settings.link.unit, settings.link.address()),
            ..Identity::default()
        };
        let outputs = f64::from(u32::try_from(settings.outputs.len()).unwrap_or(u32::MAX));
        // Two attempts for each: written (a bit of a register is read before), and read back.
        let safe_within = settings.link.safe_within(2.0 * 3.0 * outputs);
        let shared = Arc::new(Shared { lane: Lane::new(modbus.wanted(), (modbus, 0)), settings });
        let mut opened = opened(identity, Arc::new(Safe(shared.clone())), safe_within);
        opened.contacts = Some(Box::new(Panel(shared)));
        Ok(opened)
    }
}

struct Shared {
    /// The unit, and the running number of its heartbeat.
    lane: Lane<(Modbus, u16)>,
    settings: ContactsSettings,
}

struct Panel(Arc<Shared>);

#[async_trait]
impl Contacts for Panel {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        let Shared { lane, settings } = &*self.0;
        lane.in_turn(settings, |(modbus, beats), settings| Box::pin(settings.read(modbus, beats))).await
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        let settings = &self.0.settings;
        let mut lane = self.0.lane.calm().await;
        let (modbus, _) = &mut *lane;
        let output = usize::try_from(number).ok().and_then(|n| settings.outputs.get(n)).copied();
        let Some(output) = output else {
            let detail =
                format!("the settings name {} outputs, and none of number {number}", settings.outputs.len());
            return Err(modbus.wrong(ErrorKind::OutOfRange, "set_output", detail));
        };
        switch(modbus, "set_output", output, on).await.map(|()| on)
    }
}

impl ContactsSettings {
    async fn read(&self, modbus: &mut Modbus, beats: &mut u16) -> Result<ContactReading, DriverError> {
        if let Some(register) = self.heartbeat {
            *beats = beats.wrapping_add(1);
            modbus.write_words("read", register.address, &[*beats]).await?;
        }
        let image = self.places().read(modbus, "read").await?;
        let state = |contact: &Contact| {
            contact
                .in_image(&image)
                .ok_or_else(|| modbus.wrong(ErrorKind::Bug, "read", format!("{contact} was not read")))
        };
        Ok(ContactReading {
            emergency_stop_closed: state(&self.emergency_stop)?,
            inputs: self.inputs.iter().map(state).collect::<Result<_, _>>()?,
        })
    }
}

/// Switches an output, and has it read back.
async fn switch(modbus: &mut Modbus, op: &'static str, output: Contact, on: bool) -> Result<(), DriverError> {
    output.write(modbus, op, on).await?;
    let image = Places::default().contacts([&output]).read(modbus, op).await?;
    if output.in_image(&image) == Some(on) {
        return Ok(());
    }
    Err(modbus.wrong(ErrorKind::BadData, op, format!("{output} does not read back as written")))
}

struct Safe(Arc<Shared>);

#[async_trait]
impl SafeHandle for Safe {
    /// Contacts move nothing; their outputs go off, each whatever became of the others. What failed is tried once more, since
    /// a link that was lost is opened anew once.
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let mut lane = self.0.lane.urgent().await;
        let mut first = Ok(SafeProof::default());
        for output in &self.0.settings.outputs {
            if let Err(error) = switch(&mut lane.0, MAKE_SAFE, *output, false).await {
                tracing::warn!("switching off once more: {error}");
                let again = switch(&mut lane.0, MAKE_SAFE, *output, false).await;
                first = first.and_then(|proof| again.map(|()| proof));
            }
        }
        first
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.link.timeout)
    }
}

#[cfg(test)]
mod tests;
