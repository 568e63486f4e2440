//! A place to work in: a temporary folder with its own copy of the examples and its own state.

use crate::RunDir;
use crate::program::{self, Finished, root};
use anyhow::{Context, Result, ensure};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

/// The job of the examples that most checks run.
pub const MAIN_JOB: &str = "examples/low-frequency.toml";

/// Name of the rig of [`MAIN_JOB`].
pub const MAIN_RIG: &str = "long-stroke";

/// A temporary folder that looks like the workspace's: commands of the README work in it.
#[derive(Debug)]
pub struct Bench {
    folder: PathBuf,
    /// Gone with the bench.
    _temporary: Option<TempDir>,
}

impl Bench {
    /// A new one with a copy of the examples.
    ///
    /// # Errors
    /// Of the disk.
    pub fn new() -> Result<Self> {
        let folder = tempfile::tempdir().context("no temporary folder can be made")?;
        copy(&root().join("examples"), &folder.path().join("examples"))?;
        Ok(Self { folder: folder.path().to_owned(), _temporary: Some(folder) })
    }

    /// One that is there already, and stays.
    #[must_use]
    pub fn at(folder: &Path) -> Self {
        Self { folder: folder.to_owned(), _temporary: None }
    }

    /// A path in it.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Puts other text in a file's place.
    ///
    /// # Errors
    /// If the file does not hold `old` exactly once, or of the disk.
    pub fn replace(&self, name: &str, old: &str, new: &str) -> Result<()> {
        let path = self.path(name);
        let text = fs::read_to_string(&path).with_context(|| format!("{name} can't be read"))?;
        ensure!(text.matches(old).count() == 1, "{name} does not hold {old:?} exactly once");
        fs::write(&path, text.replacen(old, new, 1)).with_context(|| format!("{name} can't be written"))
    }

    /// Settings that are read where nothing else is named: those of the examples' laboratory, which has the address that a
    /// release asks for, and more tables.
    ///
    /// # Errors
    /// Of the disk.
    pub fn settle(&self, tables: &str) -> Result<()> {
        let path = self.path("examples/settings/laboratory.toml");
        let laboratory = fs::read_to_string(&path).context("the settings of the examples can't be read")?;
        fs::write(self.path("calwright.toml"), format!("{laboratory}\n{tables}"))
            .context("the settings can't be written")
    }

    /// The program with arguments, in this folder, with this folder's state.
    ///
    /// # Errors
    /// If the program can't be built.
    pub fn command(&self, arguments: &[&str]) -> Result<Command> {
        let mut command = program::calwright()?;
        command.args(arguments).current_dir(&self.folder).env("XDG_STATE_HOME", self.path("state"));
        Ok(command)
    }

    /// Runs the program.
    ///
    /// # Errors
    /// If it can't be built or started.
    pub fn run(&self, arguments: &[&str]) -> Result<Finished> {
        program::run(&mut self.command(arguments)?)
    }

    /// Dry run of [`MAIN_JOB`] into `out`, without certificates.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn dry_run(&self, seed: u64, out: &str, more: &[&str]) -> Result<Finished> {
        let seed = seed.to_string();
        let mut arguments = vec!["dry-run", MAIN_JOB, "--no-certificates", "--seed", &seed, "--out", out];
        arguments.extend(more);
        self.run(&arguments)
    }

    /// Dry run of [`MAIN_JOB`] that has to end with every sensor passing.
    ///
    /// # Errors
    /// If it does not.
    pub fn good_run(&self, seed: u64, out: &str) -> Result<RunDir> {
        self.dry_run(seed, out, &[])?
            .expect_status(0)
            .with_context(|| format!("dry run with seed {seed}"))?;
        Ok(self.run_dir(out))
    }

    /// A run directory in it.
    #[must_use]
    pub fn run_dir(&self, name: &str) -> RunDir {
        RunDir::new(self.path(name))
    }

    /// The latch of the simulated rig of [`MAIN_JOB`].
    ///
    /// # Errors
    /// If there is none, or it is no JSON.
    pub fn latch(&self) -> Result<serde_json::Value> {
        let path = self.path(&format!("state/calwright/simulated/{MAIN_RIG}/latch.json"));
        let bytes = fs::read(&path).with_context(|| format!("{} can't be read", path.display()))?;
        serde_json::from_slice(&bytes).with_context(|| format!("{} is no JSON", path.display()))
    }
}

fn copy(from: &Path, to: &Path) -> Result<()> {
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from).with_context(|| format!("{} can't be read", from.display()))? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy(&entry.path(), &target)?;
        } else {
            fs::copy(entry.path(), &target)?;
        }
    }
    Ok(())
}
