//! The writer thread: makes records durable and gives receipts.

use super::latch::{Latch, LatchFile};
use super::messages::{Message, Order};
use crate::files::Files;
use calibration::interlock::Trip;
use calibration::sequence::{Cable, FirstMotion, Pause, PointEnd, QuietRecord, RatioTone, Recent, Stored};
use jiff::Timestamp;
use std::io;
use std::sync::Arc;
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

    /// Keeps one voltage in all channels at a frequency: waveforms first, then the entry that names them. Durable after return.
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
}

/// Writes until the engine lets go of its line; gives the store back.
pub(super) fn write_all<S: RunStore>(
    mut store: S,
    files: Arc<dyn Files>,
    latch: &LatchFile,
    run: &str,
    mut orders: Receiver<Order>,
    inbox: &Sender<Message>,
) -> S {
    while let Some(order) = orders.blocking_recv() {
        let receipt = match order {
            Order::Quiet(record, at) => {
                let when = record.when;
                Some(store.quiet(at, *record).map(|()| Stored::Quiet(when)))
            }
            Order::FirstMotion(motion, at) => {
                Some(store.first_motion(at, *motion).map(|()| Stored::FirstMotion))
            }
            Order::Point(end, at) => Some(store.point(at, *end).map(|()| Stored::Point)),
            Order::RatioTone(tone, at) => Some(store.ratio_tone(at, *tone).map(|()| Stored::RatioTone)),
            Order::Confirmation(cable, name, at) => {
                Some(store.confirmed(at, cable, &name).map(|()| Stored::Confirmation))
            }
            Order::Pause(pause, at) => Some(store.pause(at, &pause).map(|()| Stored::Pause)),
            Order::Trip(both, at) => {
                if let Err(error) = store.trip(at, &both.0, &both.1) {
                    tracing::error!(%error, "the waveforms around the trip could not be kept");
                }
                None
            }
            Order::LatchTripped(trip, at) => {
                if let Err(error) = latch.write(files.as_ref(), &tripped(&trip, run, at)) {
                    // The latch on disk still says 'may be moving', which counts as tripped.
                    tracing::error!(%error, "the latch could not be rewritten");
                }
                None
            }
        };
        if let Some(receipt) = receipt {
            // The engine may be gone after a panic; the records are safe all the same.
            let _ = inbox.blocking_send(Message::Stored(receipt.map_err(|e| e.to_string())));
        }
    }
    store
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
