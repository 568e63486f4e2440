//! `calwright stop`: makes a rig safe now, and takes the leave to move away.

use super::{Context, Exit, say};
use crate::files::Disk;
use crate::load;
use crate::record::UtcTime;
use crate::station::latch::LatchFile;
use crate::station::leave::WithdrawnBy;
use crate::station::leave_file::withdraw;
use crate::station::line::{NOT_SAFE, Stopped, stop};
use std::path::Path;
use std::time::Duration;

/// Longest wait for a run to end: it brakes and mutes within seconds, and then writes its records.
const PATIENCE: Duration = Duration::from_secs(60);

/// For whatever goes wrong here: the way that needs no program.
const BY_HAND: &str = "  = press the emergency stop, or cut the power of the amplifier by hand";

pub(super) fn run(context: &Context, rig: &str, simulated: bool) -> Exit {
    let Ok(name) = name_of(rig) else {
        say::error(&format!(
            "error: the file {rig} can't be read as a rig; write the rig's name instead\n{BY_HAND}"
        ));
        return Exit::Input;
    };
    let place = LatchFile::of(&context.settings.state_dir(), &name, simulated);
    if !place.exists() {
        let kind = if simulated { "simulated rig" } else { "rig" };
        let state = context.settings.state_dir();
        say::error(&format!(
            "error: no {kind} '{name}' was used with the state folder {}: nothing was stopped\n{BY_HAND}",
            state.display()
        ));
        return Exit::Input;
    }
    match stop(place.directory(), PATIENCE) {
        Ok(Stopped::Ended(how)) if how.starts_with(NOT_SAFE) => {
            say::error(&format!("error: {how}\n{BY_HAND}"));
            Exit::Tripped
        }
        Ok(Stopped::Ended(how)) => {
            say::out(&format!("Rig '{name}': {how}."));
            Exit::Done
        }
        Ok(Stopped::Nobody) => nobody(&place, &name, simulated),
        Ok(Stopped::Unanswered) => {
            say::error(&format!(
                "error: the run on rig '{name}' was told and did not say that it ended\n{BY_HAND}"
            ));
            Exit::Environment
        }
        Err(error) => {
            say::error(&format!("error: the run on rig '{name}' can't be told: {error}\n{BY_HAND}"));
            Exit::Environment
        }
    }
}

/// The name of a rig, written as such or as its file.
pub(super) fn name_of(rig: &str) -> Result<String, ()> {
    let path = Path::new(rig);
    if !path.is_file() {
        return Ok(rig.to_owned());
    }
    load::rig(path).map(|(document, _)| document.value.name).map_err(|_| ())
}

/// No run can be told. The leave to move is taken away all the same, so that none begins.
fn nobody(place: &LatchFile, name: &str, simulated: bool) -> Exit {
    let Ok(_lock) = place.lock(&Disk) else {
        say::error(&format!(
            "error: rig '{name}' is in use, but whoever uses it can't be told\n{BY_HAND}, then say stop again"
        ));
        return Exit::Environment;
    };
    if simulated {
        say::out(&format!("No run goes on on the simulated rig '{name}'."));
        return Exit::Done;
    }
    match withdraw(place, &Disk, UtcTime::now(), WithdrawnBy::Stop) {
        Ok(Some(leave)) => {
            say::out(&format!(
                "No run goes on on rig '{name}'; the leave to move of {} was withdrawn.",
                leave.name
            ));
            Exit::Done
        }
        Ok(None) => {
            say::out(&format!("No run goes on on rig '{name}', and there was no leave to move."));
            Exit::Done
        }
        Err(error) => {
            say::error(&format!(
                "error: no run goes on on rig '{name}', but its leave can't be withdrawn: {error}"
            ));
            Exit::Environment
        }
    }
}
