//! The disk: full, read-only, away. The run pauses at zero drive and says why; with room again it goes on where it was, and
//! without it what was stored is gone on with after the next start.

use super::{
    JOB, LeftOut, RIG, RUN, RUNS, ended_whole, goes_on_after_a_restart, in_mid_run, points, says, until,
};
use crate::Bench;
use crate::daemon::Daemon;
use crate::program::{Finished, other};
use anyhow::{Context, Result, ensure};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

const PAUSES: &str = "the run pauses";

/// A disk of its own, mounted in place of a folder; gone with the value.
struct Mounted(PathBuf);

/// Size of such a disk: what a run needs to begin, and a little.
const SIZE: &str = "96m";

impl Mounted {
    /// # Errors
    /// [`LeftOut`] where this user may not mount.
    fn at(path: PathBuf) -> Result<Self> {
        fs::create_dir_all(&path)?;
        let done = mount(&["-t", "tmpfs", "-o", &format!("size={SIZE}"), "tmpfs"], &path)?;
        if done.status != Some(0) {
            return Err(LeftOut("this user may not mount a disk").into());
        }
        Ok(Self(path))
    }

    /// Fills it to the last byte.
    fn fill(&self) -> Result<PathBuf> {
        let path = self.0.join("filling");
        let mut file = fs::File::create(&path)?;
        let block = vec![0u8; 1 << 16];
        while file.write_all(&block).is_ok() {}
        while file.write_all(&[0]).is_ok() {}
        Ok(path)
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = other(Path::new("umount"), [self.0.as_os_str()]);
    }
}

fn mount(arguments: &[&str], path: &Path) -> Result<Finished> {
    let path = path.to_str().context("a path that is no text")?;
    other(Path::new("mount"), arguments.iter().copied().chain([path]))
        .map_err(|_| LeftOut("there is no mount").into())
}

pub(super) fn away_and_back() -> Result<()> {
    let bench = Bench::new()?;
    let daemon = in_mid_run(&bench)?;
    let raw = bench.path(&format!("{RUNS}/{RUN}/raw"));
    let elsewhere = bench.path("elsewhere");
    fs::rename(&raw, &elsewhere)?;
    says(&bench, PAUSES)?;
    let before = points(&bench)?;
    fs::rename(&elsewhere, &raw)?;
    until("the next point", || Ok(points(&bench)? > before))?;
    ended_whole(&bench, &daemon, RUN)
}

pub(super) fn away_until_the_end() -> Result<()> {
    let bench = Bench::new()?;
    let daemon = in_mid_run(&bench)?;
    let folder = bench.path(&format!("{RUNS}/{RUN}"));
    let elsewhere = bench.path("elsewhere");
    let complete = points(&bench)?;
    fs::rename(&folder, &elsewhere)?;
    says(&bench, PAUSES)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    fs::rename(&elsewhere, &folder)?;
    goes_on_after_a_restart(&bench, complete)
}

pub(super) fn full_and_freed() -> Result<()> {
    let bench = Bench::new()?;
    // The database lies on it too.
    let disk = Mounted::at(bench.path("state/calwright/data"))?;
    let daemon = in_mid_run(&bench)?;
    let filling = disk.fill()?;
    says(&bench, PAUSES)?;
    let before = points(&bench)?;
    fs::remove_file(filling)?;
    until("the next point", || Ok(points(&bench)? > before))?;
    ended_whole(&bench, &daemon, RUN)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}

pub(super) fn full_until_the_end() -> Result<()> {
    let bench = Bench::new()?;
    let disk = Mounted::at(bench.path("state/calwright/data"))?;
    let daemon = in_mid_run(&bench)?;
    let complete = points(&bench)?;
    let filling = disk.fill()?;
    says(&bench, PAUSES)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    fs::remove_file(filling)?;
    goes_on_after_a_restart(&bench, complete)
}

pub(super) fn read_only_and_back() -> Result<()> {
    let bench = Bench::new()?;
    let disk = Mounted::at(bench.path(RUNS))?;
    let daemon = in_mid_run(&bench)?;
    // Refused while a file is just being written.
    until("a read-only disk", || Ok(mount(&["-o", "remount,ro"], &disk.0)?.status == Some(0)))?;
    says(&bench, PAUSES)?;
    let before = points(&bench)?;
    ensure!(mount(&["-o", "remount,rw"], &disk.0)?.status == Some(0), "it stays read-only");
    until("the next point", || Ok(points(&bench)? > before))?;
    ended_whole(&bench, &daemon, RUN)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}

/// A run that would fill the disk does not begin, says so, and begins by itself when there is room.
pub(super) fn full_before() -> Result<()> {
    let bench = Bench::new()?;
    let disk = Mounted::at(bench.path(RUNS))?;
    let filling = disk.fill()?;
    let daemon = Daemon::start(&bench, RIG, &[])?;
    daemon.submit(JOB, &["--seed", "1"])?;
    let waits = daemon.until("a word on the disk", |runs| {
        runs["waiting"][0]["waits_for"].as_str().is_some_and(|why| why.contains("give it room"))
    })?;
    ensure!(waits["waiting"][0]["stage"] == "needs_person", "{waits:#}");
    ensure!(fs::read_dir(&disk.0)?.count() == 1, "something was begun");
    fs::remove_file(filling)?;
    until("the run", || Ok(points(&bench)? > 0))?;
    ended_whole(&bench, &daemon, RUN)?;
    ensure!(daemon.terminate()? == Some(0), "the daemon did not end well");
    Ok(())
}
