//! What a person asks of a daemon from the command line: submit, runs, show, cancel, hold, unhold, move, resume.
//!
//! Owns arguments, words and exit status. Everything is decided by the daemon.

use super::{Context, Exit, affected, check, say, summary, watch};
use crate::client::{Client, ClientError, part};
use crate::http::socket_of;
use crate::load;
use crate::record::ResultRecord;
use crate::serve::words::{QueueEntry, RunSummary, Stage, Submission};
use clap::Args;
use serde::Serialize;
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::PathBuf;

/// Where the daemon is.
#[derive(Debug, Args)]
pub(super) struct Where {
    /// The daemon's socket; without it the one of the settings.
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct SubmitArguments {
    /// The job; its plan and registers are handed in with it, its rig is the daemon's own.
    job: PathBuf,
    /// Seed, for a simulated rig.
    #[arg(long)]
    seed: Option<u64>,
    /// Faults that strike, for a simulated rig.
    #[arg(long)]
    faults: Option<PathBuf>,
    /// Watch it until it has ended; the exit status is then that of the run.
    #[arg(long)]
    watch: bool,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct RunsArguments {
    /// Only runs with a sensor of this serial.
    #[arg(long)]
    serial: Option<String>,
    /// Only runs in this state: running, draft, released, amended.
    #[arg(long)]
    state: Option<String>,
    /// Runs before this one.
    #[arg(long, value_name = "RUN")]
    after: Option<String>,
    /// At most so many.
    #[arg(long)]
    limit: Option<u32>,
    #[command(flatten)]
    used: affected::UsedArguments,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct RunArguments {
    /// The run's name.
    pub(super) run: String,
    #[command(flatten)]
    pub(super) at: Where,
}

#[derive(Debug, Args)]
pub(super) struct CancelArguments {
    /// The job's number, or the name of its run.
    job: String,
    /// Why; it is recorded.
    #[arg(long, default_value = "cancelled at the command line")]
    reason: String,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct HoldArguments {
    /// The job's number or the name of its run; without it the whole queue.
    job: Option<String>,
    /// Why; it is recorded.
    #[arg(long)]
    reason: String,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct UnholdArguments {
    /// The job's number or the name of its run; without it the whole queue.
    job: Option<String>,
    #[command(flatten)]
    at: Where,
}

#[derive(Debug, Args)]
pub(super) struct MoveArguments {
    /// The job's number.
    job: String,
    /// Its place among those that wait, from 1.
    place: u32,
    #[command(flatten)]
    at: Where,
}

/// A client of the daemon of the settings.
pub(super) fn client(context: &Context, at: &Where) -> Result<Client, Exit> {
    let usual = || socket_of(&context.settings.doors, &context.settings.state_dir());
    let socket = at.socket.clone().unwrap_or_else(usual);
    Client::new(&socket).map_err(|error| {
        say::error(&format!("error: {error}"));
        Exit::Environment
    })
}

/// Says why something was not done.
pub(super) fn refused(error: &ClientError) -> Exit {
    let text = error.to_string();
    // What `check` would print is shown as it is.
    say::error(&if text.starts_with("error") { text } else { format!("error: {text}") });
    match error {
        ClientError::Refused { status: 500.., .. } | ClientError::Nobody(..) | ClientError::Broken(_) => {
            Exit::Environment
        }
        ClientError::Refused { .. } => Exit::Input,
    }
}

fn done(result: Result<Exit, Exit>) -> Exit {
    result.unwrap_or_else(|exit| exit)
}

fn print<T: Serialize>(context: &Context, value: &T, text: impl FnOnce() -> String) {
    if context.json {
        say::out(&serde_json::to_string_pretty(value).unwrap_or_default());
    } else {
        say::out(&text());
    }
}

pub(super) fn submit(context: &Context, arguments: &SubmitArguments) -> Exit {
    done(submitted(context, arguments))
}

fn submitted(context: &Context, arguments: &SubmitArguments) -> Result<Exit, Exit> {
    let (job, files) = load::texts_of(&arguments.job).map_err(|e| check::refuse(&e))?;
    let faults = arguments.faults.as_deref().map(load::text).transpose().map_err(|e| check::refuse(&e))?;
    let name = arguments.job.file_stem().map_or("job".into(), |s| s.to_string_lossy()).into_owned();
    let submission = Submission { name, job, files, seed: arguments.seed, faults };
    let client = client(context, &arguments.at)?;
    let mut key = [0u8; 16];
    getrandom::fill(&mut key).map_err(|error| {
        say::error(&format!("error: no random numbers can be had: {error}"));
        Exit::Environment
    })?;
    let key: String = key.iter().map(|b| format!("{b:02x}")).collect();
    let entry: Option<QueueEntry> = client.post_once("/jobs", &submission, &key).map_err(|e| refused(&e))?;
    let Some(entry) = entry else { return Ok(Exit::Done) };
    if arguments.watch {
        say::error(&told(&entry));
        return Ok(watch::job(context, &client, entry.job));
    }
    print(context, &entry, || told(&entry));
    Ok(Exit::Done)
}

/// A job in a line.
fn told(entry: &QueueEntry) -> String {
    let stage = match entry.stage {
        Stage::Waiting => "waits",
        Stage::Held => "is held",
        Stage::NeedsPerson => "needs a person",
        Stage::Running => "runs",
        Stage::Ended => "has ended",
        Stage::Cancelled => "was cancelled",
    };
    let place = entry.place.map_or(String::new(), |p| format!(", place {p}"));
    let why = entry.waits_for.as_ref().map_or(String::new(), |w| format!(": {w}"));
    format!("Job {} ({}) {stage}{place}{why}", entry.job, entry.name)
}

pub(super) fn runs(context: &Context, arguments: &RunsArguments) -> Exit {
    done(listed(context, arguments))
}

fn listed(context: &Context, arguments: &RunsArguments) -> Result<Exit, Exit> {
    let client = client(context, &arguments.at)?;
    let limit = arguments.limit.map(|l| l.to_string());
    let mut asked = vec![("serial", &arguments.serial), ("state", &arguments.state)];
    asked.extend(arguments.used.asked());
    if let Some(what) = &arguments.used.used {
        let runs = affected::all(&client, &asked, arguments.after.as_deref(), arguments.limit);
        let runs = runs.map_err(|e| refused(&e))?;
        print(context, &json!({ "runs": runs }), || affected::table(what, &runs));
        return Ok(Exit::Done);
    }
    asked.extend([("after", &arguments.after), ("limit", &limit)]);
    let asked = query(&asked);
    // The queue first: a job that begins to run between the two shows twice rather than not at all.
    let queue: Vec<QueueEntry> = client.get("/jobs").map_err(|e| refused(&e))?;
    let runs: Vec<RunSummary> = client.get(&format!("/runs?{asked}")).map_err(|e| refused(&e))?;
    let waiting: Vec<QueueEntry> = queue
        .into_iter()
        .filter(|e| matches!(e.stage, Stage::Waiting | Stage::Held | Stage::NeedsPerson))
        .collect();
    print(context, &json!({ "runs": runs, "waiting": waiting }), || table(&runs, &waiting));
    Ok(Exit::Done)
}

/// What is asked for behind the question mark.
pub(super) fn query(asked: &[(&str, &Option<String>)]) -> String {
    let said = asked.iter().filter_map(|(k, v)| Some(format!("{k}={}", part(v.as_ref()?))));
    said.collect::<Vec<_>>().join("&")
}

fn table(runs: &[RunSummary], waiting: &[QueueEntry]) -> String {
    let mut out = String::new();
    for entry in waiting {
        let _ = writeln!(out, "{}", told(entry));
    }
    if runs.is_empty() {
        out.push_str("No runs yet.\n");
        return out;
    }
    let width = runs.iter().map(|r| r.run.chars().count()).max().unwrap_or(0).max(3);
    let _ = writeln!(out, "{:width$}  {:8}  {:11}  {:20}  sensors", "run", "state", "outcome", "started");
    for run in runs {
        let outcome = run.outcome.map_or("–", |o| o.word());
        let started = format!("{:.0}", run.started.timestamp());
        let sensors: Vec<String> = run
            .sensors
            .iter()
            .map(|s| match s.decision {
                Some(decision) => format!("{} {}", s.serial, decision.word().replace('_', " ")),
                None => s.serial.clone(),
            })
            .collect();
        let mark = if run.simulated { " SIMULATED" } else { "" };
        let _ = writeln!(
            out,
            "{:width$}  {:8}  {outcome:11}  {started:20}  {}{mark}",
            run.run,
            run.state,
            sensors.join(", ")
        );
    }
    out
}

pub(super) fn show(context: &Context, arguments: &RunArguments) -> Exit {
    done(shown(context, arguments))
}

fn shown(context: &Context, arguments: &RunArguments) -> Result<Exit, Exit> {
    let client = client(context, &arguments.at)?;
    let path = format!("/runs/{}", part(&arguments.run));
    let run: RunSummary = client.get(&path).map_err(|e| refused(&e))?;
    match client.get::<ResultRecord>(&format!("{path}/result")) {
        Ok(result) => {
            print(context, &result, || summary::table(&result));
            Ok(Exit::Done)
        }
        // It goes on, or was cut off: what is known is the line of the list.
        Err(ClientError::Refused { status: 409, .. }) => {
            print(context, &run, || table(std::slice::from_ref(&run), &[]));
            Ok(Exit::Done)
        }
        Err(error) => Err(refused(&error)),
    }
}

/// The number of a job that a person wrote as such, or as one of its runs.
fn job_of(client: &Client, wanted: &str) -> Result<i64, Exit> {
    if let Ok(job) = wanted.parse() {
        return Ok(job);
    }
    let queue: Vec<QueueEntry> = client.get("/jobs").map_err(|e| refused(&e))?;
    let found = queue.iter().find(|entry| entry.runs.iter().any(|run| run == wanted));
    found.map(|entry| entry.job).ok_or_else(|| {
        say::error(&format!("error: no job in the queue has a run '{wanted}'; see the list of runs"));
        Exit::Input
    })
}

/// Wants something of a job, and says what became of it.
fn of_job(context: &Context, at: &Where, job: &str, verb: &str, body: &Value) -> Result<Exit, Exit> {
    let client = client(context, at)?;
    let job = job_of(&client, job)?;
    let entry: Option<QueueEntry> =
        client.post(&format!("/jobs/{job}/{verb}"), body).map_err(|e| refused(&e))?;
    if let Some(entry) = entry {
        print(context, &entry, || told(&entry));
    }
    Ok(Exit::Done)
}

pub(super) fn cancel(context: &Context, arguments: &CancelArguments) -> Exit {
    let body = json!({ "reason": arguments.reason });
    done(of_job(context, &arguments.at, &arguments.job, "cancel", &body))
}

pub(super) fn hold(context: &Context, arguments: &HoldArguments) -> Exit {
    let body = json!({ "reason": arguments.reason });
    done(match &arguments.job {
        Some(job) => of_job(context, &arguments.at, job, "hold", &body),
        None => of_queue(context, &arguments.at, "hold", &body, "The queue is held."),
    })
}

pub(super) fn unhold(context: &Context, arguments: &UnholdArguments) -> Exit {
    let body = json!({});
    done(match &arguments.job {
        Some(job) => of_job(context, &arguments.at, job, "unhold", &body),
        None => of_queue(context, &arguments.at, "unhold", &body, "The queue goes on."),
    })
}

fn of_queue(context: &Context, at: &Where, verb: &str, body: &Value, text: &str) -> Result<Exit, Exit> {
    let client = client(context, at)?;
    let _: Option<Value> = client.post(&format!("/queue/{verb}"), body).map_err(|e| refused(&e))?;
    print(context, &json!({ "queue": verb }), || text.to_owned());
    Ok(Exit::Done)
}

pub(super) fn move_to(context: &Context, arguments: &MoveArguments) -> Exit {
    let body = json!({ "place": arguments.place });
    done(of_job(context, &arguments.at, &arguments.job, "move", &body))
}

pub(super) fn resume(context: &Context, arguments: &RunArguments) -> Exit {
    done(resumed(context, arguments))
}

fn resumed(context: &Context, arguments: &RunArguments) -> Result<Exit, Exit> {
    let client = client(context, &arguments.at)?;
    let path = format!("/runs/{}/resume", part(&arguments.run));
    let entry: Option<QueueEntry> = client.post(&path, &json!({})).map_err(|e| refused(&e))?;
    if let Some(entry) = entry {
        print(context, &entry, || told(&entry));
    }
    Ok(Exit::Done)
}
