//! The room against the plan's limits: whether it is out, since when it is back, and what is said of it.
//!
//! Judged in time of liveness, from readings of the ambient sensor; before the first one nothing is known against the room.
//! What reads it may fail: a room that was out then stays out, since nobody knows better. Must not: pause anything; the run does.

use super::finding::{Finding, FindingKind};
use plan_schema::plan::AmbientLimits;
use plan_schema::units::{Celsius, Fraction, Mono, Seconds};

/// A room counts as back after so long within its limits: at the edge it would start and stop the armature again and again.
const BACK_AFTER: Seconds = Seconds::new(30.0);

/// What a run knows of its room.
#[derive(Debug, Clone)]
pub(super) struct Room {
    limits: Option<AmbientLimits>,
    temperature: Option<Celsius>,
    out: Option<Out>,
}

#[derive(Debug, Clone)]
struct Out {
    /// What the last reading beyond the limits showed.
    finding: Finding,
    /// Since when readings are within the limits again.
    within: Option<Mono>,
}

/// A pause of a run for its room.
#[derive(Debug, Clone, PartialEq)]
pub enum Pause {
    /// The source goes to zero.
    Begins {
        /// Number of the point from 0 whose measurement is given up and done anew; `None` between points.
        point: Option<usize>,
        /// What is out of its limits.
        finding: Finding,
    },
    /// The room is back; the run goes on.
    Ends {
        /// How long the pause took.
        lasted: Seconds,
    },
}

impl Room {
    /// A room of which nothing was read yet.
    pub(super) fn new(limits: Option<AmbientLimits>) -> Self {
        Self { limits, temperature: None, out: None }
    }

    /// Takes a reading.
    pub(super) fn read(&mut self, now: Mono, temperature: Celsius, humidity: Option<Fraction>) {
        self.temperature = Some(temperature);
        if let Some(finding) = self.limits.as_ref().and_then(|l| beyond(l, temperature, humidity)) {
            self.out = Some(Out { finding, within: None });
        } else if let Some(out) = &mut self.out {
            let since = *out.within.get_or_insert(now);
            if now.since(since) >= BACK_AFTER {
                self.out = None;
            }
        }
    }

    /// The temperature read last.
    pub(super) fn temperature(&self) -> Option<Celsius> {
        self.temperature
    }

    /// What is out of its limits, while the room does not count as back.
    pub(super) fn out(&self) -> Option<&Finding> {
        self.out.as_ref().map(|out| &out.finding)
    }

    /// Longest pause for the room.
    pub(super) fn pause_limit(&self) -> Seconds {
        self.limits.as_ref().map_or(Seconds::ZERO, |limits| limits.pause_limit)
    }
}

/// What of a reading is beyond the limits, the temperature first.
fn beyond(limits: &AmbientLimits, temperature: Celsius, humidity: Option<Fraction>) -> Option<Finding> {
    let found = |seen: f64, limit: f64, unit: &'static str, message: String| {
        Some(Finding::beyond(FindingKind::AmbientOut, None, seen, limit, unit, message))
    };
    let limit = match temperature {
        low if low < limits.temperature_min => Some(limits.temperature_min),
        high if high > limits.temperature_max => Some(limits.temperature_max),
        _ => None,
    };
    if let Some(limit) = limit {
        let (seen, limit) = (temperature.si(), limit.si());
        let message = format!("the temperature of the room is {seen:.1} °C, the limit is {limit:.1} °C");
        return found(seen, limit, "degc", message);
    }
    let (seen, limit) = (humidity?.percent(), limits.humidity_max?.percent());
    if seen <= limit {
        return None;
    }
    let message = format!("the humidity of the room is {seen:.0} %, the limit is {limit:.0} %");
    found(seen, limit, "percent", message)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn room() -> Room {
        let limits = AmbientLimits {
            temperature_min: Celsius::new(20.0),
            temperature_max: Celsius::new(26.0),
            humidity_max: Some(Fraction::new(0.75)),
            pause_limit: Seconds::new(600.0),
        };
        Room::new(Some(limits))
    }

    fn at(seconds: u64) -> Mono {
        Mono(seconds * 1_000_000_000)
    }

    fn said(temperature: f64, humidity: Option<f64>) -> Option<String> {
        let mut room = room();
        room.read(at(0), Celsius::new(temperature), humidity.map(Fraction::new));
        room.out().map(|finding| finding.message.clone())
    }

    #[test]
    fn limits_are_within() {
        for fine in [(20.0, None), (26.0, Some(0.75)), (23.0, Some(0.0))] {
            assert_eq!(said(fine.0, fine.1), None, "{fine:?}");
        }
        assert!(said(19.9, Some(0.9)).is_some_and(|text| text.contains("19.9 °C, the limit is 20.0 °C")));
        assert!(said(26.1, None).is_some_and(|text| text.contains("26.1 °C")));
        assert!(said(23.0, Some(0.76)).is_some_and(|text| text.contains("76 %, the limit is 75 %")));
    }

    #[test]
    fn without_limits_no_room_is_out() {
        let mut room = Room::new(None);
        room.read(at(0), Celsius::new(90.0), Some(Fraction::new(1.0)));
        assert!(room.out().is_none() && room.temperature() == Some(Celsius::new(90.0)));
    }

    /// A reading beyond the limits in between begins the time anew.
    #[test]
    fn it_is_back_after_half_a_minute_within() {
        let mut room = room();
        let mut back = Vec::new();
        for (second, temperature) in
            [(0, 23.0), (10, 27.0), (20, 25.0), (40, 25.0), (45, 26.5), (50, 25.0), (79, 25.0), (80, 25.0)]
        {
            room.read(at(second), Celsius::new(temperature), None);
            back.push(room.out().is_none());
        }
        assert_eq!(back, [true, false, false, false, false, false, false, true]);
    }
}
