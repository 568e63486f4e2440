//! Time as the station sees it: monotonic for liveness, wall time for records only.

use jiff::{SignedDuration, Timestamp, Unit};
use plan_schema::units::Mono;

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
