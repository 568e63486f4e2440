//! What must happen when something goes wrong while the armature moves: the right reason, a safe stop, a latch.

use crate::bench::{Bench, MAIN_RIG};
use crate::figure::Figure;
use crate::program::Finished;
use crate::run_dir::RunDir;
use anyhow::{Context, Result, bail, ensure};
use calwright::record::RunRecord;
use calwright::record::raw::Raw;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Stdio};

/// A fault of the examples and what it must lead to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Case {
    /// File in `examples/faults`, without its ending.
    pub file: &'static str,
    /// Kind of the fault.
    pub fault: &'static str,
    /// Reason of the trip.
    pub reason: &'static str,
    /// Channel that the trip names.
    pub channel: Option<&'static str>,
}

/// The faults of the examples that trip; a test wants every file here or in [`NO_TRIP`].
pub const CASES: [Case; 11] = [
    Case { file: "amplifier-trip", fault: "amplifier_trip", reason: "amplifier_fault", channel: None },
    Case { file: "coil-overheating", fault: "coil_overheating", reason: "amplifier_fault", channel: None },
    Case { file: "emergency-stop", fault: "emergency_stop", reason: "emergency_stop", channel: None },
    // Five times the drive at 1 Hz: the acceleration means 81 mm where 78 mm are the limit.
    Case { file: "gain-jump", fault: "gain_jump", reason: "acceleration_limit", channel: Some("ref") },
    Case { file: "overload", fault: "overload", reason: "overload", channel: Some("s2") },
    Case { file: "permissive-opens", fault: "permissive_opens", reason: "permissive_lost", channel: None },
    Case { file: "reference-open", fault: "reference_open", reason: "reference_open", channel: Some("ref") },
    Case {
        file: "reference-reversed",
        fault: "reference_reversed",
        reason: "reference_reversed",
        channel: Some("ref"),
    },
    Case { file: "source-deaf", fault: "source_deaf", reason: "source_not_following", channel: None },
    Case { file: "source-holds-last", fault: "source_holds_last", reason: "source_dc", channel: None },
    Case { file: "stalled-acquisition", fault: "acquisition_stall", reason: "blocks_missing", channel: None },
];

/// The faults of the examples that do not trip, and why: what each has to lead to stands at the head of `sim/src/faults.rs`.
pub const NO_TRIP: [(&str, &str); 7] = [
    ("ambient-excursion", "the run pauses until the room is back"),
    ("cable-intermittent", "its points are rejected"),
    ("hum", "it is fitted beside the signal"),
    ("loose-mount", "its points are rejected"),
    ("sensor-clipped", "its points are rejected"),
    ("sensor-open", "its point is measured again once the cable makes contact"),
    ("slow-drift", "beyond what one reference can tell within a run"),
];

/// Waveforms kept before a trip at least, in seconds: one cycle of 1 Hz.
const KEPT_BEFORE_S: f64 = 1.0;

/// One fault, from strike to the next run.
///
/// # Errors
/// What did not happen as it must.
pub fn fault(seed: u64, case: &Case) -> Result<()> {
    let bench = Bench::new()?;
    let faults = format!("examples/faults/{}.toml", case.file);
    // After the last block the program looks whether drive is zero and the amplifier muted; it would end with 5.
    bench.dry_run(seed, "tripped", &["--faults", &faults])?.expect_status(3)?;
    let run = bench.run_dir("tripped");
    recorded(&run, case)?;
    unharmed(&run, case)?;
    waveforms(&run)?;
    bench.run(&["recompute", "tripped"])?.expect_status(0)?;
    let latch = bench.latch()?;
    ensure!(latch["state"] == "tripped" && latch["reason"] == case.reason, "the latch says {latch}");
    refused_until_acknowledged(&bench, seed, case.reason)
}

fn recorded(run: &RunDir, case: &Case) -> Result<()> {
    let result = run.json("result.json")?;
    let trip = &result["trip"];
    ensure!(result["outcome"] == "tripped" && trip["reason"] == case.reason, "outcome and trip: {trip}");
    ensure!(trip["channel"] == Value::from(case.channel), "the trip names another channel: {trip}");
    ensure!(trip["message"].as_str().is_some_and(|m| !m.is_empty()), "the trip has no message");
    let sensors = result["sensors"].as_array().context("no sensors in result.json")?;
    ensure!(sensors.iter().all(|s| s["decision"] != "pass"), "a sensor of a run that tripped passes");
    let certificate = run.files()?.into_keys().find(|name| name.starts_with("certificate-"));
    ensure!(certificate.is_none(), "there is a certificate of a run that tripped: {certificate:?}");
    Ok(())
}

/// What the simulator knows: the fault struck a moving armature, and that never touched a stop.
fn unharmed(run: &RunDir, case: &Case) -> Result<()> {
    let truth = run.json("truth.json")?;
    let struck = truth["faults_struck"].as_array().context("no faults_struck in truth.json")?;
    // The reference of the examples turns round between two tones; what is found then is the next one.
    let between = case.fault == "reference_reversed";
    let right = struck.iter().any(|f| f["kind"] == case.fault && (f["moving"] == true || between));
    ensure!(right, "the fault did not strike while the armature moved: {struck:?}");
    ensure!(truth["stop_hits"] == 0, "the armature hit a stop {} times", truth["stop_hits"]);
    let record: RunRecord = serde_json::from_value(run.json("run.json")?)?;
    let stop = record.job()?.rig.shaker.stop.si();
    let largest = truth["displacement_m_peak_max"].as_f64().context("no displacement in truth.json")?;
    ensure!(largest < stop, "the armature went to {largest} m, the stop is at {stop} m");
    Ok(())
}

fn waveforms(run: &RunDir) -> Result<()> {
    let entries = run.entries("trip")?;
    let [entry] = entries.as_slice() else {
        bail!("the journal has {} entries of a trip", entries.len());
    };
    let name = format!("raw/{}.parquet", entry["raw_sha256"].as_str().unwrap_or_default());
    let raw = Raw::decode(run.bytes(&name)?)?;
    let rate: f64 = raw.metadata.get("rate_hz").context("the waveforms have no rate")?.parse()?;
    let length = raw.columns.first().map_or(0, Vec::len);
    ensure!(raw.metadata.get("content").is_some_and(|c| c == "trip"), "{name} says it is something else");
    ensure!(length as f64 >= KEPT_BEFORE_S * rate, "only {length} samples are kept");
    if let Some(at) = entry["trip"]["at_sample"].as_u64() {
        let first = entry["first_sample"].as_u64().context("the entry has no first sample")?;
        let before = at.checked_sub(first).context("the waveforms begin after the trip")? as f64 / rate;
        ensure!(before >= KEPT_BEFORE_S, "only {before} s before the trip are kept");
        ensure!(first + length as u64 > at, "the waveforms end before the trip");
    }
    Ok(())
}

/// The next run is refused until a person with a name and a reason acknowledges.
///
/// # Errors
/// What did not happen as it must.
pub fn refused_until_acknowledged(bench: &Bench, seed: u64, reason: &str) -> Result<()> {
    let refused = |out: &str| -> Result<()> {
        let refused = bench.dry_run(seed, out, &[])?.expect_status(3)?;
        ensure!(refused.stderr.contains(reason), "the refusal does not say why: {}", refused.stderr);
        ensure!(!bench.path(out).exists(), "a run that was refused left a directory behind");
        Ok(())
    };
    refused("refused")?;
    let acknowledge = |rig: &str, name: &str, why: &str| {
        bench.run(&["acknowledge", rig, "--simulated", "--name", name, "--reason", why])
    };
    bench.run(&["acknowledge", MAIN_RIG, "--simulated", "--name", "A. Person"])?.expect_status(2)?;
    bench.run(&["acknowledge", MAIN_RIG, "--simulated", "--reason", "looked"])?.expect_status(2)?;
    acknowledge(MAIN_RIG, " ", "looked")?.expect_status(2)?;
    acknowledge(MAIN_RIG, "A. Person", "")?.expect_status(2)?;
    acknowledge("another-rig", "A. Person", "looked")?.expect_status(2)?;
    refused("refused-again")?;
    acknowledge(MAIN_RIG, "A. Person", "looked at the rig")?.expect_status(0)?;
    let latch = bench.latch()?;
    let kept = &latch["acknowledged"];
    let right =
        kept["name"] == "A. Person" && kept["reason"] == "looked at the rig" && kept["trip"] == reason;
    ensure!(latch["state"] == "clear" && right, "the latch says {latch}");
    bench.good_run(seed, "after")?;
    Ok(())
}

/// A dry run held back to some multiple of real time, caught while the armature is on its way to the third point.
struct Caught {
    child: Child,
    heard: BufReader<std::process::ChildStderr>,
}

impl Caught {
    /// Starts the run and waits for the line that says that the second point is over, by which the first is stored.
    fn start(bench: &Bench, out: &str) -> Result<Self> {
        let seed_and_pace = ["--seed", "1", "--speed", "10", "--no-certificates", "--out", out];
        let mut command = bench.command(&["dry-run", crate::bench::MAIN_JOB])?;
        command.args(seed_and_pace).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = command.spawn().context("the program can't be started")?;
        let pipe = child.stderr.take().context("the program has no standard error")?;
        let mut caught = Self { child, heard: BufReader::new(pipe) };
        let (mut line, mut measured) = (String::new(), 0);
        while measured < 2 {
            line.clear();
            if caught.heard.read_line(&mut line)? == 0 {
                bail!("the run ended before it could be caught: {:?}", caught.child.wait()?);
            }
            measured += usize::from(line.contains(" measured"));
        }
        Ok(caught)
    }

    fn signal(&self, signal: Signal) -> Result<()> {
        let pid = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw).context("no process number")?;
        kill_process(pid, signal).context("the signal can't be sent")
    }

    fn end(mut self) -> Result<Finished> {
        let mut stderr = String::new();
        self.heard.read_to_string(&mut stderr)?;
        let status = self.child.wait()?.code();
        Ok(Finished { status, stdout: String::new(), stderr })
    }
}

impl Drop for Caught {
    fn drop(&mut self) {
        // Nothing may go on after a test that failed; a process that ended already is what is wanted.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The program is killed while the armature moves.
///
/// # Errors
/// What did not happen as it must.
pub fn killed() -> Result<()> {
    let bench = Bench::new()?;
    let caught = Caught::start(&bench, "killed")?;
    caught.signal(Signal::KILL)?;
    ensure!(caught.end()?.status.is_none(), "the program was not killed");
    let latch = bench.latch()?;
    ensure!(latch["state"] == "may_be_moving", "the latch says {latch}");
    let said = bench.run(&["recompute", "killed", "--json"])?.expect_status(0)?;
    let said: Value = serde_json::from_str(&said.stdout)?;
    ensure!(said["verified"] == true && said["finished"] == false, "recompute says {said}");
    ensure!(said["dwells"].as_u64().is_some_and(|n| n >= 1), "the point before was not kept: {said}");
    refused_until_acknowledged(&bench, 1, "restart_while_moving")
}

/// A second program on the same rig is kept away while the first one works, and told why.
///
/// # Errors
/// What did not happen as it must.
pub fn second_program() -> Result<()> {
    let bench = Bench::new()?;
    let _first = Caught::start(&bench, "first")?;
    let second = bench.dry_run(1, "second", &[])?.expect_status(5)?;
    let right = second.stderr.contains("another calwright process");
    ensure!(right, "a second program is told: {}", second.stderr);
    ensure!(!bench.path("second").exists(), "a run that was refused left a directory behind");
    Ok(())
}

/// Ctrl-C once, or twice in a row: the run winds down, or makes safe at once, and ends as cancelled.
///
/// # Errors
/// What did not happen as it must.
pub fn interrupted(times: usize) -> Result<()> {
    let bench = Bench::new()?;
    let caught = Caught::start(&bench, "interrupted")?;
    for _ in 0..times {
        caught.signal(Signal::INT)?;
    }
    // As above, the program itself looks whether drive is zero and the amplifier muted.
    caught.end()?.expect_status(6)?;
    let run = bench.run_dir("interrupted");
    let result = run.json("result.json")?;
    ensure!(result["outcome"] == "cancelled" && result["trip"].is_null(), "outcome {}", result["outcome"]);
    ensure!(run.json("truth.json")?["stop_hits"] == 0, "the armature hit a stop");
    bench.run(&["recompute", "interrupted"])?.expect_status(0)?;
    let latch = bench.latch()?;
    ensure!(latch["state"] == "clear", "the latch says {latch}");
    bench.good_run(1, "after")?;
    Ok(())
}

/// Counts cases that are not handled as they must be: every fault with every seed, the program killed, a
/// second program, and Ctrl-C.
///
/// # Errors
/// Never for a case that fails; those are counted and named.
pub fn all(seeds: &[u64]) -> Result<Figure> {
    let mut outcomes = vec![
        ("killed".to_owned(), killed()),
        ("second program".to_owned(), second_program()),
        ("Ctrl-C".to_owned(), interrupted(1)),
        ("Ctrl-C twice".to_owned(), interrupted(2)),
    ];
    for seed in seeds {
        outcomes
            .extend(CASES.iter().map(|case| (format!("{} with seed {seed}", case.file), fault(*seed, case))));
    }
    let tried = outcomes.len();
    let failed: Vec<String> =
        outcomes.into_iter().filter_map(|(name, o)| Some(format!("\n{name}: {:#}", o.err()?))).collect();
    Ok(Figure {
        what: "faults that are not handled as they must be".to_owned(),
        value: failed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{tried} cases, each from the fault to the next good run{}", failed.concat()),
        seeds: seeds.to_vec(),
    })
}
