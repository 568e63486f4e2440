//! The daemon from outside: `calwright serve` in a bench, and the commands that reach it.
//!
//! Owns starting it and ending it in every way. Waiting is by asking again, never by a fixed sleep.

use crate::Bench;
use crate::program::Finished;
use anyhow::{Context, Result, bail, ensure};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

/// Longest wait for anything that a daemon has to come to.
const PATIENCE: Duration = Duration::from_secs(900);

/// Between two looks.
const LOOK: Duration = Duration::from_millis(50);

/// A daemon that runs.
#[derive(Debug)]
pub struct Daemon<'a> {
    bench: &'a Bench,
    child: Option<Child>,
    page: String,
}

impl<'a> Daemon<'a> {
    /// Starts one on a rig of the examples; it listens when this returns.
    ///
    /// # Errors
    /// If it does not come up; what it says is on standard error.
    pub fn start(bench: &'a Bench, rig: &str, more: &[&str]) -> Result<Self> {
        Self::start_in(bench, rig, more, &[])
    }

    /// The same with variables of the environment.
    ///
    /// # Errors
    /// As [`Self::start`].
    pub fn start_in(
        bench: &'a Bench,
        rig: &str,
        more: &[&str],
        environment: &[(&str, PathBuf)],
    ) -> Result<Self> {
        let mut arguments = vec!["serve", rig, "--listen", "127.0.0.1:0"];
        arguments.extend(more);
        let mut command = bench.command(&arguments)?;
        command.envs(environment.iter().map(|(name, value)| (name, value)));
        let mut child =
            command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().context("serve can't be started")?;
        let out = child.stdout.take().context("no standard output")?;
        let mut lines = BufReader::new(out).lines();
        // The last line is the page's: everything is open then.
        let mut said = lines.by_ref().map_while(Result::ok);
        let Some(page) = said.find_map(|line| line.strip_prefix("Page: ").map(str::to_owned)) else {
            bail!("serve ended before it listened: {:?}", child.wait()?);
        };
        Ok(Self { bench, child: Some(child), page })
    }

    /// Where its page is, without a slash at the end.
    #[must_use]
    pub fn url(&self) -> &str {
        self.page.trim_end_matches('/')
    }

    /// Runs a command that reaches it.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn run(&self, arguments: &[&str]) -> Result<Finished> {
        self.bench.run(arguments)
    }

    /// What a command says as JSON; it has to end well.
    ///
    /// # Errors
    /// If it does not.
    pub fn json(&self, arguments: &[&str]) -> Result<Value> {
        let mut with = arguments.to_vec();
        with.push("--json");
        let finished = self.run(&with)?;
        ensure!(finished.status == Some(0), "{arguments:?}: {:?}\n{}", finished.status, finished.stderr);
        serde_json::from_str(&finished.stdout).with_context(|| format!("{arguments:?} says no JSON"))
    }

    /// Hands a job in; its number.
    ///
    /// # Errors
    /// If it is not taken.
    pub fn submit(&self, job: &str, more: &[&str]) -> Result<i64> {
        let mut arguments = vec!["submit", job];
        arguments.extend(more);
        self.json(&arguments)?["job"].as_i64().context("a job without a number")
    }

    /// Looks again until something holds of runs and of what waits.
    ///
    /// # Errors
    /// If it never does.
    #[expect(clippy::disallowed_methods, reason = "how long a test waits at most; nothing is judged by it")]
    pub fn until(&self, what: &str, holds: impl Fn(&Value) -> bool) -> Result<Value> {
        let begun = Instant::now();
        loop {
            let now = self.json(&["runs", "--limit", "500"])?;
            if holds(&now) {
                return Ok(now);
            }
            ensure!(begun.elapsed() < PATIENCE, "{what} never came: {now:#}");
            std::thread::sleep(LOOK);
        }
    }

    /// Memory that it holds now, and at most so far, in bytes.
    ///
    /// # Errors
    /// Where the system does not tell.
    pub fn memory(&self) -> Result<(u64, u64)> {
        let child = self.child.as_ref().context("it has ended")?;
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id()))?;
        let of = |name: &str| {
            let line = status.lines().find(|line| line.starts_with(name))?;
            line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
        };
        Ok((of("VmRSS:").context("no VmRSS")?, of("VmHWM:").context("no VmHWM")?))
    }

    /// Ticks of a processor that it has taken so far.
    ///
    /// # Errors
    /// Where the system does not tell.
    pub fn processor_ticks(&self) -> Result<u64> {
        let child = self.child.as_ref().context("it has ended")?;
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", child.id()))?;
        // Fields 14 and 15 of proc(5); the name in brackets may hold anything.
        let (_, rest) = stat.rsplit_once(") ").context("no state")?;
        let ticks = rest.split(' ').skip(11).take(2).map(str::parse::<u64>);
        Ok(ticks.collect::<Result<Vec<u64>, _>>()?.iter().sum())
    }

    /// Ends it as a service manager does; its exit status.
    ///
    /// # Errors
    /// If it can't be told.
    pub fn terminate(mut self) -> Result<Option<i32>> {
        let mut child = self.child.take().context("it has ended")?;
        signal(&child, rustix::process::Signal::TERM)?;
        Ok(child.wait()?.code())
    }

    /// Waits until it has ended by itself; its exit status.
    ///
    /// # Errors
    /// If it has ended before.
    pub fn ended(mut self) -> Result<Option<i32>> {
        let mut child = self.child.take().context("it has ended")?;
        Ok(child.wait()?.code())
    }

    /// Kills it.
    ///
    /// # Errors
    /// If it can't be killed.
    pub fn kill(mut self) -> Result<()> {
        let mut child = self.child.take().context("it has ended")?;
        child.kill()?;
        child.wait()?;
        Ok(())
    }
}

fn signal(child: &Child, signal: rustix::process::Signal) -> Result<()> {
    let pid = i32::try_from(child.id()).ok().and_then(rustix::process::Pid::from_raw);
    Ok(rustix::process::kill_process(pid.context("no number of a process")?, signal)?)
}

impl Drop for Daemon<'_> {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// A run of the list, by its name.
#[must_use]
pub fn run_of<'a>(runs: &'a Value, name: &str) -> &'a Value {
    let found = runs["runs"].as_array().and_then(|all| all.iter().find(|run| run["run"] == name));
    found.unwrap_or(&Value::Null)
}

/// True when nothing runs and nothing waits.
#[must_use]
pub fn idle(runs: &Value) -> bool {
    let running = runs["runs"].as_array().is_some_and(|all| all.iter().any(|run| run["state"] == "running"));
    !running && runs["waiting"].as_array().is_some_and(Vec::is_empty)
}
