//! Time as the station sees it: monotonic for liveness, wall time for records only.

use jiff::{SignedDuration, Timestamp, Unit};
use plan_schema::units::Mono;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Where time comes from.
pub trait Clock: Send + Sync {
    /// Monotonic time since the station started.
    fn now(&self) -> Mono;

    /// Wall time, for records only.
    fn utc(&self) -> Timestamp;

    /// True where time stands still until the engine asks for the next block, so that nothing depends on how fast
    /// this machine is.
    fn lock_step(&self) -> bool;

    /// How far the wall clock of this machine was set since this was asked last; `None` where it was not.
    fn was_set(&self) -> Option<SignedDuration> {
        None
    }
}

/// The time of a simulated rig: it moves only with its blocks.
pub struct SimulatedClock<F> {
    now: F,
    started: Timestamp,
}

impl<F: Fn() -> Mono + Send + Sync> SimulatedClock<F> {
    /// A clock that reads `now` and calls the start `started`.
    pub fn new(now: F, started: Timestamp) -> Self {
        Self { now, started }
    }
}

impl<F: Fn() -> Mono + Send + Sync> Clock for SimulatedClock<F> {
    fn now(&self) -> Mono {
        (self.now)()
    }

    fn utc(&self) -> Timestamp {
        let passed = SignedDuration::from_nanos(i64::try_from(self.now().0).unwrap_or(i64::MAX));
        let now = self.started.checked_add(passed).unwrap_or(self.started);
        // Records state milliseconds; a simulated clock that goes fast would give a tail of digits.
        now.round(Unit::Millisecond).unwrap_or(now)
    }

    fn lock_step(&self) -> bool {
        true
    }
}

/// The time of a real rig: the monotonic clock of this machine. What records state is the wall time of the start and what has
/// passed since, so that setting the wall clock in mid-run neither reorders nor misdates them; that it was set is noticed.
#[derive(Debug)]
pub struct RealClock {
    started: Instant,
    wall: Timestamp,
    /// Both clocks when they were compared last.
    compared: Mutex<(Duration, Timestamp)>,
}

/// A wall clock that departs from the monotonic one by more than this between two looks was set; by less it was slewed. Our own
/// choice, no source.
const SET: SignedDuration = SignedDuration::from_secs(1);

impl RealClock {
    /// A clock that starts now.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock that is handed in")]
    #[expect(clippy::new_without_default, reason = "a clock that starts is no default")]
    pub fn new() -> Self {
        let wall = Timestamp::now();
        Self { started: Instant::now(), wall, compared: Mutex::new((Duration::ZERO, wall)) }
    }

    /// How far the wall clock was set between two looks at both clocks.
    fn set_by(before: (Duration, Timestamp), now: (Duration, Timestamp)) -> Option<SignedDuration> {
        let passed = SignedDuration::try_from(now.0.saturating_sub(before.0)).ok()?;
        let by = now.1.duration_since(before.1).checked_sub(passed)?;
        (by.abs() > SET).then_some(by)
    }
}

impl Clock for RealClock {
    fn now(&self) -> Mono {
        Mono(u64::try_from(self.started.elapsed().as_nanos()).unwrap_or(u64::MAX))
    }

    fn utc(&self) -> Timestamp {
        let passed = SignedDuration::try_from(self.started.elapsed()).unwrap_or(SignedDuration::MAX);
        self.wall.checked_add(passed).unwrap_or(self.wall)
    }

    fn lock_step(&self) -> bool {
        false
    }

    fn was_set(&self) -> Option<SignedDuration> {
        let now = (self.started.elapsed(), Timestamp::now());
        let mut compared = self.compared.lock().unwrap_or_else(PoisonError::into_inner);
        Self::set_by(std::mem::replace(&mut *compared, now), now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_real_clock_never_goes_back_and_waits_for_nobody() {
        let clock = RealClock::new();
        let readings: Vec<Mono> = (0..1000).map(|_| clock.now()).collect();
        assert!(readings.windows(2).all(|pair| pair[1] >= pair[0]));
        assert!(!clock.lock_step());
    }

    #[test]
    fn a_wall_clock_that_is_set_is_told_from_one_that_is_slewed() {
        let at = |s: i64, ms: i64| {
            Timestamp::UNIX_EPOCH + SignedDuration::from_secs(1_000_000 + s) + SignedDuration::from_millis(ms)
        };
        let look = |s: u64| Duration::from_secs(s);
        // A clock discipline slews by 500 ppm at most.
        assert_eq!(RealClock::set_by((look(0), at(0, 0)), (look(600), at(600, 300))), None);
        let back = RealClock::set_by((look(10), at(10, 0)), (look(11), at(11 - 3600, 0)));
        assert_eq!(back, Some(SignedDuration::from_secs(-3600)));
        let on = RealClock::set_by((look(10), at(10, 0)), (look(11), at(11 + 86_400, 0)));
        assert_eq!(on, Some(SignedDuration::from_secs(86_400)));
    }
}
