//! What travels between engine, device tasks and writer.

use calibration::interlock::Trip;
use calibration::sequence::{
    Cable, Event, FirstMotion, Operator, Pause, PointEnd, QuietRecord, RatioTone, Recent, Seen, Stored,
    Target,
};
use drivers::{
    AmbientReading, AmplifierStatus, Block, ContactReading, DrivePermit, DriverError, SafeProof, Transition,
};
use jiff::{SignedDuration, Timestamp};
use plan_schema::units::{Mono, Seconds};
use std::sync::Arc;

/// What the engine hears.
#[derive(Debug)]
pub(super) enum Message {
    /// The source went to a tone.
    Tone(Result<Transition, DriverError>),
    /// The source went to 0 V.
    SourceOff(Result<Seconds, DriverError>),
    /// The amplifier was let live.
    Unmuted(Result<AmplifierStatus, DriverError>),
    /// An instrument was made safe.
    MadeSafe(Target, Result<SafeProof, DriverError>),
    /// A block, or none in time.
    Block(Result<Option<Block>, DriverError>),
    /// State of the contacts.
    Contacts(Result<ContactReading, DriverError>),
    /// An output of the contacts was switched, or could not be: what it is for, as it was wanted, and as it was applied.
    Output(OutputFor, bool, Result<bool, DriverError>),
    /// State of the amplifier.
    Amplifier(Result<AmplifierStatus, DriverError>),
    /// Ambient conditions.
    Ambient(Result<AmbientReading, DriverError>),
    /// A record can't be made durable yet, and is tried again: its receipt follows.
    StoreWaits(String),
    /// A record is durable.
    Stored(Stored),
    /// The host of an instrument is gone.
    Lost(DriverError),
    /// A person wants something.
    Operator(Operator),
    /// A person of this name did what was asked for last.
    Confirmed(String),
}

/// What a source is told.
#[derive(Debug)]
pub(super) enum SourceCommand {
    Tone(Arc<DrivePermit>, Transition),
    Off(Seconds),
}

/// What an amplifier is told.
#[derive(Debug)]
pub(super) enum AmplifierCommand {
    Unmute(Arc<DrivePermit>),
    Status,
}

/// What an output of the contacts is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OutputFor {
    /// It warns before motion.
    Warning,
    /// It takes the source to the channels in place of the amplifier, or the reference in place of the sensors.
    Route,
}

/// What contacts are told.
#[derive(Debug)]
pub(super) enum ContactsCommand {
    Read,
    Output(OutputFor, u32, bool),
}

/// What the writer is told, each with the wall time at which it happened.
#[derive(Debug)]
pub(super) enum Order {
    Quiet(Box<QuietRecord>, Timestamp),
    FirstMotion(Box<FirstMotion>, Timestamp),
    Point(Box<PointEnd>, Timestamp),
    RatioTone(Box<RatioTone>, Timestamp),
    /// A person of this name moved the cable.
    Confirmation(Cable, String, Timestamp),
    Pause(Pause, Timestamp),
    Trip(Box<(Trip, Recent)>, Timestamp),
    /// The wall clock was set by so much.
    ClockSet(SignedDuration, Timestamp),
    /// The latch is to say tripped, at once.
    LatchTripped(Box<Trip>, Timestamp),
}

impl Order {
    /// True if the engine is told when it is durable.
    pub(super) const fn has_a_receipt(&self) -> bool {
        !matches!(self, Self::Trip(..) | Self::ClockSet(..) | Self::LatchTripped(..))
    }
}

/// Takes part in a run without a say in it: progress for people, faults of a simulator, pacing.
pub trait Observer: Send {
    /// Something happened.
    fn event(&mut self, now: Mono, event: &Event);

    /// A point ended.
    fn point(&mut self, now: Mono, end: &PointEnd) {
        let _ = (now, end);
    }

    /// A block was worked on; `length` is how much time it covers. An observer that paces a dry run waits here.
    fn block(&mut self, now: Mono, length: Seconds) {
        let _ = (now, length);
    }

    /// What goes on, after each block. Must not wait: it is called on the station's thread.
    fn seen(&mut self, now: Mono, seen: &Seen) {
        let _ = (now, seen);
    }

    /// Ambient conditions were read.
    fn ambient(&mut self, now: Mono, reading: &AmbientReading) {
        let _ = (now, reading);
    }
}
