//! `calwright acknowledge`: a named person clears a trip.

use super::{Context, Exit, noted, say};
use crate::files::Disk;
use crate::record::UtcTime;
use crate::station::acknowledge::{Acknowledged, NotAcknowledged, Words, acknowledge};
use crate::station::latch::LatchFile;
use calibration::interlock::TripReason;

/// Who acknowledges what.
pub(super) struct Asked<'a> {
    pub(super) rig: &'a str,
    pub(super) simulated: bool,
    pub(super) name: &'a str,
    pub(super) reason: &'a str,
    pub(super) made_safe_by_hand: bool,
}

pub(super) fn run(context: &Context, asked: &Asked<'_>) -> Exit {
    let Asked { rig, simulated, name, reason, .. } = *asked;
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
    let words = Words { name, reason, made_safe_by_hand: asked.made_safe_by_hand };
    match acknowledge(&file, &Disk, simulated, now, &words) {
        Ok(Acknowledged::NotTripped) => {
            say::out(&format!("Rig '{rig}' is not tripped; nothing to acknowledge."));
            Exit::Done
        }
        Ok(Acknowledged::Cleared { trip, message, leave }) => {
            if let Some(error) = leave {
                say::error(&format!(
                    "warning: the leave to move can't be read, which is as good as none: {error}"
                ));
            }
            say::out(&format!("Rig '{rig}': trip {trip} ({message}) acknowledged by {name}: {reason}"));
            noted::note(context, Some(name), "acknowledge", &format!("{trip}: {reason}"));
            Exit::Done
        }
        Err(NotAcknowledged::Locked(error)) => {
            say::error(&format!("error: rig '{rig}' is in use or its lock can't be taken: {error}"));
            Exit::Environment
        }
        Err(NotAcknowledged::NotSafe(message)) => {
            say::error(&format!(
                "error: NOT SAFE: {message}\n  = an instrument of rig '{rig}' could not be made safe. Only when the power of the \
                 amplifier was cut by hand and the cause is found, add --made-safe-by-hand"
            ));
            Exit::Input
        }
        Err(NotAcknowledged::Disk(error)) => {
            say::error(&format!("error: the latch {} can't be written: {error}", file.path().display()));
            Exit::Environment
        }
    }
}

/// The command that leads out of a trip.
pub(super) fn invite(context: &Context, rig: &str, simulated: bool, trip: &str) {
    let state = context.settings.state_dir();
    let unsafe_yet = trip == TripReason::MakeSafeFailed.word();
    if unsafe_yet {
        say::error("  = NOT SAFE: cut the power of the amplifier by hand and keep clear of the armature");
    }
    let kind = if simulated { " --simulated" } else { "" };
    let by_hand = if unsafe_yet { " --made-safe-by-hand" } else { "" };
    say::error(&format!(
        "  = no run begins before a person has looked and acknowledged (state folder {}):\n    \
         calwright acknowledge \"{rig}\"{kind} --name \"…\" --reason \"…\"{by_hand}",
        state.display()
    ));
}
