//! Temperature and humidity that a person read and typed in.

use crate::built_in::settings::{check, read_or_refuse};
use crate::built_in::{Harmless, ambient, opened};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{Ambient, AmbientReading};
use crate::safe::{Identity, Opened};
use async_trait::async_trait;
use jiff::Timestamp;
use plan_schema::rig::Instrument;
use plan_schema::units::{Celsius, Fraction, Seconds};
use plan_schema::written_table;
use std::sync::Arc;
use std::time::SystemTime;

written_table! {
    /// Ambient conditions that a person read.
    pub struct AmbientSettings {
        /// Temperature.
        pub temperature: Celsius,
        /// Relative humidity.
        pub humidity: Option<Fraction>,
        /// When it was read, such as 2000-01-31T08:15:00Z.
        pub read_at: String,
        /// Who read it.
        pub read_by: String,
        /// For how long it counts.
        pub counts_for: Seconds = Seconds::new(4.0 * 3600.0),
    }
}

impl AmbientSettings {
    fn moment(&self) -> Option<Timestamp> {
        self.read_at.parse().ok()
    }

    fn problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        if self.moment().is_none() {
            found.push(format!(
                "settings.read_at: '{}' is no moment; write date, time and zone, such as 2000-01-31T08:15:00Z",
                self.read_at
            ));
        }
        if self.read_by.trim().is_empty() {
            found.push("settings.read_by: nobody is named; write who read it".to_owned());
        }
        if let Err(detail) = self.reading() {
            found.push(format!("settings.temperature: {detail}"));
        }
        found
    }

    fn reading(&self) -> Result<AmbientReading, String> {
        ambient::reading(self.temperature.si(), self.humidity.map(|h| h.si() * 100.0))
    }

    /// How old it is at `now`, in s; or why it does not count.
    fn is_in_force(&self, now: Timestamp) -> Result<(), String> {
        let moment = self.moment().ok_or_else(|| format!("'{}' is no moment", self.read_at))?;
        let age = now.duration_since(moment).as_secs_f64();
        // A clock that goes a minute wrong is common.
        if age < -60.0 {
            return Err(format!(
                "it was read at {moment}, and now it is {now}; correct the time or this machine's clock"
            ));
        }
        if age > self.counts_for.si() {
            return Err(format!(
                "it was read by {} at {moment} and counts for {}; read it again and type it in with its time",
                self.read_by, self.counts_for
            ));
        }
        Ok(())
    }
}

/// Opens ambient conditions that were typed in.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "manual-ambient"
    }

    fn describe(&self) -> &str {
        "temperature and humidity that a person read and typed in, with name and time"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, AmbientSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, AmbientSettings::problems)?;
        let identity = Identity {
            make: "typed in".to_owned(),
            model: format!("read by {}", settings.read_by),
            serial: settings.read_at.clone(),
            ..Identity::default()
        };
        let mut typed = TypedIn { instrument: instrument.name.clone(), settings };
        typed.read().await?;
        let mut opened = opened(identity, Arc::new(Harmless), Seconds::ZERO);
        opened.ambient = Some(Box::new(typed));
        Ok(opened)
    }
}

struct TypedIn {
    instrument: String,
    settings: AmbientSettings,
}

#[async_trait]
impl Ambient for TypedIn {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        let wrong = |detail: String| DriverError::new(ErrorKind::BadData, &self.instrument, "read", detail);
        self.settings.is_in_force(now()).map_err(wrong)?;
        self.settings.reading().map_err(wrong)
    }
}

#[expect(clippy::disallowed_methods, reason = "how old a value is that somebody typed in")]
fn now() -> Timestamp {
    Timestamp::try_from(SystemTime::now()).unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::built_in::settings::{self, tests::instrument};

    fn written(read_at: &str) -> Instrument {
        let text = format!(
            "temperature = \"22.4 °C\"\nhumidity = \"41 %\"\nread_at = {read_at}\nread_by = \"A. Inventor\"\ncounts_for = \"2 h\""
        );
        instrument("manual-ambient", &text)
    }

    #[test]
    fn what_was_typed_in_counts_for_a_while() {
        let settings: AmbientSettings = settings::read(&written("2000-01-31T08:15:00Z")).unwrap();
        assert!(settings.problems().is_empty());
        let at = |time: &str| settings.is_in_force(time.parse().unwrap()).is_ok();
        assert!(at("2000-01-31T10:14:00Z") && at("2000-01-31T08:14:30Z"));
        assert!(!at("2000-01-31T10:16:00Z") && !at("2000-01-31T08:13:00Z"));
        assert_eq!(Factory.check(&written("\"yesterday\"")).len(), 1);
    }

    #[tokio::test]
    async fn it_is_read_while_it_counts() {
        let mut opened = Factory.open(&written(&format!("\"{}\"", now()))).await.unwrap();
        let reading = opened.ambient.as_mut().unwrap().read().await.unwrap();
        assert!(
            (reading.temperature.si() - 22.4).abs() < 1e-9
                && (reading.humidity.unwrap().si() - 0.41).abs() < 1e-9
        );
        let old = Factory.open(&written("2000-01-31T08:15:00Z")).await.err().unwrap();
        assert!(old.detail.contains("A. Inventor"), "{old}");
    }
}
