//! Which drivers there are. A value built where the program is wired, never a global.

use crate::client::{Hosts, Program};
use crate::error::{DriverError, ErrorKind};
use crate::protocol::Hello;
use crate::safe::Opened;
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Opens instruments of one kind.
#[async_trait]
pub trait DriverFactory: Send + Sync {
    /// The word in the rig file: `driver = "…"`.
    fn kind(&self) -> &str;

    /// One line for the list of drivers.
    fn describe(&self) -> &str;

    /// What is wrong with an instrument's settings, each with its remedy. Does no input or output.
    fn check(&self, instrument: &Instrument) -> Vec<String>;

    /// Opens an instrument. Must not change an output. Bounded in time.
    ///
    /// # Errors
    /// Where the instrument does not answer or is another than the rig file says.
    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError>;

    /// The program that an instrument of this driver runs in, and what it is greeted with; `None` where it runs in this
    /// process. For who speaks the protocol without the client, as the conformance kit does.
    fn host(&self, instrument: &Instrument) -> Option<Result<(Program, Hello), DriverError>> {
        let _ = instrument;
        None
    }
}

/// The drivers of this program by kind.
#[derive(Clone, Default)]
pub struct Registry {
    factories: BTreeMap<String, Arc<dyn DriverFactory>>,
    hosts: Arc<Hosts>,
}

impl Registry {
    /// Adds a driver; a later one of the same kind takes its place.
    pub fn add(&mut self, factory: Arc<dyn DriverFactory>) {
        self.factories.insert(factory.kind().to_owned(), factory);
    }

    /// What the station shares with the hosts that these drivers start; with nobody where they start none.
    #[must_use]
    pub fn hosts(&self) -> &Arc<Hosts> {
        &self.hosts
    }

    /// All drivers, by kind.
    pub fn iter(&self) -> impl Iterator<Item = &Arc<dyn DriverFactory>> {
        self.factories.values()
    }

    /// The driver of an instrument.
    ///
    /// # Errors
    /// `unsupported` with the list of kinds there are.
    pub fn find(&self, instrument: &Instrument) -> Result<&Arc<dyn DriverFactory>, DriverError> {
        self.factories.get(&instrument.driver).ok_or_else(|| {
            let known: Vec<&str> = self.factories.keys().map(String::as_str).collect();
            let detail = format!("there is no driver '{}'; known: {}", instrument.driver, known.join(", "));
            DriverError::new(ErrorKind::Unsupported, &instrument.name, "open", detail)
        })
    }
}
