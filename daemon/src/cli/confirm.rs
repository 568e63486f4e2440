//! `calwright confirm`: a person says that what the run on a rig asked for is done.

use super::stop::name_of;
use super::{Context, Exit, say};
use crate::station::latch::LatchFile;
use crate::station::line::confirm;

/// Longest name that is taken.
const NAME_MAX: usize = 200;

pub(super) fn run(context: &Context, rig: &str, name: &str, simulated: bool) -> Exit {
    let name = name.trim();
    if name.is_empty() || name.len() > NAME_MAX || name.contains(char::is_control) {
        say::error(&format!(
            "error: a confirmation needs the name of a person\n  = help: write --name \"A. Person\", at most {NAME_MAX} bytes"
        ));
        return Exit::Input;
    }
    let Ok(rig) = name_of(rig) else {
        say::error(&format!(
            "error: the file {rig} can't be read as a rig\n  = help: write the rig's name instead"
        ));
        return Exit::Input;
    };
    let place = LatchFile::of(&context.settings.state_dir(), &rig, simulated);
    match confirm(place.directory(), name) {
        Ok(true) => {
            say::out(&format!(
                "The run on rig '{rig}' was told. If it had asked, its journal keeps this; if not, it does nothing."
            ));
            Exit::Done
        }
        Ok(false) => {
            say::error(&format!(
                "error: no run goes on on rig '{rig}'\n  = help: name the rig of the run that asks, with --simulated for a simulated one"
            ));
            Exit::Input
        }
        Err(error) => {
            say::error(&format!(
                "error: the run on rig '{rig}' can't be told: {error}\n  = help: say it again"
            ));
            Exit::Environment
        }
    }
}
