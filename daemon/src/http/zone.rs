//! The laboratory's zone of time: what is stored in UTC is shown in it.

use crate::record::UtcTime;
use jiff::tz::TimeZone;

/// A zone, or none: then UTC is shown, and the page's script adds the reader's own time.
#[derive(Debug, Clone, Default)]
pub struct Zone(Option<TimeZone>);

impl Zone {
    /// A zone by its name in the machine's data base of zones ("Europe/Berlin"), or by a rule as POSIX writes it
    /// ("CET-1CEST,M3.5.0,M10.5.0/3"), which needs no data base.
    ///
    /// # Errors
    /// Where it is neither; what to write.
    pub fn named(name: Option<&str>) -> Result<Self, String> {
        let Some(name) = name else { return Ok(Self(None)) };
        let found = TimeZone::get(name).or_else(|_| TimeZone::posix(name));
        found.map(|zone| Self(Some(zone))).map_err(|_| {
            format!(
                "zone = \"{name}\" is no zone of time that this machine knows; write a name such as \"Europe/Berlin\" (on Debian \
                 the package tzdata brings them), or a rule such as \"CET-1CEST,M3.5.0,M10.5.0/3\""
            )
        })
    }

    /// An instant as it is shown, to the second, with the name of its offset: in the hour that comes twice in autumn only that
    /// tells them apart.
    #[must_use]
    pub fn shown(&self, time: UtcTime) -> String {
        let zone = self.0.clone().unwrap_or(TimeZone::UTC);
        time.timestamp().to_zoned_datetime(zone).strftime("%Y-%m-%d %H:%M:%S %Z").to_string()
    }

    /// True where the laboratory has said its zone.
    #[must_use]
    pub const fn is_set(&self) -> bool {
        self.0.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rule of Central European Summer Time: Directive 2000/84/EC has it begin and end at 1:00 UTC of the last Sunday of March
    /// and October; in 2026 those are the 29th and the 25th.
    #[test]
    fn summer_time_begins_and_ends() {
        let zone = Zone::named(Some("CET-1CEST,M3.5.0,M10.5.0/3")).unwrap();
        let shown = |text: &str| zone.shown(text.parse().unwrap());
        assert_eq!(shown("2026-03-29T00:59:59Z"), "2026-03-29 01:59:59 CET");
        assert_eq!(shown("2026-03-29T01:00:00Z"), "2026-03-29 03:00:00 CEST");
        assert_eq!(shown("2026-10-25T00:30:00Z"), "2026-10-25 02:30:00 CEST");
        assert_eq!(shown("2026-10-25T01:30:00Z"), "2026-10-25 02:30:00 CET");
    }

    #[test]
    fn without_a_zone_it_is_utc_and_a_wrong_one_is_refused() {
        assert_eq!(
            Zone::named(None).unwrap().shown("2026-07-01T12:00:00Z".parse().unwrap()),
            "2026-07-01 12:00:00 UTC"
        );
        assert!(Zone::named(Some("Middle/Earth")).unwrap_err().contains("Europe/Berlin"));
    }
}
