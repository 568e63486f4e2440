//! `calwright reload` and `calwright drain`: what those ask of a daemon who keep it.

use super::daemon::{Where, client, refused};
use super::{Context, Exit, say};
use crate::serve::words::{Change, Draining, Reloaded, Reloading, RigState};
use clap::Args;
use serde::Serialize;

#[derive(Debug, Args)]
pub(super) struct ReloadArguments {
    /// Why it was changed; it is recorded. Without it only the difference is shown.
    #[arg(long)]
    reason: Option<String>,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct DrainArguments {
    /// Why; it is recorded.
    #[arg(long)]
    reason: String,
    /// End the daemon when nothing runs any more; without it it stays, and takes nothing.
    #[arg(long)]
    end: bool,
    #[command(flatten)]
    at: Where,
}

/// Asks the daemon, and says what it answers.
fn asked<Q: Serialize, A: Serialize + serde::de::DeserializeOwned>(
    context: &Context,
    at: &Where,
    (path, question): (&str, &Q),
    text: impl FnOnce(&A) -> String,
) -> Exit {
    let client = match client(context, at) {
        Ok(client) => client,
        Err(exit) => return exit,
    };
    match client.post::<A>(path, question) {
        Ok(Some(answer)) => {
            say::out(&if context.json {
                serde_json::to_string_pretty(&answer).unwrap_or_default()
            } else {
                text(&answer)
            });
            Exit::Done
        }
        Ok(None) => Exit::Done,
        Err(error) => refused(&error),
    }
}

pub(super) fn reload(context: &Context, arguments: &ReloadArguments) -> Exit {
    let reason = arguments.reason.clone().unwrap_or_default();
    let wanted = Reloading { reason, only_show: arguments.reason.is_none() };
    asked(context, &arguments.at, ("/reload", &wanted), |done: &Reloaded| {
        let changes: String = done.changes.iter().map(shown).collect();
        match (done.changes.is_empty(), done.in_force) {
            (true, _) => "What lies on the disk is in force.".to_owned(),
            (false, true) => format!("{changes}It is in force now."),
            (false, false) => format!("{changes}Nothing was changed; put it in force with --reason."),
        }
    })
}

fn shown(change: &Change) -> String {
    format!("{} {}:\n{}\n", change.kind, change.file, change.difference.join("\n"))
}

pub(super) fn drain(context: &Context, arguments: &DrainArguments) -> Exit {
    let wanted = Draining { reason: arguments.reason.clone(), end: arguments.end };
    asked(context, &arguments.at, ("/drain", &wanted), |rig: &RigState| match &rig.running {
        Some(run) => format!("Run {run} comes to its end; no other is begun."),
        None => "Nothing runs, and nothing is begun any more.".to_owned(),
    })
}
