//! The order in which a rig is powered on and off.
//!
//! On: source to 0 V, amplifier muted, both read back and the amplifier asked for its state; then unmuted at zero drive,
//! read back again, and waited for (the run's quiet part). Off is the reverse: zero drive, the armature brakes, the
//! amplifier mutes, with proof at each step ([`calibration::sequence::stopping`]).
//! Owns the first half of the way on, and what an amplifier has to say of itself. Must not: give leave.

use super::devices::{Bench, bounded};
use super::supervise::StationError;
use calibration::interlock::TripReason;
use drivers::{AmplifierStatus, DriverError, ErrorKind, StopReason};
use plan_schema::rig::{Rig, instrument_of};

/// Brings freshly opened instruments to where leave may be given: 0 V at the source, the amplifier muted and well.
///
/// # Errors
/// A failure to make safe, which latches; or an amplifier that does not read back as muted and free of faults.
pub(super) async fn on(bench: &mut Bench, rig: &Rig) -> Result<(), StationError> {
    // The first thing that reaches the instruments: nobody knows what was before.
    bench.safes.make_all_safe(StopReason::Start).await.map_err(|error| {
        let message = format!(
            "{error}. Cut the power of the amplifier by hand, keep clear of the armature, then acknowledge."
        );
        StationError::program(TripReason::MakeSafeFailed, message)
    })?;
    let name = instrument_of(&rig.roles.amplifier);
    let status = bounded(rig.timing.reply_limit, name, "status", bench.amplifier.status())
        .await
        .map_err(StationError::Instrument)?;
    let wrong = match status {
        AmplifierStatus { muted: false, .. } => "it took the command to mute and reads back as live",
        AmplifierStatus { fault: true, .. } => "it reports a fault; see its own display",
        AmplifierStatus { .. } => return Ok(()),
    };
    Err(StationError::Instrument(DriverError::new(ErrorKind::BadData, name, "status", wrong)))
}

/// What an amplifier reads back after it was unmuted has to be live and free of faults.
///
/// # Errors
/// `bad_data` where it is not.
pub(super) fn lets_through(role: &str, status: AmplifierStatus) -> Result<(), DriverError> {
    let wrong = match status {
        AmplifierStatus { fault: true, .. } => "it reports a fault; see its own display",
        AmplifierStatus { muted: true, .. } => "it took the command to unmute and reads back as muted",
        AmplifierStatus { .. } => return Ok(()),
    };
    Err(DriverError::new(ErrorKind::BadData, instrument_of(role), "unmute", wrong))
}
