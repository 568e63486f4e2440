//! Claims about time and rest: how soon `check` says something, how soon the daemon serves, and what it takes while nobody
//! wants anything of it.
//!
//! Each start is timed from outside, from the moment at which the program is asked for; the median counts, as with every time
//! on a machine that has other work, and the slowest is said.

use crate::bench::{Bench, MAIN_JOB};
use crate::daemon::Daemon;
use crate::figure::Figure;
use anyhow::{Context, Result, ensure};
use std::io::Read;
use std::process::Stdio;
use std::time::{Duration, Instant};

const RIG: &str = "examples/rigs/common-practice.toml";

/// Longest times, in ms.
const CHECK: f64 = 30.0;
const SERVE: f64 = 150.0;

/// Most time of a processor while idle, in percent.
const IDLE: f64 = 0.5;

/// Ticks of a processor in a second: `sysconf(_SC_CLK_TCK)` is 100 on every Linux that Rust supports.
const TICKS: f64 = 100.0;

/// First output of `check`, the daemon ready, and the processor while it is idle.
///
/// # Errors
/// If a program does not do what it is asked for.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    let bench = Bench::new()?;
    let starts = if full { 101 } else { 11 };
    let figure = |what: &str, value: f64, limit: f64, unit: &'static str, sample: String| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit,
        sample,
        seeds: vec![],
    };
    let (check, of_check) = times(starts, || first_output(&bench))?;
    // The first start makes the database; a daemon is started once in its life with none.
    let new = serving(&bench)?.1;
    let (serve, of_serve) = times(starts, || Ok(serving(&bench)?.1))?;
    let (daemon, _) = serving(&bench)?;
    let lasts = if full { 120 } else { 10 };
    let idle = idle(&daemon, Duration::from_secs(lasts))?;
    let (_, most) = daemon.memory()?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    let mebibytes = most as f64 / f64::from(1 << 20);
    Ok(vec![
        figure("start of the program to the first output of check", check, CHECK, "ms", of_check),
        figure(
            "start of the daemon until it serves",
            serve,
            SERVE,
            "ms",
            format!("{of_serve}; with a new database {new:.0} ms"),
        ),
        figure(
            "processor that an idle daemon takes",
            idle,
            IDLE,
            "%",
            format!("of one processor, over {lasts} s; it has held {mebibytes:.0} MiB at most"),
        ),
    ])
}

/// Median of so many times in ms, and a word on them.
fn times(count: usize, mut once: impl FnMut() -> Result<f64>) -> Result<(f64, String)> {
    let mut times = (0..count).map(|_| once()).collect::<Result<Vec<f64>>>()?;
    times.sort_by(f64::total_cmp);
    let median = *times.get(count / 2).context("no starts")?;
    let slowest = times.last().copied().unwrap_or(median);
    Ok((median, format!("median of {count} starts, the slowest {slowest:.0} ms")))
}

#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
fn first_output(bench: &Bench) -> Result<f64> {
    let mut command = bench.command(&["check", MAIN_JOB])?;
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    let begun = Instant::now();
    let mut child = command.spawn().context("check can't be started")?;
    let mut out = child.stdout.take().context("no standard output")?;
    out.read_exact(&mut [0])?;
    let passed = begun.elapsed();
    out.read_to_end(&mut Vec::new())?;
    ensure!(child.wait()?.code() == Some(0), "check found something");
    Ok(passed.as_secs_f64() * 1e3)
}

/// A daemon, and how long it took until its page was open, in ms.
#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
fn serving(bench: &Bench) -> Result<(Daemon<'_>, f64)> {
    // Built before anything is timed.
    bench.command(&[])?;
    let begun = Instant::now();
    let daemon = Daemon::start(bench, RIG, &[])?;
    Ok((daemon, begun.elapsed().as_secs_f64() * 1e3))
}

#[expect(clippy::disallowed_methods, reason = "the time over which it is idle")]
fn idle(daemon: &Daemon<'_>, lasts: Duration) -> Result<f64> {
    // Hashing the program in the background is part of its start.
    std::thread::sleep(Duration::from_secs(5));
    let (begun, before) = (Instant::now(), daemon.processor_ticks()?);
    std::thread::sleep(lasts);
    let taken = daemon.processor_ticks()?.saturating_sub(before) as f64 / TICKS;
    Ok(taken / begun.elapsed().as_secs_f64() * 100.0)
}
