//! Time as the station sees it: monotonic for liveness, wall time for records only.

use jiff::{SignedDuration, Timestamp, Unit};
use plan_schema::units::Mono;
use std::time::Instant;

/// Where time comes from.
pub trait Clock: Send + Sync {
    /// Monotonic time since the station started.
    fn now(&self) -> Mono;

    /// Wall time, for records only.
    fn utc(&self) -> Timestamp;

    /// True where time stands still until the engine asks for the next block, so that nothing depends on how fast
    /// this machine is.
    fn lock_step(&self) -> bool;
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

/// The time of a real rig: the monotonic clock of this machine for liveness, its wall clock for records. Setting the wall
/// clock while a run goes on changes what records state from then on, and nothing else.
#[derive(Debug, Clone, Copy)]
pub struct RealClock {
    started: Instant,
}

impl RealClock {
    /// A clock that starts now.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock that is handed in")]
    #[expect(clippy::new_without_default, reason = "a clock that starts is no default")]
    pub fn new() -> Self {
        Self { started: Instant::now() }
    }
}

impl Clock for RealClock {
    fn now(&self) -> Mono {
        Mono(u64::try_from(self.started.elapsed().as_nanos()).unwrap_or(u64::MAX))
    }

    fn utc(&self) -> Timestamp {
        Timestamp::now()
    }

    fn lock_step(&self) -> bool {
        false
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
}
