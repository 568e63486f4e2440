//! Opening the instruments of the simulated rig.
//!
//! Owns: which instrument fills which role, the factory that stands in for any kind of driver, and the one that lists
//! the driver without a world.

use crate::SimulatedRig;
use crate::amplifier::Cut;
use crate::drivers::{AcquisitionPort, AmbientPort, AmplifierPort, ContactsPort, Port, SafePort, SourcePort};
use crate::error::SimError;
use ::drivers::{DriverError, DriverFactory, ErrorKind, Identity, Opened};
use async_trait::async_trait;
use plan_schema::rig::{Instrument, Rig};
use plan_schema::units::Seconds;
use std::sync::Arc;

/// The word for the simulated driver in a rig file.
pub const KIND: &str = "simulated";

/// Which instrument fills which role, and what is needed to open it.
#[derive(Debug, Clone)]
pub(crate) struct Wiring {
    instruments: Vec<String>,
    source: String,
    amplifier: String,
    relay: Option<String>,
    acquisition: String,
    ambient: Option<String>,
    contacts: Option<String>,
    source_safe_within: Seconds,
    amplifier_safe_within: Seconds,
    /// Gain of the amplifier as the rig file says it, in V/V or A/V.
    pub(crate) gain: f64,
}

impl Wiring {
    /// Reads the roles of a rig file.
    ///
    /// # Errors
    /// A role that is not `instrument.role`, or an instrument that is not there.
    pub(crate) fn read(rig: &Rig) -> Result<Self, SimError> {
        let instruments: Vec<String> = rig.instruments.iter().map(|i| i.name.clone()).collect();
        let holder = |role: &str, written: &str| {
            let known = |name: &&str| instruments.iter().any(|i| i == name);
            match written
                .rsplit_once('.')
                .filter(|(_, said)| *said == role)
                .map(|(name, _)| name)
                .filter(known)
            {
                Some(name) => Ok(name.to_owned()),
                None => Err(SimError::new(
                    format!(
                        "roles.{role} is \"{written}\", which names no instrument of the rig in this role"
                    ),
                    format!("write \"INSTRUMENT.{role}\" with INSTRUMENT one of {}", instruments.join(", ")),
                )),
            }
        };
        let maybe =
            |role: &str, written: &Option<String>| written.as_ref().map(|w| holder(role, w)).transpose();
        let simulation = &rig.simulation;
        Ok(Self {
            source: holder("source", &rig.roles.source)?,
            amplifier: holder("amplifier", &rig.roles.amplifier)?,
            relay: maybe("relay", &rig.roles.relay)?,
            acquisition: holder("acquisition", &rig.roles.acquisition)?,
            ambient: maybe("ambient", &rig.roles.ambient)?,
            contacts: maybe("contacts", &rig.roles.contacts)?,
            source_safe_within: simulation.source.latency + simulation.source.ramp,
            amplifier_safe_within: simulation.amplifier.latency,
            gain: rig
                .amplifier
                .gain
                .map(|g| g.si())
                .or(rig.amplifier.transconductance.map(|g| g.si()))
                .unwrap_or(0.0),
            instruments,
        })
    }

    /// By what an instrument keeps the drive from the coil, if it does.
    pub(crate) fn cut_of(&self, instrument: &str) -> Option<Cut> {
        if self.amplifier == instrument {
            return Some(Cut::Mute);
        }
        (self.relay.as_deref() == Some(instrument)).then_some(Cut::Relay)
    }
}

/// Opens instruments of a simulated rig, in place of drivers of any kind.
pub(crate) struct SimulatedFactory {
    pub(crate) rig: SimulatedRig,
    pub(crate) kind: String,
}

#[async_trait]
impl DriverFactory for SimulatedFactory {
    fn kind(&self) -> &str {
        &self.kind
    }

    fn describe(&self) -> &str {
        DESCRIPTION
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        // Settings of another kind belong to the driver that this one stands in for.
        if self.kind == KIND { unknown_settings(instrument) } else { Vec::new() }
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let wiring = self.rig.wiring();
        let name = &instrument.name;
        if !wiring.instruments.contains(name) {
            let detail =
                format!("the simulated rig has no such instrument; it has {}", wiring.instruments.join(", "));
            return Err(DriverError::new(ErrorKind::Unsupported, name, "open", detail));
        }
        let port = Port { rig: self.rig.clone(), instrument: name.clone() };
        let is = |role: &String| role == name;
        let is_source = is(&wiring.source);
        let is_contacts = wiring.contacts.as_ref().is_some_and(is);
        let cuts = wiring.cut_of(name);
        let safe_within = match (is_source, cuts.is_some()) {
            (true, true) => wiring.source_safe_within.max(wiring.amplifier_safe_within),
            (true, false) => wiring.source_safe_within,
            (false, true) => wiring.amplifier_safe_within,
            (false, false) => Seconds::ZERO,
        };
        let identity = Identity {
            make: "simulated".to_owned(),
            model: instrument.driver.clone(),
            serial: name.clone(),
            firmware: env!("CARGO_PKG_VERSION").to_owned(),
        };
        Ok(Opened {
            identity,
            source: is_source.then(|| Box::new(SourcePort(port.clone())) as _),
            amplifier: cuts.map(|cut| Box::new(AmplifierPort(port.clone(), cut)) as _),
            acquisition: is(&wiring.acquisition).then(|| Box::new(AcquisitionPort(port.clone())) as _),
            ambient: wiring
                .ambient
                .as_ref()
                .is_some_and(is)
                .then(|| Box::new(AmbientPort(port.clone())) as _),
            contacts: is_contacts.then(|| Box::new(ContactsPort(port.clone())) as _),
            safe: Arc::new(SafePort { port, is_source, cuts, is_contacts }),
            safe_within,
        })
    }
}

const DESCRIPTION: &str =
    "simulated instruments of the rig file, for dry runs; all instruments share one simulated shaker";

fn unknown_settings(instrument: &Instrument) -> Vec<String> {
    let name = &instrument.name;
    let keys = instrument.settings.0.keys();
    keys.map(|key| format!("instrument '{name}': a simulated instrument has no setting '{key}'; remove it"))
        .collect()
}

/// The simulated driver without a world: for the list of drivers and for checking settings.
struct Listing;

#[async_trait]
impl DriverFactory for Listing {
    fn kind(&self) -> &str {
        KIND
    }

    fn describe(&self) -> &str {
        DESCRIPTION
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        unknown_settings(instrument)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let detail = "a simulated instrument needs a simulated rig around it; use 'calwright dry-run'";
        Err(DriverError::new(ErrorKind::Unsupported, &instrument.name, "open", detail))
    }
}

/// The simulated driver for the list of drivers: it checks settings, but opens nothing.
#[must_use]
pub fn listing() -> Arc<dyn DriverFactory> {
    Arc::new(Listing)
}
