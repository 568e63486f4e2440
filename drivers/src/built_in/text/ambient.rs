//! Temperature and humidity by lines of text.

use super::Figure;
use crate::built_in::link::Link;
use crate::built_in::link::talk::Talk;
use crate::built_in::settings::{WantedIdentity, check, read_or_refuse};
use crate::built_in::{Harmless, ambient, opened};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{Ambient, AmbientReading};
use crate::safe::Opened;
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;

written_table! {
    /// An ambient sensor that is asked by lines of text.
    pub struct AmbientSettings {
        /// How it is reached.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
        /// The question for its identity; empty where it has none.
        pub identify: String = "*IDN?".to_owned(),
        /// Temperature in °C.
        pub temperature: Figure,
        /// Relative humidity in %.
        pub humidity: Option<Figure>,
    }
}

/// Opens ambient sensors that are asked by lines of text.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "text-ambient"
    }

    fn describe(&self) -> &str {
        "temperature and humidity by lines of text, over a serial line, TCP or USBTMC"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, |settings: &AmbientSettings| settings.link.problems())
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, |settings: &AmbientSettings| settings.link.problems())?;
        let mut talk = Talk::new(&instrument.name, &settings.link);
        let found = settings.identity.ask(&mut talk, &settings.identify, &instrument.name).await?;
        let mut sensor = Sensor { talk, settings };
        sensor.read().await?;
        let mut opened = opened(found, Arc::new(Harmless), Seconds::ZERO);
        opened.ambient = Some(Box::new(sensor));
        Ok(opened)
    }
}

struct Sensor {
    talk: Talk,
    settings: AmbientSettings,
}

#[async_trait]
impl Ambient for Sensor {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        let Self { talk, settings } = self;
        let temperature = settings.temperature.ask(talk, "read").await?;
        let humidity = match &settings.humidity {
            Some(question) => Some(question.ask(talk, "read").await?),
            None => None,
        };
        ambient::reading(temperature, humidity)
            .map_err(|detail| talk.wrong(ErrorKind::BadData, "read", detail))
    }
}
