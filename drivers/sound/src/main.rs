//! `calwright-sound`: the driver host of a sound interface, a plug-in of Calwright. It speaks drivers/PROTOCOL.md on its
//! standard streams.

use drivers::Registry;
use drivers::host::{End, log_to_standard_error, serve};
use std::process::ExitCode;
use std::sync::Arc;

fn main() -> ExitCode {
    log_to_standard_error();
    let mut registry = Registry::default();
    registry.add(Arc::new(sound::driver::Factory(sound::alsa::open)));
    match serve(registry, std::io::stdin(), std::io::stdout()) {
        Ok(End::Safe | End::NeverOpen) => ExitCode::SUCCESS,
        Ok(End::NotSafe(_)) => ExitCode::from(4),
        Err(error) => {
            tracing::error!(%error, "the host can't live here");
            ExitCode::from(5)
        }
    }
}
