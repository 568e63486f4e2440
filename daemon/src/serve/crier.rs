//! Says in the rig's state what the run that goes on needs people to know: that it tripped or fails, why it pauses, and what it
//! asks a person to do.

use super::house::{House, Running};
use crate::station::Observer;
use calibration::sequence::Event;
use plan_schema::units::Mono;
use std::sync::Arc;
use tokio::runtime::Handle;

/// The word under which a pause is remarked.
pub(super) const PAUSE: &str = "pause";

/// The word under which a failure is remarked.
const FAILURE: &str = "failure";

/// The words whose remarks are over with the run.
pub(super) const OF_A_RUN: [&str; 2] = [PAUSE, FAILURE];

/// An observer that says it.
pub(super) struct Crier {
    house: Arc<House>,
    /// Of the threads that people are served by: the station's must not wait for the database.
    served_by: Handle,
}

impl Crier {
    /// Made on a thread of the runtime.
    pub(super) fn new(house: Arc<House>) -> Self {
        Self { house, served_by: Handle::current() }
    }

    fn remark(&self, about: &'static str, what: Option<String>) {
        if self.house.warn(about, what) {
            self.tell();
        }
    }

    fn change(&self, with: impl FnOnce(&mut Running)) {
        self.house.change_running(with);
        self.tell();
    }

    fn tell(&self) {
        let house = self.house.clone();
        self.served_by.spawn(async move { house.rig_changed().await });
    }
}

impl Observer for Crier {
    fn event(&mut self, _now: Mono, event: &Event) {
        match event {
            Event::Paused(why) => self.remark(PAUSE, Some(format!("the run pauses: {why}"))),
            Event::GoesOn => self.remark(PAUSE, None),
            Event::Asks(cable) => {
                let asks = cable.asks().to_owned();
                self.change(|running| running.asks = Some(asks));
            }
            Event::Confirmed(_) | Event::Stopping(_) => self.change(|running| running.asks = None),
            Event::Tripped(trip) => {
                let trip = (trip.reason.word().to_owned(), trip.message.clone());
                self.change(|running| (running.trip, running.asks) = (Some(trip), None));
            }
            Event::Failure(why) => self.remark(FAILURE, Some(format!("the run ends: {why}"))),
            _ => {}
        }
    }
}
