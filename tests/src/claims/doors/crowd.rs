//! A crowd at the port: 200 event streams and 500 requests a second while a run goes on.
//!
//! The daemon, the crowd and, in the full form, the rig's instruments are processes of their own. In the full form the rig is the
//! simulated one behind sockets and lines, moved in real time by the true drivers; in the small one it is simulated within the
//! daemon, whose blocks come when it asks for them and can't be missed.

mod client;

pub use client::client;

use super::wrong;
use crate::bench::Bench;
use crate::daemon::{Daemon, idle};
use crate::figure::Figure;
use crate::program::own;
use crate::rig_sim::{JOB, RigSim};
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;

const VIEWERS: u64 = 200;
const A_SECOND: u64 = 500;

/// The p99 of reading a run and its page, viewers that missed a point, and runs that did not come through.
///
/// # Errors
/// If the daemon does not come up, or a request gets no answer.
pub fn crowd(full: bool) -> Result<Vec<Figure>> {
    if full { on_instruments() } else { in_the_daemon() }
}

fn in_the_daemon() -> Result<Vec<Figure>> {
    let bench = Bench::new()?;
    let token = token(&bench)?;
    let daemon = Daemon::start(&bench, "examples/rigs/common-practice.toml", &["--speed", "40"])?;
    let job = "examples/common-practice.toml";
    daemon.submit(job, &[])?;
    daemon.until("the end of the first run", idle)?;
    let figures = beside(&daemon, &token, (job, "common-practice"), 4)?;
    daemon.terminate()?;
    Ok(figures)
}

fn on_instruments() -> Result<Vec<Figure>> {
    let bench = Bench::new()?;
    let token = token(&bench)?;
    let rig = RigSim::start(1)?;
    fs::write(bench.path("rig.toml"), rig.addressed(None)?)?;
    let daemon = Daemon::start(&bench, "rig.toml", &[])?;
    let leave = ["arm", "rig.toml", "--name", "A. Person", "--all-confirmed"];
    daemon.run(&leave)?.expect_status(0)?;
    daemon.submit(JOB, &[])?;
    daemon.until("the end of the first run", idle)?;
    let figures = beside(&daemon, &token, (JOB, "portable-network"), 60)?;
    daemon.terminate()?;
    rig.end()?;
    Ok(figures)
}

fn token(bench: &Bench) -> Result<String> {
    let added = bench.run(&["token", "add", "A. Viewer", "--role", "viewer"])?.expect_status(0)?;
    Ok(added.stdout.trim().to_owned())
}

/// A run beside a crowd that reads the one before, first by the API and then by its page.
fn beside(daemon: &Daemon<'_>, token: &str, (job, name): (&str, &str), seconds: u64) -> Result<Vec<Figure>> {
    let first = format!("{name}-1");
    let mut figures = Vec::new();
    for (what, path) in
        [("GET of a run", format!("/api/v1/runs/{first}")), ("GET of a run's page", format!("/runs/{first}"))]
    {
        let begun = daemon.json(&["runs", "--limit", "500"])?["runs"].as_array().map_or(0, Vec::len);
        let said = crowded(daemon, token, &path, seconds, || daemon.submit(job, &[]).map(drop))?;
        let runs = daemon.until("the end of the run", idle)?;
        let all = runs["runs"].as_array().context("no runs")?;
        ensure!(all.len() > begun, "the crowd came to no run");
        let not_done: Vec<String> = all
            .iter()
            .filter(|r| r["outcome"] != "done")
            .map(|r| format!("{}: {} {}", r["run"], r["outcome"], r["trip"]))
            .collect();
        figures.extend(told(what, &said, seconds, &not_done)?);
    }
    Ok(figures)
}

/// Lets a crowd in, begins something, and hears what the crowd saw.
fn crowded(
    daemon: &Daemon<'_>,
    token: &str,
    path: &str,
    seconds: u64,
    begin: impl FnOnce() -> Result<()>,
) -> Result<Value> {
    let address = daemon.url().trim_start_matches("http://");
    let numbers = [seconds, VIEWERS, A_SECOND].map(|n| n.to_string());
    let mut crowd = own("crowd")?;
    crowd.args([address, token, path]).args(numbers).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut crowd = crowd.spawn().context("no crowd")?;
    let mut said = BufReader::new(crowd.stdout.take().context("a crowd that can't speak")?);
    let mut line = String::new();
    said.read_line(&mut line)?;
    ensure!(line.trim() == "ready", "the viewers did not come in: {line}");
    begin()?;
    crowd.stdin.take().context("a crowd that can't hear")?.write_all(b"begun\n")?;
    line.clear();
    said.read_line(&mut line)?;
    ensure!(crowd.wait()?.success(), "the crowd failed");
    serde_json::from_str(&line).with_context(|| format!("the crowd said {line}"))
}

fn told(what: &str, said: &Value, seconds: u64, not_done: &[String]) -> Result<Vec<Figure>> {
    let number =
        |name: &str| said[name].as_f64().with_context(|| format!("the crowd says no {name}: {said}"));
    let (asked, missed) = (number("asked")?, number("missed")?);
    let points = number("points")?;
    ensure!(points > 0.0, "no point came while the crowd looked on");
    #[expect(clippy::cast_precision_loss, reason = "some tens of thousands")]
    let wanted = (A_SECOND * seconds) as f64;
    ensure!(asked > wanted * 0.9, "only {asked} of {wanted} requests were asked");
    let sample = format!(
        "{asked} requests in {seconds} s beside {VIEWERS} event streams; half within {:.1} ms, the longest {:.1} ms",
        number("ms_p50")?,
        number("ms_max")?
    );
    let figure = |what: String, value, limit, unit| Figure {
        what,
        value,
        limit,
        unit,
        sample: sample.clone(),
        seeds: vec![1],
    };
    Ok(vec![
        figure(format!("99th percentile of {what}"), number("ms_p99")?, 50.0, "ms"),
        figure(format!("points that viewers did not hear of, of {points} for each, {what}"), missed, 0.0, ""),
        wrong("runs beside the crowd that tripped or were not done", what.to_owned(), not_done),
    ])
}
