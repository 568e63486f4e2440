//! `calwright watch`: a run, live in the terminal, until it has ended. The exit status is that of the run.

use super::daemon::{RunArguments, client, refused};
use super::{Context, Exit, dry_run, say, summary};
use crate::client::{Client, ClientError, Stream, part};
use crate::record::ResultRecord;
use crate::record::words::Outcome;
use crate::serve::words::{Happening, Moment, PointNews, QueueEntry, RunSummary, Stage};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use plan_schema::units::engineering;
use std::io::IsTerminal;

pub(super) fn run(context: &Context, arguments: &RunArguments) -> Exit {
    let client = match client(context, &arguments.at) {
        Ok(client) => client,
        Err(exit) => return exit,
    };
    let watched = client.news().and_then(|mut news| {
        // Asked for after the stream is there: what happens in between comes by it.
        let run: RunSummary = client.get(&format!("/runs/{}", part(&arguments.run)))?;
        if run.state == "running" { until_end(&mut news, &arguments.run) } else { Ok(run) }
    });
    match watched {
        Ok(run) => over(context, &client, &run),
        Err(error) => refused(&error),
    }
}

/// Watches whatever runs a job has, until it is over.
pub(super) fn job(context: &Context, client: &Client, job: i64) -> Exit {
    match watched_job(client, job) {
        Ok(Some(run)) => over(context, client, &run),
        Ok(None) => {
            say::error("The job was cancelled before it ran.");
            Exit::Cancelled
        }
        Err(error) => refused(&error),
    }
}

fn watched_job(client: &Client, job: i64) -> Result<Option<RunSummary>, ClientError> {
    let mut news = client.news()?;
    let mut said = String::new();
    loop {
        let entry: QueueEntry = client.get(&format!("/jobs/{job}"))?;
        let last = entry.runs.last();
        match (entry.stage, last) {
            (Stage::Running, Some(run)) => return until_end(&mut news, run).map(Some),
            (Stage::Ended | Stage::Cancelled, Some(run)) => {
                return client.get(&format!("/runs/{}", part(run))).map(Some);
            }
            (Stage::Ended | Stage::Cancelled, None) => return Ok(None),
            (Stage::Waiting | Stage::Held | Stage::NeedsPerson | Stage::Running, _) => {
                if let Some(why) = entry.waits_for.filter(|why| *why != said) {
                    say::error(&format!("Waits: {why}"));
                    said = why;
                }
            }
        }
        // Until something about the queue changes.
        while !matches!(
            news.heard()?.ok_or_else(gone)?.what,
            Happening::Queue | Happening::Began(_) | Happening::Ended(_)
        ) {}
    }
}

fn gone() -> ClientError {
    ClientError::Broken("the daemon ended; the run goes on only if it does".to_owned())
}

/// Shows what happens until the run has ended.
fn until_end(news: &mut Stream<'_>, run: &str) -> Result<RunSummary, ClientError> {
    let screen = Screen::new();
    loop {
        match news.heard()?.ok_or_else(gone)?.what {
            Happening::Moment(moment) if moment.run == run => screen.moment(&moment),
            Happening::Point(point) if point.run == run => screen.point(&point),
            Happening::Ended(summary) if summary.run == run => {
                screen.bar.finish_and_clear();
                return Ok(summary);
            }
            _ => {}
        }
    }
}

struct Screen {
    bar: ProgressBar,
    terminal: bool,
}

impl Screen {
    fn new() -> Self {
        let terminal = std::io::stderr().is_terminal();
        let target = if terminal { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(None, target);
        if let Ok(style) = ProgressStyle::with_template("{bar:24} {pos}/{len}  {wide_msg}") {
            bar.set_style(style);
        }
        Self { bar, terminal }
    }

    fn moment(&self, moment: &Moment) {
        self.bar.set_length(u64::from(moment.points));
        self.bar.set_message(line(moment));
    }

    fn point(&self, point: &PointNews) {
        self.bar.set_position(u64::from(point.done));
        let sensors: Vec<String> = point
            .sensors
            .iter()
            .map(|s| {
                let deviation = s.deviation_percent.map_or("–".to_owned(), |d| format!("{d:+.2} %"));
                if s.accepted {
                    format!("{} {deviation}", s.serial)
                } else {
                    format!("{} {deviation} ({})", s.serial, s.findings.join(", ").replace('_', " "))
                }
            })
            .collect();
        let text = format!("{:>9}  {}", engineering(point.frequency_hz, "Hz"), sensors.join("; "));
        if self.terminal { self.bar.println(text) } else { say::error(&text) }
    }
}

/// A moment in a line: what it is at, and what moves against what may.
fn line(moment: &Moment) -> String {
    let mut parts = Vec::new();
    if let Some(frequency) = moment.frequency_hz {
        parts.push(engineering(frequency, "Hz"));
    }
    parts.push(moment.phase.replace('_', " "));
    parts.extend(moment.waits_for.clone());
    if let (Some(is), Some(target)) = (moment.acceleration_mps2_peak, moment.target_mps2_peak) {
        parts.push(format!("{} of {} pk", engineering(is, "m/s²"), engineering(target, "m/s²")));
    }
    if let (Some(is), Some(most)) = (moment.displacement_m_peak, moment.displacement_ceiling_m_peak) {
        parts.push(format!("stroke {:.0} %", is / most * 100.0));
    }
    if let (Some(is), Some(most)) = (moment.drive_v_peak, moment.drive_ceiling_v_peak.filter(|v| *v > 0.0)) {
        parts.push(format!("drive {:.0} %", is / most * 100.0));
    }
    parts.push(format!("{:.0} s left", moment.remaining_s));
    parts.join("  ")
}

/// The end of a run: its result, and its exit status.
fn over(context: &Context, client: &Client, run: &RunSummary) -> Exit {
    match client.get::<ResultRecord>(&format!("/runs/{}/result", part(&run.run))) {
        Ok(result) => {
            if context.json {
                say::out(&serde_json::to_string_pretty(&result).unwrap_or_default());
            } else {
                say::out(&summary::table(&result));
            }
            dry_run::exit_of(&result)
        }
        Err(ClientError::Refused { status: 409, .. }) => {
            let outcome = run.outcome.map_or("unknown", |o| o.word());
            say::error(&format!("error: run {} has no result; it ended as {outcome}", run.run));
            if run.outcome == Some(Outcome::Interrupted) { Exit::Cancelled } else { Exit::Environment }
        }
        Err(error) => refused(&error),
    }
}
