//! Clearing a trip: by a named person, with a reason, while nothing runs.
//!
//! Owns the one rule of it, whoever asks. Must not print.

use super::latch::{Acknowledgement, Latch, LatchFile};
use super::leave::WithdrawnBy;
use super::leave_file::withdraw;
use crate::files::Files;
use calibration::interlock::TripReason;
use jiff::Timestamp;
use std::io;

/// Who acknowledges, and with which words.
#[derive(Debug, Clone, Copy)]
pub struct Words<'a> {
    /// Who.
    pub name: &'a str,
    /// What was found and done.
    pub reason: &'a str,
    /// After an instrument could not be made safe: the power was cut by hand, and the cause is found.
    pub made_safe_by_hand: bool,
}

/// What became of it.
#[derive(Debug)]
pub enum Acknowledged {
    /// There was nothing to acknowledge.
    NotTripped,
    /// The trip is cleared.
    Cleared {
        /// Its word.
        trip: String,
        /// Its message.
        message: String,
        /// Set where the leave to move could not be read; it is none then.
        leave: Option<io::Error>,
    },
}

/// Why a trip stays.
#[derive(Debug)]
pub enum NotAcknowledged {
    /// The rig is in use, or its lock can't be taken.
    Locked(io::Error),
    /// An instrument could not be made safe, and nobody says that the power was cut by hand; the trip's message.
    NotSafe(String),
    /// The latch can't be written.
    Disk(io::Error),
}

/// Clears a trip of a rig. Durable after return.
///
/// # Errors
/// See [`NotAcknowledged`].
pub fn acknowledge(
    place: &LatchFile,
    files: &dyn Files,
    simulated: bool,
    now: Timestamp,
    words: &Words<'_>,
) -> Result<Acknowledged, NotAcknowledged> {
    if !place.exists() {
        return Ok(Acknowledged::NotTripped);
    }
    let (_lock, latch) = place.claim(files, now).map_err(NotAcknowledged::Locked)?;
    let Latch::Tripped { reason: trip, message, .. } = latch else {
        return Ok(Acknowledged::NotTripped);
    };
    if trip == TripReason::MakeSafeFailed.word() && !words.made_safe_by_hand {
        return Err(NotAcknowledged::NotSafe(message));
    }
    // A trip ended the leave to move: it must not look as if it went on.
    let leave = if simulated { None } else { withdraw(place, files, now.into(), WithdrawnBy::Trip).err() };
    let acknowledged = Acknowledgement {
        at_utc: format!("{now:.3}"),
        name: words.name.to_owned(),
        reason: words.reason.to_owned(),
        trip: trip.clone(),
    };
    let clear = Latch::Clear { at_utc: format!("{now:.3}"), acknowledged: Some(acknowledged) };
    place.write(files, &clear).map_err(NotAcknowledged::Disk)?;
    Ok(Acknowledged::Cleared { trip, message, leave })
}
