//! Says among the remarks of the rig why the run that goes on pauses, until it goes on or is over.

use super::house::House;
use crate::station::Observer;
use calibration::sequence::Event;
use plan_schema::units::Mono;
use std::sync::Arc;
use tokio::runtime::Handle;

/// The word under which a pause is remarked.
pub(super) const PAUSE: &str = "pause";

/// An observer that remarks pauses.
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

    fn remark(&self, what: Option<String>) {
        if self.house.warn(PAUSE, what) {
            let house = self.house.clone();
            self.served_by.spawn(async move { house.rig_changed().await });
        }
    }
}

impl Observer for Crier {
    fn event(&mut self, _now: Mono, event: &Event) {
        match event {
            Event::Paused(why) => self.remark(Some(format!("the run pauses: {why}"))),
            Event::GoesOn => self.remark(None),
            _ => {}
        }
    }
}
