//! What runs were measured with, and what was certified on the strength of it: the words of a recall.

use super::RunFilter;
use plan_schema::registers::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What something was to a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum UsedRole {
    /// The reference transducer.
    Reference,
    /// The second reference beside it.
    SecondReference,
    /// A conditioner before one of the channels in use.
    Conditioner,
    /// A channel in use, whatever it read.
    Channel,
    /// A fixture that a sensor stood on.
    Fixture,
    /// What read temperature and humidity.
    Ambient,
    /// A check standard.
    CheckStandard,
}

impl UsedRole {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Reference,
        Self::SecondReference,
        Self::Conditioner,
        Self::Channel,
        Self::Fixture,
        Self::Ambient,
        Self::CheckStandard,
    ];

    /// The word that records and lists have for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reference => "reference",
            Self::SecondReference => "second_reference",
            Self::Conditioner => "conditioner",
            Self::Channel => "channel",
            Self::Fixture => "fixture",
            Self::Ambient => "ambient",
            Self::CheckStandard => "check_standard",
        }
    }
}

/// Something that a run was measured with.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
pub struct UsedItem {
    /// What it was to the run.
    pub role: UsedRole,
    /// Its serial; of a channel, a fixture or an ambient sensor the name in the rig file.
    pub serial: String,
    /// Which calibration of it: the number of its certificate, as register or rig file state it; of a conditioner or a channel
    /// without one `due` and the day of the next. Null where nothing was stated, and of check standards, which have none.
    pub version: Option<String>,
}

/// A certificate that was issued for a sensor of a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct IssuedCertificate {
    /// Serial of the sensor.
    pub serial: String,
    /// Its number.
    pub number: String,
    /// Number of the certificate that it replaces.
    pub replaces: Option<String>,
}

impl RunFilter {
    /// What can't be asked in this way, with what to write instead.
    ///
    /// # Errors
    /// A day that is none, days in the wrong order, a role or a calibration of nothing.
    pub fn checked(&self) -> Result<(), String> {
        let day = |name: &str, text: &Option<String>| {
            let read = text.as_ref().map(|t| t.parse::<Date>().map_err(|why| format!("{name}: {why}")));
            // Days are compared as they are written.
            match (read.transpose()?, text) {
                (Some(day), Some(text)) if day.to_string() != *text => {
                    Err(format!("{name}: write the day as {day}"))
                }
                (day, _) => Ok(day),
            }
        };
        if let (Some(since), Some(until)) = (day("since", &self.since)?, day("until", &self.until)?)
            && since > until
        {
            return Err(format!("since {since} lies after until {until}; swap the two"));
        }
        for (name, said) in [("role", self.role.is_some()), ("calibration", self.calibration.is_some())] {
            if said && self.used.is_none() {
                return Err(format!("{name} means nothing without used; say of what, such as used=SERIAL"));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_can_not_be_asked_is_said_with_its_remedy() {
        let said = |filter: RunFilter| filter.checked().err().unwrap_or_default();
        let text = |t: &str| Some(t.to_owned());
        let none = RunFilter::default();
        assert_eq!(
            said(RunFilter { since: text("2000-01-31"), until: text("2000-01-31"), ..none.clone() }),
            ""
        );
        assert!(said(RunFilter { since: text("yesterday"), ..none.clone() }).starts_with("since: "));
        assert!(said(RunFilter { until: text("2000-02-30"), ..none.clone() }).starts_with("until: "));
        let turned = RunFilter { since: text("2000-02-01"), until: text("2000-01-31"), ..none.clone() };
        assert!(said(turned).contains("swap the two"));
        assert!(said(RunFilter { role: Some(UsedRole::Channel), ..none.clone() }).contains("without used"));
        let whole = RunFilter { used: text("K-1"), role: Some(UsedRole::Conditioner), ..none };
        assert_eq!(said(RunFilter { calibration: text("due 2000-03-31"), ..whole }), "");
    }

    #[test]
    fn the_words_of_roles_are_those_on_the_wire() {
        for role in UsedRole::ALL {
            assert_eq!(serde_json::to_value(role).unwrap(), role.word());
        }
    }
}
