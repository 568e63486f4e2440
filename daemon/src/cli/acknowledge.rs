//! `calwright acknowledge`: a named person clears a trip.

use super::{Context, Exit, say};
use crate::files::Disk;
use crate::record::UtcTime;
use crate::station::latch::{Acknowledgement, Latch, LatchFile};

pub(super) fn run(context: &Context, rig: &str, simulated: bool, name: &str, reason: &str) -> Exit {
    if name.trim().is_empty() || reason.trim().is_empty() {
        say::error("error: an acknowledgement needs a name and a reason; both are recorded");
        return Exit::Input;
    }
    let file = LatchFile::of(&context.settings.state_dir(), rig, simulated);
    let now = UtcTime::now().timestamp();
    if !file.exists() {
        let kind = if simulated { "simulated rig" } else { "rig" };
        say::error(&format!(
            "error: no {kind} '{rig}' was used with the state folder {}; see the name in the rig file",
            context.settings.state_dir().display()
        ));
        return Exit::Input;
    }
    let _lock = match file.lock(&Disk) {
        Ok(lock) => lock,
        Err(error) => {
            say::error(&format!("error: rig '{rig}' is in use or its lock can't be taken: {error}"));
            return Exit::Environment;
        }
    };
    let (trip, message) = match file.read(&Disk, now) {
        Latch::Tripped { reason, message, .. } => (reason, message),
        Latch::Clear { .. } | Latch::MayBeMoving { .. } => {
            say::out(&format!("Rig '{rig}' is not tripped; nothing to acknowledge."));
            return Exit::Done;
        }
    };
    let acknowledged = Acknowledgement {
        at_utc: format!("{now:.3}"),
        name: name.to_owned(),
        reason: reason.to_owned(),
        trip: trip.clone(),
    };
    let clear = Latch::Clear { at_utc: format!("{now:.3}"), acknowledged: Some(acknowledged) };
    match file.write(&Disk, &clear) {
        Ok(()) => {
            say::out(&format!("Rig '{rig}': trip {trip} ({message}) acknowledged by {name}: {reason}"));
            Exit::Done
        }
        Err(error) => {
            say::error(&format!("error: the latch {} can't be written: {error}", file.path().display()));
            Exit::Environment
        }
    }
}
