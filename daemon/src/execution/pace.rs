//! Holds a run on the simulated rig back to a multiple of real time, for people who watch.

use crate::station::Observer;
use calibration::sequence::Event;
use plan_schema::units::{Mono, Seconds};
use std::time::{Duration, Instant};

/// An observer that waits within each block until real time has caught up.
pub struct Pace {
    speed: f64,
    begun: Option<(Instant, Mono)>,
}

impl Pace {
    /// At most `speed` times real time; above zero.
    #[must_use]
    pub fn new(speed: f64) -> Self {
        Self { speed, begun: None }
    }
}

impl Observer for Pace {
    fn event(&mut self, _now: Mono, _event: &Event) {}

    #[expect(clippy::disallowed_methods, reason = "pacing a demonstration, nothing is judged by it")]
    fn block(&mut self, now: Mono, _length: Seconds) {
        let (begun, at) = *self.begun.get_or_insert((Instant::now(), now));
        let due = Duration::from_secs_f64(now.since(at).si() / self.speed);
        std::thread::sleep(due.saturating_sub(begun.elapsed()));
    }
}
