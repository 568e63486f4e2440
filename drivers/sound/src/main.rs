//! `calwright-sound`: the driver host of a sound interface, a plug-in of Calwright. It speaks drivers/PROTOCOL.md on its
//! standard streams.

use drivers::Registry;
use drivers::host::{End, log_lines, serve};
use std::process::ExitCode;
use std::sync::Arc;
use tracing::level_filters::LevelFilter;

fn main() -> ExitCode {
    let lines = log_lines();
    tracing_subscriber::fmt()
        .with_max_level(LevelFilter::INFO)
        .with_ansi(false)
        .with_target(false)
        .without_time()
        .with_writer(move || lines.clone())
        .init();
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
