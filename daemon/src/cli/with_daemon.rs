//! Commands that speak to the daemon, or to what it keeps.

use super::{Context, Exit, daemon, keeping, serve, token, upkeep, watch};
use clap::Subcommand;
use std::path::PathBuf;

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Hand a job in to the daemon.
    Submit(daemon::SubmitArguments),
    /// List what waits and what ran, newest first.
    Runs(daemon::RunsArguments),
    /// Show the results of a run.
    Show(daemon::RunArguments),
    /// Watch a run live until it has ended; the exit status is that of the run.
    Watch(daemon::RunArguments),
    /// Take a job out of the queue; one that runs winds down.
    Cancel(daemon::CancelArguments),
    /// Hold a job back, or the whole queue.
    Hold(daemon::HoldArguments),
    /// Let a job that was held, or the whole queue, go on.
    Unhold(daemon::UnholdArguments),
    /// Put a job that waits at another place.
    Move(daemon::MoveArguments),
    /// Go on with a run that was cut off, at its first missing point.
    Resume(daemon::RunArguments),
    /// Put the rig's file and the certificate template in force as they lie on the disk, while nothing runs. Checked first;
    /// what differs is shown, and recorded with your name and the reason.
    Reload(upkeep::ReloadArguments),
    /// Let the run that goes on come to its end, and begin no other before the next start: before an upgrade.
    Drain(upkeep::DrainArguments),
    /// Make the daemon's index of runs again from the run directories.
    Reindex,
    /// Write a run with everything that belongs to it into one file.
    Export {
        /// The run's name, or its folder.
        run: String,
        /// The file; without it RUN.tar.zst in this folder.
        #[arg(long)]
        out: Option<PathBuf>,
    },
    /// Take a run out of such a file into the daemon's runs.
    Import {
        /// The file.
        file: PathBuf,
    },
    /// Copy everything that is kept into an empty folder, while the daemon goes on.
    Backup {
        /// The folder.
        to: PathBuf,
    },
    /// Put a backup in place on a machine that has nothing yet.
    Restore {
        /// The backup's folder.
        from: PathBuf,
    },
    /// Serve one rig: a queue of jobs, their records, an API and a page, until told to end.
    Serve(serve::Arguments),
    /// Tokens: the words by which people and programs say to the daemon who they are.
    Token(token::Arguments),
}

pub(super) fn run(context: &Context, command: Command) -> Exit {
    match command {
        Command::Submit(arguments) => daemon::submit(context, &arguments),
        Command::Runs(arguments) => daemon::runs(context, &arguments),
        Command::Show(arguments) => daemon::show(context, &arguments),
        Command::Watch(arguments) => watch::run(context, &arguments),
        Command::Cancel(arguments) => daemon::cancel(context, &arguments),
        Command::Hold(arguments) => daemon::hold(context, &arguments),
        Command::Unhold(arguments) => daemon::unhold(context, &arguments),
        Command::Move(arguments) => daemon::move_to(context, &arguments),
        Command::Resume(arguments) => daemon::resume(context, &arguments),
        Command::Reload(arguments) => upkeep::reload(context, &arguments),
        Command::Drain(arguments) => upkeep::drain(context, &arguments),
        Command::Reindex => keeping::index_again(context),
        Command::Export { run, out } => keeping::export(context, &run, out.as_deref()),
        Command::Import { file } => keeping::import(context, &file),
        Command::Backup { to } => keeping::back_up(context, &to),
        Command::Restore { from } => keeping::restored(context, &from),
        Command::Serve(arguments) => serve::run(context, &arguments),
        Command::Token(arguments) => token::run(context, &arguments),
    }
}
