//! `calwright driver-host`: this program once more, as the process that one instrument runs in.

use super::Exit;
use crate::wiring;
use drivers::host::{End, log_to_standard_error, serve};

/// The word that starts a host.
pub(super) fn run() -> Exit {
    log_to_standard_error();
    match serve(wiring::built_in(), std::io::stdin(), std::io::stdout()) {
        Ok(End::Safe | End::NeverOpen) => Exit::Done,
        Ok(End::NotSafe(_)) => Exit::Instrument,
        Err(error) => {
            tracing::error!(%error, "the host can't live here");
            Exit::Environment
        }
    }
}
