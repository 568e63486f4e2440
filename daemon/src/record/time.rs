//! Wall time in records: UTC, written as RFC 3339.
//!
//! Owns [`UtcTime`]. The clock of this machine is read only by [`UtcTime::now`], which only the shell's edge calls.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::Offset;
use plan_schema::registers::Date;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An instant of wall time, stored as text such as `2000-01-01T00:00:00Z`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct UtcTime(Timestamp);

impl UtcTime {
    /// The instant itself.
    #[must_use]
    pub const fn timestamp(self) -> Timestamp {
        self.0
    }

    /// Calendar date and time of day in UTC.
    #[must_use]
    pub fn civil(self) -> DateTime {
        Offset::UTC.to_datetime(self.0)
    }

    /// The day in UTC. One before the year 0, which nobody measures on, counts as that year's.
    #[must_use]
    pub fn day(self) -> Date {
        let date = self.civil().date();
        Date {
            year: u16::try_from(date.year()).unwrap_or(0),
            month: date.month().unsigned_abs(),
            day: date.day().unsigned_abs(),
        }
    }
}

impl UtcTime {
    /// The time of this machine's clock, for records of what is done now by a person.
    #[must_use]
    pub fn now() -> Self {
        Self(Timestamp::now())
    }
}

impl From<Timestamp> for UtcTime {
    fn from(timestamp: Timestamp) -> Self {
        Self(timestamp)
    }
}

impl fmt::Display for UtcTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl FromStr for UtcTime {
    type Err = jiff::Error;

    /// Reads RFC 3339; another offset than UTC is converted.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        text.parse().map(Self)
    }
}

impl Serialize for UtcTime {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for UtcTime {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(|error| serde::de::Error::custom(format!("`{text}` is not a UTC time: {error}")))
    }
}

impl JsonSchema for UtcTime {
    fn schema_name() -> Cow<'static, str> {
        "UtcTime".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "format": "date-time" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_written_as_rfc_3339_in_utc() {
        let time: UtcTime = "2026-03-01T13:45:07.250+02:00".parse().unwrap();
        assert_eq!(serde_json::to_string(&time).unwrap(), "\"2026-03-01T11:45:07.25Z\"");
        assert_eq!(time.civil().to_string(), "2026-03-01T11:45:07.25");
    }

    #[test]
    fn refuses_what_is_no_instant() {
        let error = serde_json::from_str::<UtcTime>("\"2026-03-01\"").unwrap_err().to_string();
        assert!(error.contains("is not a UTC time"), "{error}");
    }
}
