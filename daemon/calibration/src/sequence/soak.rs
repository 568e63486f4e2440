//! The soak: sensors have been mounted and switched on long enough, and the temperature stands still.
//!
//! Judged in time of liveness: no signal tells it. A temperature that does not settle within the plan's longest time holds
//! the run, since somebody has to look.

use plan_schema::plan::Soak as Wanted;
use plan_schema::units::{Celsius, Mono, Seconds};
use std::collections::VecDeque;

/// Where a soak stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Soaked {
    /// Not yet.
    Wait,
    /// Long enough, and steady.
    Done,
    /// It took too long: the largest change of temperature seen last, in K; `None` without readings.
    Never(Option<f64>),
}

/// A soak under way.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Soak {
    begun: Mono,
    left: Seconds,
    steady: Option<Wanted>,
    readings: VecDeque<(Mono, f64)>,
}

impl Soak {
    /// Begins; `left` has to pass in any case.
    pub(super) fn new(begun: Mono, left: Seconds, steady: Option<Wanted>) -> Self {
        Self { begun, left, steady, readings: VecDeque::new() }
    }

    /// Notes a temperature. One from before the time over which it has to be steady is kept, so that this time is covered.
    pub(super) fn read(&mut self, now: Mono, temperature: Celsius) {
        let Some(wanted) = &self.steady else { return };
        self.readings.push_back((now, temperature.si()));
        while self.readings.get(1).is_some_and(|(at, _)| now.since(*at) >= wanted.over) {
            self.readings.pop_front();
        }
    }

    /// Where it stands.
    pub(super) fn look(&self, now: Mono) -> Soaked {
        let passed = now.since(self.begun);
        if passed < self.left {
            return Soaked::Wait;
        }
        let Some(wanted) = &self.steady else {
            return Soaked::Done;
        };
        let covered = self.readings.front().is_some_and(|(at, _)| now.since(*at) >= wanted.over);
        let change = self.change();
        if covered && change.is_some_and(|change| change <= wanted.steady.si()) {
            Soaked::Done
        } else if passed > self.left + wanted.longest {
            Soaked::Never(change)
        } else {
            Soaked::Wait
        }
    }

    fn change(&self) -> Option<f64> {
        let values = || self.readings.iter().map(|(_, t)| *t);
        Some(values().reduce(f64::max)? - values().reduce(f64::min)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::units::Kelvins;

    fn at(seconds: u64) -> Mono {
        Mono(seconds * 1_000_000_000)
    }

    fn steady() -> Option<Wanted> {
        let (over, longest) = (Seconds::new(60.0), Seconds::new(600.0));
        Some(Wanted { steady: Kelvins::new(0.2), over, longest })
    }

    #[test]
    fn time_alone() {
        let soak = Soak::new(at(5), Seconds::new(10.0), None);
        assert_eq!((soak.look(at(14)), soak.look(at(15))), (Soaked::Wait, Soaked::Done));
    }

    /// A temperature that still creeps is waited for, and given up in the end.
    #[test]
    fn a_temperature_has_to_stand_still() {
        let drifting = |rate: f64, until: u64| {
            let mut soak = Soak::new(at(0), Seconds::ZERO, steady());
            for second in (0..until).step_by(10) {
                soak.read(at(second), Celsius::new(23.0 + rate * second as f64));
                match soak.look(at(second)) {
                    Soaked::Wait => {}
                    over => return (second, over),
                }
            }
            (until, Soaked::Wait)
        };
        assert_eq!(drifting(0.0, 1000), (60, Soaked::Done));
        let (when, Soaked::Never(Some(change))) = drifting(0.01, 1000) else { panic!() };
        assert!(when == 610 && (change - 0.6).abs() < 1e-9);
        let soak = Soak::new(at(0), Seconds::ZERO, steady());
        assert_eq!(soak.look(at(601)), Soaked::Never(None));
    }
}
