//! `calwright serve`: the daemon of one rig, until it is told to end.
//!
//! Owns signals, the service manager's words, and the order of coming up and winding down. Must not decide about jobs.

use super::{Context, Exit, check, say};
use crate::files::Disk;
use crate::http;
use crate::log::{self, LogError};
use crate::record::UtcTime;
use crate::serve::house::{House, NotStarted, Opened};
use crate::serve::keeper::keep;
use crate::serve::outbox::Outbox;
use crate::settings::{self, Settings};
use clap::Args;
use sd_notify::NotifyState;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The rig's file, or a settings file that names it under [serve].
    rig: Option<PathBuf>,
    /// Folder of the database and the runs.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Run every job on the simulated rig, whatever drivers the rig file names: to look around.
    #[arg(long)]
    simulate: bool,
    /// A simulated rig goes at most this many times real time.
    #[arg(long, value_parser = super::speed)]
    speed: Option<f64>,
    /// Seed of a simulated rig, for jobs that name none.
    #[arg(long)]
    seed: Option<u64>,
    /// The wall time at which runs on a simulated rig begin.
    #[arg(long)]
    at: Option<UtcTime>,
    /// The socket by which programs of this machine reach it.
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// Address and port of page and API.
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<SocketAddr>,
}

pub(super) fn run(context: &Context, arguments: &Arguments) -> Exit {
    let settings = match settings_of(&context.settings, arguments) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    // Dropped last: what was logged on the way out is written too.
    let _log = match log::to_files(&settings.log, &settings.log_files) {
        Ok(log) => log,
        Err(error) => {
            say::error(&format!("error: {error}"));
            return if matches!(error, LogError::Levels(_)) { Exit::Input } else { Exit::Environment };
        }
    };
    let runtime = match tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            say::error(&format!("error: no threads can be had: {error}"));
            return Exit::Environment;
        }
    };
    runtime.block_on(serve(settings))
}

/// The settings with what the command line says over them.
fn settings_of(settings: &Settings, arguments: &Arguments) -> Result<Settings, Exit> {
    let mut settings = settings.clone();
    if let Some(path) = &arguments.rig {
        if is_settings(path) {
            let state = settings.state_dir.clone();
            settings = settings::read(Some(path), state.as_deref()).map_err(|e| check::refuse(&e))?;
            settings::files_are_there(Some(path)).map_err(|e| check::refuse(&e))?;
        } else {
            settings.serve.rig = Some(path.clone());
        }
    }
    let serve = &mut settings.serve;
    serve.simulate |= arguments.simulate;
    serve.data_dir = arguments.data.clone().or(serve.data_dir.take());
    serve.speed = arguments.speed.or(serve.speed);
    serve.seed = arguments.seed.or(serve.seed);
    serve.day = arguments.at.or(serve.day);
    settings.doors.socket = arguments.socket.clone().or(settings.doors.socket.take());
    settings.doors.listen = arguments.listen.unwrap_or(settings.doors.listen);
    Ok(settings)
}

/// A settings file has a table `[serve]`; a rig's file has none.
fn is_settings(path: &Path) -> bool {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.parse::<toml::Table>().is_ok_and(|table| table.contains_key("serve"))
}

async fn serve(settings: Settings) -> Exit {
    let (state, doors, outbox) = (settings.state_dir(), settings.doors.clone(), settings.outbox.clone());
    let outbox = match Outbox::open(&outbox, &state, Arc::new(Disk)) {
        Ok(outbox) => outbox,
        Err(error) => {
            say::error(&format!("error: {error}"));
            return Exit::Input;
        }
    };
    // Asked for before anything is opened: whoever says stop meanwhile is heard.
    let (mut terminate, mut interrupt) = match signals() {
        Ok(both) => both,
        Err(error) => {
            say::error(&format!("error: signals can't be heard: {error}"));
            return Exit::Environment;
        }
    };
    let opened = match House::open(settings, doors.arm_over_port).await {
        Ok(opened) => opened,
        Err(error) => return not_started(&error),
    };
    let house = opened.house.clone();
    let doors = match http::open(house.clone(), &doors, &state).await {
        Ok(doors) => doors,
        Err(error) => {
            say::error(&format!("error: {error}"));
            house.close_store().await;
            return Exit::Environment;
        }
    };
    let (rig, simulated) = house.rig_name();
    let kind = if simulated { "SIMULATED rig" } else { "rig" };
    say::out(&format!("Serving {kind} '{rig}'; runs in {}.", house.runs().display()));
    say::out(&format!("Socket: {}", doors.socket().display()));
    if let Some(url) = doors.url() {
        say::out(&format!("Page: {url}"));
    }
    let keeper = tokio::spawn(keep(house.clone()));
    tell_manager(&[NotifyState::Ready]);
    let fed = tokio::spawn(feed_watchdog());
    let told = outbox.map(|outbox| tokio::spawn(outbox.run(house.clone())));
    tokio::select! {
        () = wait(&mut terminate, &mut interrupt) => {}
        () = house.when_drained() => say::error("Drained: nothing runs, and nothing is begun any more."),
    }
    tell_manager(&[NotifyState::Stopping]);
    say::error("Winding down; once more makes the rig safe at once.");
    let exit = wind_down(&opened, keeper, &mut terminate, &mut interrupt).await;
    doors.close().await;
    fed.abort();
    if let Some(told) = told {
        told.abort();
    }
    house.close_store().await;
    exit
}

/// Lets the run that goes on wind down; a second signal makes it safe at once.
async fn wind_down(
    opened: &Opened,
    mut keeper: tokio::task::JoinHandle<()>,
    terminate: &mut Signal,
    interrupt: &mut Signal,
) -> Exit {
    opened.house.close();
    loop {
        tokio::select! {
            ended = &mut keeper => {
                return match ended {
                    Ok(()) => Exit::Done,
                    Err(error) => {
                        say::error(&format!("error: the keeper of the queue failed: {error}"));
                        Exit::Environment
                    }
                };
            }
            () = wait(terminate, interrupt) => opened.house.hurry(),
        }
    }
}

fn signals() -> std::io::Result<(Signal, Signal)> {
    Ok((signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?))
}

async fn wait(terminate: &mut Signal, interrupt: &mut Signal) {
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
}

fn not_started(error: &NotStarted) -> Exit {
    match error {
        NotStarted::Input(error) => return check::refuse(error),
        other => say::error(&format!("error: {other}")),
    }
    match error {
        NotStarted::NoRig | NotStarted::Input(_) => Exit::Input,
        NotStarted::Locked(_) | NotStarted::Disk(..) | NotStarted::Store(_) | NotStarted::Index(_) => {
            Exit::Environment
        }
    }
}

/// Nothing happens where no service manager listens.
fn tell_manager(what: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(false, what) {
        tracing::warn!(%error, "the service manager can't be told");
    }
}

/// Feeds the service manager's watchdog from the threads that people are served by.
async fn feed_watchdog() {
    let mut limit_us = 0;
    if !sd_notify::watchdog_enabled(false, &mut limit_us) {
        return;
    }
    loop {
        tell_manager(&[NotifyState::Watchdog]);
        tokio::time::sleep(Duration::from_micros(limit_us / 3)).await;
    }
}
