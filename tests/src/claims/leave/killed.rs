//! The process that has the run is killed with drive on; what the next start finds.
//!
//! The run is in a process of its own: this package's `proof` program, called as a worker, runs the station under leave and
//! tells the true drive after every block on its standard output. Whoever called it kills it after some number of blocks.

use super::Draw;
use super::laboratory::{During, Laboratory, RIG};
use crate::figure::Figure;
use crate::program::own;
use anyhow::{Context, Result, ensure};
use calwright::station::latch::Latch;
use calwright::station::{Authority, StationError};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

/// Blocks after which it is killed at the latest: within the run.
const BLOCKS: usize = 1500;

/// Pause after each block of the worker: it must not be over before it can be killed.
const PAUSE: Duration = Duration::from_millis(1);

/// What the worker does: a run under the leave that stands in the laboratory in this folder.
///
/// # Errors
/// If there is no leave.
pub fn worker(folder: &Path, seed: u64) -> Result<()> {
    let mut laboratory = Laboratory::at(folder, seed);
    let leave = laboratory.leave()?.context("no leave stands")?;
    laboratory.run(Authority::Leave(Box::new(leave)), &During::Nothing, |drive| {
        // A caller that is gone has killed this process, or is about to.
        let mut out = std::io::stdout().lock();
        let _ = writeln!(out, "{drive}").and_then(|()| out.flush());
        std::thread::sleep(PAUSE);
    })?;
    Ok(())
}

/// One kill: the last drive that was seen.
fn kill(seed: u64) -> Result<f64> {
    let mut laboratory = Laboratory::new(seed)?;
    let folder = laboratory.bench.path("");
    ensure!(laboratory.arm(0.5)? == 0, "no leave was given");
    let old = laboratory.leave()?.context("no leave stands")?;
    let mut command = own("proof")?;
    command.arg("worker").arg(&folder).arg(seed.to_string()).stdin(Stdio::null());
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().context("no worker")?;
    let mut heard = BufReader::new(child.stdout.take().context("the worker has no standard output")?);
    let after = 1 + Draw(seed).below(BLOCKS);
    let (mut line, mut drive) = (String::new(), 0.0f64);
    let mut hear = |heard: &mut BufReader<_>| -> Result<bool> {
        line.clear();
        let some = heard.read_line(&mut line)? > 0 && line.ends_with('\n');
        if some {
            drive = line.trim().parse().context("no drive")?;
        }
        Ok(some)
    };
    for _ in 0..after {
        ensure!(hear(&mut heard)?, "the worker ended before it could be killed: {:?}", child.wait());
    }
    child.kill().context("the worker can't be killed")?;
    while hear(&mut heard)? {}
    let ended = child.wait()?;
    ensure!(ended.code().is_none(), "the worker ended by itself with {ended}");
    after_kill(&mut laboratory, old)?;
    Ok(drive)
}

/// The next start: tripped, no leave, not until acknowledged; and then leave has to be given anew.
fn after_kill(laboratory: &mut Laboratory, old: calwright::station::leave::Leave) -> Result<()> {
    let bytes = std::fs::read(laboratory.place().path()).context("there is no latch")?;
    let raw: Latch = serde_json::from_slice(&bytes).context("the latch can't be read")?;
    ensure!(matches!(raw, Latch::MayBeMoving { .. }), "the latch says {raw:?}");
    let Latch::Tripped { reason, .. } = laboratory.latch() else {
        anyhow::bail!("the next start finds no trip")
    };
    ensure!(reason == "restart_while_moving", "the next start finds {reason}");
    let refused = |laboratory: &mut Laboratory, why: &str| -> Result<()> {
        let ended = laboratory.run(Authority::Leave(Box::new(old.clone())), &During::Nothing, |_| ())?;
        let right = matches!(ended.how, Err(StationError::Tripped { .. } | StationError::NotArmed(_)));
        ensure!(right && ended.seen.blocks == 0, "a run began {why}");
        Ok(())
    };
    refused(laboratory, "before anybody acknowledged")?;
    ensure!(laboratory.arm(0.5)? == 3, "leave was given before anybody acknowledged");
    ensure!(laboratory.acknowledge("", "looked")? == 2, "nobody acknowledged");
    refused(laboratory, "after an acknowledgement without a name")?;
    ensure!(laboratory.acknowledge("A. Person", "looked at the rig")? == 0, "not acknowledged");
    ensure!(laboratory.leave()?.is_none(), "the leave outlived the kill");
    refused(laboratory, "under the leave from before the kill")?;
    ensure!(laboratory.arm(0.5)? == 0, "no leave was given after the acknowledgement");
    ensure!(laboratory.leave()?.is_some(), "no leave stands after it was given");
    Ok(())
}

/// Counts kills after which something was not as it must be.
///
/// # Errors
/// Never for a kill that fails; those are counted and named.
pub fn kill_figure(seeds: &[u64]) -> Result<Figure> {
    let (mut driven, mut failed) = (0, String::new());
    let mut wrong = 0;
    for seed in seeds {
        match kill(*seed) {
            Ok(drive) => driven += usize::from(drive > 0.0),
            Err(error) => {
                wrong += 1;
                failed += &format!("\n  {seed}: {error:#}");
            }
        }
    }
    Ok(Figure {
        what: format!(
            "kills of a run on rig '{RIG}' after which latch, leave or next run are not as they must be"
        ),
        value: f64::from(wrong),
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} processes killed within their first {BLOCKS} blocks, {driven} of them with drive on{failed}",
            seeds.len()
        ),
        seeds: seeds.iter().copied().take(1).chain(seeds.last().copied()).collect(),
    })
}
