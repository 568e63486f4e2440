//! The daemon killed at random moments: what was complete is neither lost nor doubled, nothing moves before a person has
//! acknowledged, and the run that goes on agrees with one that was never cut off.

use crate::Figure;
use crate::RunDir;
use crate::bench::Bench;
use crate::daemon::{Daemon, idle, run_of};
use anyhow::{Context, Result, anyhow, ensure};
use calibration::sequence::{PointEnd, Setup};
use calwright::files::Disk;
use calwright::recompute::replay;
use calwright::record::RunRecord;
use calwright::record::journal::Journal;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

const RIG: &str = "examples/rigs/common-practice.toml";
const JOB: &str = "examples/common-practice.toml";
const RUNS: &str = "state/calwright/data/runs";

/// Times real time, so that a moment can be met: a run of a minute takes seconds.
const SPEED: &str = "20";

/// How far a sensitivity may lie from that of the run that was never cut off, beyond three times type A.
const WITHIN_PERCENT: f64 = 0.02;

/// Moments at which a kill did harm, and the largest departure of a resumed run.
///
/// # Errors
/// Where the daemon does not do what it is told.
pub fn killed(moments: usize) -> Result<Vec<Figure>> {
    let whole = Bench::new()?;
    whole.run(&["dry-run", JOB, "--out", "whole", "--no-certificates"])?;
    let whole = whole.run_dir("whole");
    let (mut harm, mut farthest, mut resumed) = (Vec::new(), 0f64, 0usize);
    for moment in 0..moments {
        let bench = Bench::new()?;
        match one(&bench, pause(moment, moments)) {
            Ok(Some(run)) => {
                resumed += 1;
                farthest = farthest.max(departure(&whole, &run)?);
            }
            Ok(None) => {}
            Err(error) => harm.push(format!("moment {moment}: {error:#}")),
        }
    }
    let shown: String = harm.iter().take(5).map(|h| format!("\n  {h}")).collect();
    let sample = format!("{moments} moments spread over a run, {resumed} of them in mid-run{shown}");
    Ok(vec![
        Figure {
            what:
                "kills after which something was lost, doubled, moved by itself or could not be gone on with"
                    .to_owned(),
            value: harm.len() as f64,
            limit: 0.0,
            unit: "",
            sample: sample.clone(),
            seeds: vec![1],
        },
        Figure {
            what: "departure of a resumed run from a whole one, beyond three times type A".to_owned(),
            value: farthest,
            limit: WITHIN_PERCENT,
            unit: "%",
            sample,
            seeds: vec![1],
        },
    ])
}

/// Moments from the intent to the end, and a little beyond. They do not fall on the same place twice.
fn pause(moment: usize, moments: usize) -> Duration {
    let share = (moment as f64 + 0.5) / moments as f64;
    Duration::from_secs_f64(share * 4.0)
}

/// Kills once; the run that went on, or `None` where the first was over by then or had not begun.
fn one(bench: &Bench, pause: Duration) -> Result<Option<RunDir>> {
    let daemon = Daemon::start(bench, RIG, &["--speed", SPEED])?;
    daemon.submit(JOB, &["--seed", "1"])?;
    std::thread::sleep(pause);
    daemon.kill()?;
    let name = "common-practice-1";
    let cut = bench.run_dir(&format!("{RUNS}/{name}"));
    let complete = complete(&cut)?;
    let daemon = Daemon::start(bench, RIG, &[])?;
    let runs = daemon.json(&["runs"])?;
    let outcome = &run_of(&runs, name)["outcome"];
    if outcome == "done" {
        return Ok(None);
    }
    if outcome == &Value::Null {
        // Cut off before anything was recorded: the job waits, or has begun anew, and ends by itself.
        acknowledge(&daemon)?;
        daemon.until("a run that had not begun", idle)?;
        return Ok(None);
    }
    ensure!(outcome == "interrupted", "it is {outcome}");
    ensure!(idle(&runs), "something goes on by itself");
    bench.run(&["recompute", &format!("{RUNS}/{name}")])?.expect_status(0).context("the chain")?;
    daemon.run(&["resume", name])?.expect_status(0)?;
    daemon.run(&["unhold"])?.expect_status(0)?;
    if bench_latch(bench, "common-practice")? != "clear" {
        daemon.until("a person", |runs| runs["waiting"][0]["stage"] == "needs_person")?;
        ensure!(!bench.path(&format!("{RUNS}/{name}.2")).exists(), "it went on before anybody acknowledged");
        acknowledge(&daemon)?;
    }
    let runs = daemon.until("the run that goes on", idle)?;
    ensure!(run_of(&runs, "common-practice-1.2")["outcome"] == "done", "it did not end well: {runs:#}");
    let second = bench.run_dir(&format!("{RUNS}/common-practice-1.2"));
    bench.run(&["recompute", &format!("{RUNS}/common-practice-1.2")])?.expect_status(0)?;
    let entries = second.entries("point")?;
    for hash in &complete {
        let same = entries.iter().filter(|p| p["closing"] == false && p["raw_sha256"] == *hash).count();
        ensure!(same == 1, "a complete dwell is there {same} times");
    }
    Ok(Some(second))
}

fn acknowledge(daemon: &Daemon<'_>) -> Result<()> {
    let words =
        ["acknowledge", "common-practice", "--simulated", "--name", "A. Person", "--reason", "looked at it"];
    daemon.run(&words)?.expect_status(0)?;
    Ok(())
}

/// What the latch of a simulated rig says.
fn bench_latch(bench: &Bench, rig: &str) -> Result<String> {
    let path = bench.path(&format!("state/calwright/simulated/{rig}/latch.json"));
    let latch: Value = serde_json::from_slice(&std::fs::read(path)?)?;
    Ok(latch["state"].as_str().unwrap_or_default().to_owned())
}

/// Raw files of dwells that were complete when the program died: those from which the run had gone on.
fn complete(run: &RunDir) -> Result<BTreeSet<String>> {
    if !run.path().join("journal.jsonl").exists() {
        return Ok(BTreeSet::new());
    }
    // A torn last line is what a kill may leave.
    let bytes = run.bytes("journal.jsonl")?;
    let lines = bytes.split_inclusive(|b| *b == b'\n').filter(|line| line.ends_with(b"\n"));
    let entries: Vec<Value> = lines.map(serde_json::from_slice).collect::<Result<_, _>>()?;
    let points: Vec<&Value> = entries.iter().filter(|e| e["kind"] == "point").map(|e| &e["body"]).collect();
    let last = points.last().map(|p| p["point"].clone());
    let gone_on = points.iter().filter(|p| p["closing"] == false && Some(&p["point"]) != last.as_ref());
    Ok(gone_on.filter_map(|p| p["raw_sha256"].as_str()).map(str::to_owned).collect())
}

/// How far sensitivities lie apart beyond three times what noise does to both, at most, in percent.
fn departure(whole: &RunDir, resumed: &RunDir) -> Result<f64> {
    let (one, other) = (sensitivities(whole)?, sensitivities(resumed)?);
    ensure!(one.keys().eq(other.keys()), "a point has a result in one of two runs only");
    let beyond = one.iter().zip(other.values()).map(|((_, was), is)| {
        let noise = was.1.hypot(is.1);
        (is.0 / was.0 - 1.0).abs() - 3.0 * noise
    });
    Ok(beyond.fold(0.0, f64::max) * 100.0)
}

/// Sensitivity and its relative type A standard uncertainty, by column and point, from the waveforms of a run.
fn sensitivities(run: &RunDir) -> Result<BTreeMap<(usize, usize), (f64, f64)>> {
    let record: RunRecord = serde_json::from_slice(&run.bytes("run.json")?)?;
    let setup = Setup::new(record.job().map_err(|e| anyhow!("{e}"))?);
    let journal = Journal::read(&run.bytes("journal.jsonl")?).map_err(|e| anyhow!("{e}"))?;
    let facts = replay(run.path(), &Disk, &setup, &journal, record.estimator).map_err(|e| anyhow!("{e}"))?;
    let mut found = BTreeMap::new();
    for end in &facts.ends {
        let PointEnd::Measured(m) = end else { continue };
        let (Ok(estimate), false) = (&m.estimate, m.closing) else { continue };
        for ratio in &estimate.ratios {
            found.insert((ratio.channel, m.point), (ratio.ratio.norm(), ratio.u_rel_a.si()));
        }
    }
    Ok(found)
}
