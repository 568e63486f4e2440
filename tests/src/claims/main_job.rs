//! The main job: one command from a plan to certificates.

use crate::bench::Bench;
use crate::program::Finished;
use crate::readme;
use crate::run_dir::RunDir;
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::collections::BTreeSet;

/// How large the main job has to be at least: sensors, and points of each.
const SMALLEST: (usize, usize) = (3, 10);

/// Runs the README's first command as a newcomer does.
///
/// # Errors
/// If it does not end with exit status 0, or does not say where the run directory is.
pub fn first_command(bench: &Bench) -> Result<(Finished, RunDir)> {
    let arguments = readme::first_command()?;
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let finished = bench.run(&arguments)?.expect_status(0)?;
    let path = finished
        .stdout
        .lines()
        .find_map(|line| line.strip_prefix("Run directory: "))
        .context("the program does not say where the run directory is")?;
    let run = bench.run_dir(path);
    Ok((finished, run))
}

/// Sensors and points of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    /// Sensors.
    pub sensors: usize,
    /// Points of each.
    pub points: usize,
}

/// Finds out whether a run directory is complete, and everything in it accepted and passed.
///
/// # Errors
/// What is missing or not as it should be.
pub fn complete(run: &RunDir) -> Result<Size> {
    let result = run.json("result.json")?;
    ensure!(
        result["simulated"] == true && result["outcome"] == "done",
        "the run is not done: {}",
        result["outcome"]
    );
    let sensors = list(&result["sensors"])?;
    let points = sensors.first().map_or(Ok(&[][..]), |s| list(&s["points"]))?.len();
    let size = Size { sensors: sensors.len(), points };
    ensure!(size.sensors >= SMALLEST.0 && size.points >= SMALLEST.1, "{size:?} is smaller than {SMALLEST:?}");
    let mut expected =
        BTreeSet::from(["run.json", "journal.jsonl", "result.json", "truth.json"].map(str::to_owned));
    for sensor in sensors {
        let serial = sensor["serial"].as_str().context("a sensor has no serial number")?;
        ensure!(sensor["decision"] == "pass", "sensor {serial} is {}", sensor["decision"]);
        let own = list(&sensor["points"])?;
        ensure!(own.len() == size.points, "sensor {serial} has {} points", own.len());
        for point in own {
            let good = point["status"] == "accepted" && point["decision"] == "pass";
            ensure!(good, "sensor {serial}: {point}");
        }
        let name = format!("certificate-{serial}.pdf");
        ensure!(run.bytes(&name)?.starts_with(b"%PDF-"), "{name} is no PDF");
        expected.insert(name);
        for ending in ["xml", "csv"] {
            expected.insert(format!("certificate-{serial}.{ending}"));
        }
    }
    for kind in ["quiet", "first_motion", "point"] {
        for entry in run.entries(kind)? {
            expected.insert(format!("raw/{}.parquet", entry["raw_sha256"].as_str().unwrap_or_default()));
        }
    }
    ensure!(run.entries("point")?.len() >= size.points, "a point has no entry in the journal");
    ensure!(run.entries("finished")?.len() == 1, "the journal does not end the run");
    let there: BTreeSet<String> = run.files()?.into_keys().collect();
    ensure!(there == expected, "files that should not be there or are missing: {:?}", &there ^ &expected);
    Ok(size)
}

fn list(value: &Value) -> Result<&[Value]> {
    value.as_array().map(Vec::as_slice).context("a list is missing in result.json")
}
