//! The wall clock is set: for one program only, by a library that is loaded before its own. Records keep their order and their
//! dates, and say that it was set.

use super::{JOB, LeftOut, RIG, until};
use crate::Bench;
use crate::daemon::{Daemon, idle};
use crate::program::{other, root};
use crate::real::{Order, Shop};
use anyhow::{Context, Result, ensure};
use calwright::record::UtcTime;
use calwright::record::journal::{Journal, What};
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// A clock that can be set for the programs that are given it.
struct Clock {
    folder: TempDir,
}

impl Clock {
    /// # Errors
    /// [`LeftOut`] where there is no C compiler.
    fn new() -> Result<Self> {
        let folder = TempDir::new()?;
        let source = root().join("tests/src/claims/adversity/shifted.c");
        let library = folder.path().join("shifted.so");
        let arguments: [&Path; 5] =
            [Path::new("-shared"), Path::new("-fPIC"), Path::new("-o"), &library, &source];
        let built = other(Path::new("cc"), arguments).map_err(|_| LeftOut("there is no C compiler"))?;
        built.expect_status(0)?;
        Ok(Self { folder })
    }

    /// How a program is given it.
    fn environment(&self) -> [(&'static str, PathBuf); 2] {
        [("LD_PRELOAD", self.folder.path().join("shifted.so")), ("SHIFTED_BY", self.by())]
    }

    fn by(&self) -> PathBuf {
        self.folder.path().join("by")
    }

    /// Sets it by so many seconds from the true time.
    fn set(&self, seconds: i64) -> Result<()> {
        let next = self.folder.path().join("next");
        fs::write(&next, seconds.to_string())?;
        Ok(fs::rename(next, self.by())?)
    }
}

/// Jobs, runs and audit keep the order in which things were done, whatever the clock says.
pub(super) fn between_jobs() -> Result<()> {
    let clock = Clock::new()?;
    let bench = Bench::new()?;
    let daemon = Daemon::start_in(&bench, RIG, &[], &clock.environment())?;
    daemon.submit(JOB, &["--seed", "1"])?;
    daemon.until("the first job", idle)?;
    clock.set(-HOUR)?;
    daemon.submit(JOB, &["--seed", "2"])?;
    let runs = daemon.until("the second job", idle)?;
    let names: Vec<&str> =
        runs["runs"].as_array().into_iter().flatten().filter_map(|r| r["run"].as_str()).collect();
    ensure!(names == ["common-practice-2", "common-practice-1"], "newest first: {names:?}");
    until("a word on the clock", || Ok(super::rig(&bench)?["warnings"].to_string().contains("clock")))?;
    let audit = super::get(&bench, "/api/v1/audit")?;
    let words = audit.as_array().into_iter().flatten().filter_map(|e| e["what"].as_str());
    let done: Vec<&str> = words.filter(|word| ["submit", "clock"].contains(word)).collect();
    // Newest first; the daemon looks at its clock between two jobs, or after the second.
    let orders = [["submit", "clock", "submit"], ["clock", "submit", "submit"]];
    ensure!(orders.iter().any(|order| done == order), "the audit says {done:?}");
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}

/// A run on a rig behind sockets and lines, in real time.
pub(super) fn in_mid_run() -> Result<()> {
    let clock = Clock::new()?;
    let shop = Shop::open(&Order::from(16.0, true))?;
    let before = UtcTime::now().timestamp();
    let mut running = shop.begin_in(&clock.environment())?;
    running.wait_for(&["PointBegins"])?;
    clock.set(-HOUR)?;
    running.wait_for(&["set by -3"])?;
    running.wait_for(&["PointBegins"])?;
    clock.set(DAY)?;
    running.wait_for(&["set by +9"])?;
    let ended = running.wait_for(&["done ", "error "])?;
    ensure!(ended.starts_with("done Done"), "the run: {ended}");
    let after = UtcTime::now().timestamp();
    running.kill();
    let journal = fs::read(shop.path("run/journal.jsonl")).context("there is no journal")?;
    let journal = Journal::read(&journal).map_err(|e| anyhow::anyhow!("{e}"))?;
    let times: Vec<_> = journal.entries.iter().map(|e| e.t_utc.timestamp()).collect();
    ensure!(times.is_sorted(), "entries are out of order: {times:?}");
    ensure!(times.iter().all(|t| (before..=after).contains(t)), "an entry is misdated: {times:?}");
    let set: Vec<f64> = journal
        .entries
        .iter()
        .filter_map(|e| match &e.what {
            What::ClockSet(entry) => Some(entry.set_by_s),
            _ => None,
        })
        .collect();
    let due = [-HOUR, HOUR + DAY].map(|s| s as f64);
    let close = set.len() == due.len() && set.iter().zip(due).all(|(found, due)| (found - due).abs() < 1.0);
    ensure!(close, "the journal says that the clock was set by {set:?}");
    Ok(())
}
