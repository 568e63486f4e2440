//! Records as the engine sees them: handed to the writer, receipts, a disk that does not take one, a clock that was set.

use super::Engine;
use crate::station::messages::Order;
use calibration::sequence::{Event, Input, Stored};
use jiff::SignedDuration;

impl Engine {
    pub(super) fn order(&mut self, order: Order, receipt: bool) {
        match self.orders.try_send(order) {
            Ok(()) => self.progress.outstanding += usize::from(receipt),
            Err(error) => {
                tracing::error!(%error, "the writer does not take a record");
                self.progress.store_failed = true;
                self.feed(Input::StoreFailed("the writer does not keep up".to_owned()));
            }
        }
    }

    /// A record is durable.
    pub(super) fn stored(&mut self, what: Stored) {
        self.progress.store_failed = false;
        self.feed(Input::Stored(what));
    }

    /// The disk does not take a record, which is tried again.
    pub(super) fn store_waits(&mut self, detail: String) {
        self.progress.store_failed = true;
        self.progress.store_waits += 1;
        self.feed(Input::StoreWaits(detail));
    }

    /// Somebody set the wall clock: nothing is judged by it, and records go on with the time from before.
    pub(super) fn clock_set(&mut self, by: SignedDuration) {
        let at = self.clock.utc();
        self.order(Order::ClockSet(by, at), false);
        let seconds = by.as_secs_f64();
        let text = format!(
            "the clock of this machine was set by {seconds:+.1} s; records of this run go on with the time from before, and say so"
        );
        self.tell(&Event::Noticed(text), at);
    }
}
