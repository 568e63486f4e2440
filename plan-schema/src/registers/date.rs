//! Days, as certificates state them.

use crate::read::{Node, Notes, Written};
use std::fmt;

/// A day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    /// Year.
    pub year: u16,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day of the month.
    pub day: u8,
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

impl serde::Serialize for Date {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl std::str::FromStr for Date {
    type Err = String;

    /// Reads year-month-day.
    fn from_str(text: &str) -> Result<Self, String> {
        let day =
            text.parse::<toml::value::Datetime>().ok().filter(|t| t.time.is_none()).and_then(|t| t.date);
        match day {
            Some(d) => Ok(Self { year: d.year, month: d.month, day: d.day }),
            None => Err(format!("'{text}' is no date; write year-month-day: 2026-03-31")),
        }
    }
}

impl Written for Date {
    /// Accepts a TOML date and a text of the same form (what JSON can hold).
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let date = match node.value {
            toml::de::DeValue::Datetime(t) if t.time.is_none() => {
                t.date.map(|d| Self { year: d.year, month: d.month, day: d.day })
            }
            toml::de::DeValue::String(text) => text.parse().ok(),
            _ => None,
        };
        if date.is_none() {
            notes.error(
                Some(node.span),
                "this should be a date",
                Some("write year-month-day: 2026-03-31".to_owned()),
            );
        }
        date
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({
            "type": "string",
            "description": "Written as year-month-day, without quotes.",
            "format": "date",
            "pattern": "^[0-9]{4}-(?:(?:0[13578]|1[02])-(?:0[1-9]|[12][0-9]|3[01])|(?:0[469]|11)-(?:0[1-9]|[12][0-9]|30)|02-(?:0[1-9]|[12][0-9]))$",
            "patternErrorMessage": "Write a date as year-month-day without quotes, such as 2026-03-31.",
            "examples": ["2026-03-31"],
        })
    }
}
