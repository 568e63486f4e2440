//! The writer thread: makes records durable and gives receipts.

use super::latch::{Latch, LatchFile};
use super::messages::{Message, Order};
use crate::files::Files;
use calibration::interlock::Trip;
use calibration::sequence::{Cable, FirstMotion, Pause, PointEnd, QuietRecord, RatioTone, Recent, Stored};
use jiff::{SignedDuration, Timestamp};
use std::io;
use std::sync::Arc;
use std::thread;
use std::time::Duration;
use tokio::sync::mpsc::error::TryRecvError;
use tokio::sync::mpsc::{Receiver, Sender};

/// Where the records of a run go.
pub trait RunStore: Send {
    /// Keeps a quiet part. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn quiet(&mut self, at: Timestamp, record: QuietRecord) -> io::Result<()>;

    /// Keeps the first motion: waveforms first, then the entry that names them. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn first_motion(&mut self, at: Timestamp, motion: FirstMotion) -> io::Result<()>;

    /// Keeps the end of a point: waveforms first, then the entry that names them. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn point(&mut self, at: Timestamp, end: PointEnd) -> io::Result<()>;

    /// Keeps one voltage in several channels at a frequency: waveforms first, then the entry that names them. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn ratio_tone(&mut self, at: Timestamp, tone: RatioTone) -> io::Result<()>;

    /// Keeps that a person of this name moved the source's cable. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn confirmed(&mut self, at: Timestamp, cable: Cable, name: &str) -> io::Result<()>;

    /// Keeps the beginning or the end of a pause. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn pause(&mut self, at: Timestamp, pause: &Pause) -> io::Result<()>;

    /// Keeps a trip with the waveforms around it. Durable after return.
    ///
    /// # Errors
    /// Of the disk.
    fn trip(&mut self, at: Timestamp, trip: &Trip, recent: &Recent) -> io::Result<()>;

    /// Keeps that the wall clock was set by so much. Durable after return. A store without a journal has no use for it.
    ///
    /// # Errors
    /// Of the disk.
    fn clock_set(&mut self, at: Timestamp, by: SignedDuration) -> io::Result<()> {
        let _ = (at, by);
        Ok(())
    }
}

/// Between two tries to keep a record.
const AGAIN: Duration = Duration::from_millis(250);

/// Writes until the engine lets go of its line; gives the store back. A record that the disk does not take is told of once and
/// tried again until it is kept or the run is over: what was measured is not thrown away while somebody may give the disk room.
pub(super) fn write_all<S: RunStore>(
    store: S,
    files: Arc<dyn Files>,
    latch: &LatchFile,
    run: &str,
    mut orders: Receiver<Order>,
    inbox: &Sender<Message>,
) -> S {
    let mut writer = Writer { store, files, latch, run, inbox };
    while let Some(order) = orders.blocking_recv() {
        writer.take(order, &mut orders);
    }
    writer.store
}

struct Writer<'a, S> {
    store: S,
    files: Arc<dyn Files>,
    latch: &'a LatchFile,
    run: &'a str,
    inbox: &'a Sender<Message>,
}

impl<S: RunStore> Writer<'_, S> {
    fn take(&mut self, order: Order, orders: &mut Receiver<Order>) {
        match order {
            Order::LatchTripped(trip, at) => self.latch_tripped(&trip, at),
            Order::Trip(both, at) => {
                if let Err(error) = self.store.trip(at, &both.0, &both.1) {
                    tracing::error!(%error, "the waveforms around the trip could not be kept");
                }
            }
            Order::ClockSet(by, at) => {
                if let Err(error) = self.store.clock_set(at, by) {
                    tracing::error!(%error, "that the clock was set by {by} could not be kept");
                }
            }
            record => match self.keep(&record) {
                Ok(receipt) => self.send(Message::Stored(receipt)),
                Err(error) => {
                    self.send(Message::StoreWaits(error.to_string()));
                    self.try_again(&record, orders);
                }
            },
        }
    }

    /// Until it is kept, or nobody waits for it any more. Meanwhile the latch comes first.
    fn try_again(&mut self, record: &Order, orders: &mut Receiver<Order>) {
        let mut after = Vec::new();
        loop {
            thread::sleep(AGAIN);
            let over = loop {
                match orders.try_recv() {
                    Ok(Order::LatchTripped(trip, at)) => self.latch_tripped(&trip, at),
                    Ok(other) => {
                        if other.has_a_receipt() {
                            self.send(Message::StoreWaits("what comes before it is not kept yet".to_owned()));
                        }
                        after.push(other);
                    }
                    Err(TryRecvError::Empty) => break false,
                    Err(TryRecvError::Disconnected) => break true,
                }
            };
            match self.keep(record) {
                Ok(receipt) => {
                    self.send(Message::Stored(receipt));
                    break;
                }
                Err(error) if over => {
                    tracing::error!(%error, "a record could not be kept before the run was over");
                    break;
                }
                Err(_) => {}
            }
        }
        for order in after {
            self.take(order, orders);
        }
    }

    fn keep(&mut self, record: &Order) -> io::Result<Stored> {
        match record {
            Order::Quiet(record, at) => {
                let when = record.when;
                self.store.quiet(*at, record.as_ref().clone()).map(|()| Stored::Quiet(when))
            }
            Order::FirstMotion(motion, at) => {
                self.store.first_motion(*at, motion.as_ref().clone()).map(|()| Stored::FirstMotion)
            }
            Order::Point(end, at) => self.store.point(*at, end.as_ref().clone()).map(|()| Stored::Point),
            Order::RatioTone(tone, at) => {
                self.store.ratio_tone(*at, tone.as_ref().clone()).map(|()| Stored::RatioTone)
            }
            Order::Confirmation(cable, name, at) => {
                self.store.confirmed(*at, *cable, name).map(|()| Stored::Confirmation)
            }
            Order::Pause(pause, at) => self.store.pause(*at, pause).map(|()| Stored::Pause),
            Order::Trip(..) | Order::ClockSet(..) | Order::LatchTripped(..) => {
                Err(io::Error::other("no record of this kind"))
            }
        }
    }

    fn latch_tripped(&self, trip: &Trip, at: Timestamp) {
        if let Err(error) = self.latch.write(self.files.as_ref(), &tripped(trip, self.run, at)) {
            // The latch on disk still says 'may be moving', which counts as tripped.
            tracing::error!(%error, "the latch could not be rewritten");
        }
    }

    fn send(&self, message: Message) {
        // The engine may be gone after a panic; the records are safe all the same.
        let _ = self.inbox.blocking_send(message);
    }
}

/// What the latch says of a trip.
pub(super) fn tripped(trip: &Trip, run: &str, at: Timestamp) -> Latch {
    Latch::Tripped {
        at_utc: format!("{at:.3}"),
        run: Some(run.to_owned()),
        reason: trip.reason.word().to_owned(),
        message: trip.message.clone(),
    }
}
