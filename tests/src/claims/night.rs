//! A night: many jobs one after the other, some with faults, one cancelled, some handed in while others run.
//!
//! Every job has to end as it must, with drafts for all that may have one; and the daemon has to stay small.

use crate::bench::Bench;
use crate::daemon::{Daemon, idle, run_of};
use crate::{Figure, many};
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::fmt::Write;
use std::fs;

/// Sensors of each job, and channels of the rig: the reference, these, and what else it reads.
const SENSORS: usize = 6;
const CHANNELS: usize = 16;

/// Most memory of the daemon, bytes.
const MEMORY: f64 = 80.0 * 1024.0 * 1024.0;

/// Invented: the first sensor comes loose at the third point. It costs points of this sensor, and nothing else.
const LOOSE: &str = "format = 1

[[fault]]
kind = \"loose_mount\"
at = { point = 3, phase = \"settle\" }
channel = \"s1\"
value = \"10 %\"
";

/// Jobs that do not end as they must, and the daemon's memory.
///
/// # Errors
/// Where the daemon does not do what it is told.
pub fn night(jobs: usize) -> Result<Vec<Figure>> {
    let bench = Bench::new()?;
    let job = six(&bench)?;
    let daemon = Daemon::start(&bench, "examples/rigs/night.toml", &[])?;
    daemon.run(&["hold", "--reason", "until most are here"])?.expect_status(0)?;
    // A fault in the middle, one near the end, and one that costs a sensor only; two come while others run.
    let trips = [jobs / 3, 2 * jobs / 3];
    let bad_sensor = jobs / 2;
    for n in 1..=jobs - 2 {
        let seed = n.to_string();
        let mut more = vec!["--seed", seed.as_str()];
        if trips.contains(&n) {
            more.extend(["--faults", "examples/faults/emergency-stop.toml"]);
        } else if n == bad_sensor {
            more.extend(["--faults", "examples/faults/night.toml"]);
        }
        daemon.submit(&job, &more)?;
    }
    let cancelled = jobs * 3 / 8;
    daemon.run(&["cancel", &cancelled.to_string()])?.expect_status(0)?;
    daemon.run(&["unhold"])?.expect_status(0)?;
    daemon.until("the first run", |runs| run_of(runs, "night-1")["outcome"] == "done")?;
    daemon.submit(&job, &["--seed", "1001"])?;
    daemon.submit(&job, &["--seed", "1002"])?;
    for n in trips {
        let run = format!("night-{n}");
        daemon.until("a trip", |runs| run_of(runs, &run)["outcome"] == "tripped")?;
        let acknowledge =
            ["acknowledge", "night", "--simulated", "--name", "A. Person", "--reason", "released the button"];
        daemon.run(&acknowledge)?.expect_status(0)?;
        daemon.run(&["unhold"])?.expect_status(0)?;
    }
    let runs = daemon.until("the morning", idle)?;
    let (_, most) = daemon.memory()?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");

    let mut wrong = Vec::new();
    for n in (1..=jobs).filter(|n| *n != cancelled) {
        let run = format!("night-{n}");
        if let Some(what) = not_as_it_must(&bench, &runs, &run, trips.contains(&n)) {
            wrong.push(format!("{run}: {what}"));
        }
    }
    if run_of(&runs, &format!("night-{cancelled}")) != &Value::Null {
        wrong.push("the job that was cancelled ran".to_owned());
    }
    let shown: String = wrong.iter().take(5).map(|w| format!("\n  {w}")).collect();
    let sample = format!("{jobs} jobs of {SENSORS} sensors on {CHANNELS} channels{shown}");
    Ok(vec![
        Figure {
            what: "jobs of a night that did not end as they must".to_owned(),
            value: wrong.len() as f64,
            limit: 0.0,
            unit: "",
            sample: sample.clone(),
            seeds: vec![1, 1002],
        },
        Figure {
            what: "most memory that the daemon held".to_owned(),
            value: most as f64 / f64::from(1 << 20),
            limit: MEMORY / f64::from(1 << 20),
            unit: "MiB",
            sample,
            seeds: vec![1, 1002],
        },
    ])
}

/// What is wrong with a run; `None` where nothing is.
fn not_as_it_must(bench: &Bench, runs: &Value, run: &str, trips: bool) -> Option<String> {
    let outcome = &run_of(runs, run)["outcome"];
    let must = if trips { "tripped" } else { "done" };
    if outcome != must {
        return Some(format!("ended as {outcome}, not as {must}"));
    }
    let directory = bench.run_dir(&format!("state/calwright/data/runs/{run}"));
    let drafts = directory.files().ok()?.keys().filter(|name| name.ends_with(".pdf")).count();
    let due = if trips { 0 } else { SENSORS };
    (drafts != due).then(|| format!("{drafts} drafts, not {due}"))
}

/// Writes a rig of many channels, six sensors, and a job of them; all invented.
fn six(bench: &Bench) -> Result<String> {
    let read = |name: &str| fs::read_to_string(bench.path(name)).with_context(|| name.to_owned());
    let put = |name: &str, text: &str| fs::write(bench.path(name), text).with_context(|| name.to_owned());
    let text = read("examples/rigs/portable.toml")?;
    let (before, after) =
        text.split_once("[[channel]]\nname = \"s1\"").context("the rig has no channel s1")?;
    let rest = after.split_once("# In voltage mode").context("the rig's paths are not where they were")?.1;
    let mut rig = before.replacen("name = \"portable\"", "name = \"night\"", 1);
    let others = before.matches("[[channel]]").count();
    for n in 1..=CHANNELS - others {
        write!(rig, "[[channel]]\nname = \"s{n}\"\ninput = {n}\nrange = \"5 V pk\"\n\n")?;
    }
    write!(rig, "# In voltage mode{rest}")?;
    put("examples/rigs/night.toml", &rig)?;

    let sensors = read("examples/registers/sensors.toml")?;
    let (register, mounted) = many::sensors(&sensors, "NIGHT", SENSORS)?;
    let mut job = read("examples/portable.toml")?
        .split("[[mounted]]")
        .next()
        .context("a job has a head")?
        .replace("rigs/portable.toml", "rigs/night.toml")
        .replace("registers/sensors.toml", "registers/night.toml");
    job.push_str(&mounted);
    put("examples/registers/night.toml", &register)?;
    put("examples/faults/night.toml", LOOSE)?;
    put("examples/night.toml", &job)?;
    Ok("examples/night.toml".to_owned())
}
