//! `calwright driver-host`: this program once more, as the process that one instrument runs in.

use super::Exit;
use crate::wiring;
use drivers::host::{End, log_lines, serve};
use tracing::level_filters::LevelFilter;

/// The word that starts a host.
pub(super) fn run() -> Exit {
    let lines = log_lines();
    tracing_subscriber::fmt()
        .with_max_level(LevelFilter::INFO)
        .with_ansi(false)
        .with_target(false)
        .without_time()
        .with_writer(move || lines.clone())
        .init();
    match serve(wiring::built_in(), std::io::stdin(), std::io::stdout()) {
        Ok(End::Safe | End::NeverOpen) => Exit::Done,
        Ok(End::NotSafe(_)) => Exit::Instrument,
        Err(error) => {
            tracing::error!(%error, "the host can't live here");
            Exit::Environment
        }
    }
}
