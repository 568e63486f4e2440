//! Temperature and humidity behind Modbus.

use super::client::Modbus;
use super::map::{Places, Reading};
use crate::built_in::link::Link;
use crate::built_in::settings::{check, read_or_refuse};
use crate::built_in::{Harmless, ambient, opened};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{Ambient, AmbientReading};
use crate::safe::{Identity, Opened};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;

written_table! {
    /// An ambient sensor behind Modbus.
    pub struct AmbientSettings {
        /// How it is reached; the address of a serial line means RTU.
        pub link: Link,
        /// Temperature in °C.
        pub temperature: Reading,
        /// Relative humidity in %.
        pub humidity: Option<Reading>,
    }
}

/// Opens ambient sensors behind Modbus.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "modbus-ambient"
    }

    fn describe(&self) -> &str {
        "temperature and humidity behind Modbus TCP or RTU"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, |settings: &AmbientSettings| settings.link.problems_of_modbus())
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings =
            read_or_refuse(instrument, |settings: &AmbientSettings| settings.link.problems_of_modbus())?;
        let mut sensor = Sensor { modbus: Modbus::new(&instrument.name, &settings.link), settings };
        sensor.read().await?;
        let identity = Identity {
            model: "ambient sensor behind Modbus".to_owned(),
            serial: format!("unit {} at {}", sensor.settings.link.unit, sensor.settings.link.address()),
            ..Identity::default()
        };
        let mut opened = opened(identity, Arc::new(Harmless), Seconds::ZERO);
        opened.ambient = Some(Box::new(sensor));
        Ok(opened)
    }
}

struct Sensor {
    modbus: Modbus,
    settings: AmbientSettings,
}

#[async_trait]
impl Ambient for Sensor {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        let Self { modbus, settings } = self;
        let places = Places::default().readings([&settings.temperature]).readings(&settings.humidity);
        let image = places.read(modbus, "read").await?;
        let number = |reading: &Reading, what: &str| {
            reading.in_image(&image).ok_or_else(|| {
                modbus.wrong(
                    ErrorKind::BadData,
                    "read",
                    format!("{what} at {} is no number", reading.register),
                )
            })
        };
        let temperature = number(&settings.temperature, "temperature")?;
        let humidity = settings.humidity.as_ref().map(|h| number(h, "humidity")).transpose()?;
        ambient::reading(temperature, humidity)
            .map_err(|detail| modbus.wrong(ErrorKind::BadData, "read", detail))
    }
}
