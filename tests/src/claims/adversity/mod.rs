//! What the machine under the daemon may do: no room on the disk, a disk that can't be written or is away, a database that is
//! locked or gone, a wall clock that is set. For each the one thing that must follow, tried on the program itself.

mod clock;
mod database;
mod disk;

use crate::daemon::{Daemon, idle, run_of};
use crate::doors::Ask;
use crate::{Bench, Figure, RunDir};
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::path::PathBuf;
use std::time::{Duration, Instant};

const RIG: &str = "examples/rigs/common-practice.toml";
const JOB: &str = "examples/common-practice.toml";
const RUN: &str = "common-practice-1";
const RUNS: &str = "state/calwright/data/runs";

/// Times real time: a run of a minute takes seconds, and can be met in the middle.
const SPEED: &str = "20";

/// Longest wait for a state that has to come.
const PATIENCE: Duration = Duration::from_secs(120);

/// One thing that happens to the machine, and what must follow: an error says what did not.
type Case = (&'static str, fn() -> Result<()>);

const CASES: &[Case] = &[
    ("the folder of the waveforms is away and comes back", disk::away_and_back),
    ("the folder of the run is away until the daemon ends", disk::away_until_the_end),
    ("no room on the disk, then room again", disk::full_and_freed),
    ("no room on the disk until the daemon ends", disk::full_until_the_end),
    ("the disk is mounted read-only, then as before", disk::read_only_and_back),
    ("no room before a run begins", disk::full_before),
    ("another program has the database locked", database::locked),
    ("the database is moved away and back", database::moved_and_back),
    ("the database is deleted for good", database::deleted),
    ("the clock is set back an hour between two jobs", clock::between_jobs),
    ("the clock is set back an hour, and forward a day, while a real rig moves", clock::in_mid_run),
];

/// Cases in which something was lost, or the daemon did not do what it must.
///
/// # Errors
/// Where a case can't be tried at all.
pub fn figure(_full: bool) -> Result<Figure> {
    let (mut wrong, mut left_out, mut tried) = (Vec::new(), Vec::new(), 0);
    for (what, case) in CASES {
        match case() {
            Ok(()) => tried += 1,
            Err(error) if error.is::<LeftOut>() => left_out.push(format!("\n  left out: {what}: {error}")),
            Err(error) => wrong.push(format!("\n  {what}: {error:#}")),
        }
    }
    let sample = format!("{tried} of {} cases{}{}", CASES.len(), wrong.concat(), left_out.concat());
    Ok(Figure {
        what: "things that happen to the machine after which something is lost, or is not as it must be"
            .to_owned(),
        value: wrong.len() as f64,
        limit: 0.0,
        unit: "",
        sample,
        seeds: vec![1],
    })
}

/// Why a case can't be tried on this machine.
#[derive(Debug)]
struct LeftOut(&'static str);

impl std::fmt::Display for LeftOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.0)
    }
}

impl std::error::Error for LeftOut {}

/// A daemon whose one run has just recorded a point.
fn in_mid_run(bench: &Bench) -> Result<Daemon<'_>> {
    let daemon = Daemon::start(bench, RIG, &["--speed", SPEED])?;
    daemon.submit(JOB, &["--seed", "1"])?;
    until("the first point", || Ok(points(bench)? > 0))?;
    Ok(daemon)
}

/// Points in the journal of the run so far.
fn points(bench: &Bench) -> Result<usize> {
    let text =
        std::fs::read_to_string(bench.path(&format!("{RUNS}/{RUN}/journal.jsonl"))).unwrap_or_default();
    Ok(text.matches("\"kind\":\"point\"").count())
}

#[expect(clippy::disallowed_methods, reason = "how long a test waits at most; nothing is judged by it")]
fn until(what: &str, mut holds: impl FnMut() -> Result<bool>) -> Result<()> {
    let begun = Instant::now();
    while !holds()? {
        ensure!(begun.elapsed() < PATIENCE, "{what} never came");
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

/// What the daemon answers over its socket.
fn get(bench: &Bench, path: &str) -> Result<Value> {
    let socket: PathBuf = bench.path("state/calwright/calwright.sock");
    let answer = Ask::socket(&socket, "GET", path).header("Connection", "close").answer()?;
    serde_json::from_slice(&answer.body).with_context(|| format!("{path} answers no JSON"))
}

/// What the daemon says of its rig.
fn rig(bench: &Bench) -> Result<Value> {
    get(bench, "/api/v1/rig")
}

/// Waits until a remark of the rig holds these words.
fn says(bench: &Bench, words: &str) -> Result<()> {
    until(words, || Ok(rig(bench)?["warnings"].to_string().contains(words)))
}

/// The run has ended with everything, and its records are whole.
fn ended_whole(bench: &Bench, daemon: &Daemon<'_>, run: &str) -> Result<()> {
    let runs = daemon.until("the end", idle)?;
    ensure!(run_of(&runs, run)["outcome"] == "done", "the run ended as {}", run_of(&runs, run));
    ensure!(!rig(bench)?["warnings"].to_string().contains("pauses"), "the pause is still remarked");
    whole(bench, run)
}

/// Records of a run that is over: the chain holds, each point is there once, and each sensor passes.
fn whole(bench: &Bench, run: &str) -> Result<()> {
    let path = format!("{RUNS}/{run}");
    bench.run(&["recompute", &path])?.expect_status(0).context("its records")?;
    let directory: RunDir = bench.run_dir(&path);
    let result = directory.json("result.json")?;
    let sensors = result["sensors"].as_array().context("no sensors")?;
    ensure!(!sensors.is_empty() && sensors.iter().all(|s| s["decision"] == "pass"), "a sensor does not pass");
    let entries = directory.entries("point")?;
    // The point that was measured first is looked at again after a resume, and at the end.
    let once = entries.iter().filter(|p| p["closing"] == false);
    let of: Vec<_> = once.map(|p| (&p["point"], &p["repeat"])).collect();
    let doubled = of.iter().enumerate().any(|(n, one)| of.iter().take(n).any(|other| other == one));
    ensure!(!doubled, "a dwell is there twice: {of:?}");
    Ok(())
}

/// After the daemon was ended in the middle: the next start finds the run cut short with what was complete, and goes on with it.
fn goes_on_after_a_restart(bench: &Bench, complete: usize) -> Result<()> {
    let daemon = Daemon::start(bench, RIG, &[])?;
    let runs = daemon.json(&["runs"])?;
    let outcome = run_of(&runs, RUN)["outcome"].as_str().unwrap_or_default().to_owned();
    ensure!(["interrupted", "cancelled", "failed"].contains(&outcome.as_str()), "the run is '{outcome}'");
    ensure!(points(bench)? >= complete, "a point is missing");
    daemon.run(&["resume", RUN])?.expect_status(0)?;
    // Held only where the run has no end of its own.
    daemon.run(&["unhold"])?.expect_status(0)?;
    let words =
        ["acknowledge", "common-practice", "--simulated", "--name", "A. Person", "--reason", "looked"];
    until("the run that goes on", || {
        let runs = daemon.json(&["runs"])?;
        if runs["waiting"][0]["stage"] == "needs_person" {
            daemon.run(&words)?.expect_status(0)?;
        }
        Ok(idle(&runs))
    })?;
    ended_whole(bench, &daemon, &format!("{RUN}.2"))?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}
