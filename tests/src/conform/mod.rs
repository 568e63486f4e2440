//! The conformance kit as a person calls it, on the simulated rig behind its panels, with good drivers and broken ones.

mod benches;
mod broken;

pub use benches::{
    Bench, FRAMES_PLUG_IN, GATED, SINE_PLUG_IN, gated, of_every_driver, patient, with_instrument,
};
pub use broken::{BROKEN, Broken};

use crate::program::{Finished, calwright, root};
use crate::real::Place;
use crate::rig_sim::{JOB, RigSim};
use anyhow::{Context, Result};
use serde_json::Value;
use std::path::Path;
use tempfile::TempDir;

/// One line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Name of the instrument.
    pub instrument: String,
    /// The promise.
    pub row: String,
    /// pass, fail, not supported.
    pub outcome: String,
    /// What happened.
    pub message: String,
}

/// What the kit said.
#[derive(Debug, Clone)]
pub struct Table {
    /// Its lines.
    pub lines: Vec<Line>,
    /// Exit status.
    pub status: Option<i32>,
}

impl Table {
    /// The lines with this outcome.
    #[must_use]
    pub fn with(&self, outcome: &str) -> Vec<&Line> {
        self.lines.iter().filter(|l| l.outcome == outcome).collect()
    }
}

/// A rig that serves, its file, its leave.
pub struct Laboratory {
    /// `None` where the rig file's own addresses are there.
    rig: Option<RigSim>,
    folder: TempDir,
    moves: bool,
    _place: Place,
}

impl Laboratory {
    /// Serves a bench; `plug_ins` is the folder of plug-ins.
    ///
    /// # Errors
    /// If something does not start, or leave is not given.
    pub fn open(bench: &Bench, plug_ins: &Path) -> Result<Self> {
        let _place = crate::real::place();
        let own = std::fs::read_to_string(root().join(crate::rig_sim::RIG))?;
        let rig = RigSim::start_with(1, |_| bench.served(&own))?;
        let folder = TempDir::new()?;
        std::fs::write(folder.path().join("rig.toml"), rig.addressed(Some(&bench.tried(&own)))?)?;
        let listed = format!("plug_in_folders = [\"{}\"]\n", plug_ins.display());
        std::fs::write(folder.path().join("settings.toml"), listed)?;
        let laboratory = Self { rig: Some(rig), folder, moves: bench.moves, _place };
        if bench.moves {
            laboratory
                .run(&["arm"], &["--name", "A. Person", "--all-confirmed"])?
                .expect_status(0)
                .context("leave was not given")?;
        }
        Ok(laboratory)
    }

    /// A rig file whose instruments somebody else serves; nothing is moved.
    ///
    /// # Errors
    /// Of the disk.
    pub fn beside(rig: &str) -> Result<Self> {
        let _place = crate::real::place();
        let folder = TempDir::new()?;
        std::fs::write(folder.path().join("rig.toml"), rig)?;
        std::fs::write(folder.path().join("settings.toml"), "")?;
        Ok(Self { rig: None, folder, moves: false, _place })
    }

    fn run(&self, command: &[&str], more: &[&str]) -> Result<Finished> {
        let output = calwright()?
            .arg("--settings")
            .arg(self.folder.path().join("settings.toml"))
            .arg("--state-dir")
            .arg(self.folder.path().join("state"))
            .arg("--json")
            .args(command)
            .arg(self.folder.path().join("rig.toml"))
            .args(more)
            .current_dir(root())
            .output()?;
        Ok(Finished::of(&output))
    }

    /// Tries rows whose names hold one of these parts on one instrument, or on all; everything where none is named.
    ///
    /// # Errors
    /// If the kit does not come to a table.
    pub fn conform(&self, instrument: Option<&str>, rows: &[&str]) -> Result<Table> {
        let out = self.folder.path().join("measured.toml").display().to_string();
        let mut more = vec!["--out", &out];
        if self.moves {
            more.extend(["--job", JOB]);
        } else {
            more.push("--without-motion");
        }
        instrument.iter().for_each(|name| more.extend(["--instrument", name]));
        rows.iter().for_each(|row| more.extend(["--only", row]));
        let done = self.run(&["drivers", "conform"], &more)?;
        let said: Value = serde_json::from_str(&done.stdout)
            .with_context(|| format!("no table: {}{}", done.stdout, done.stderr))?;
        let text = |line: &Value, key: &str| line[key].as_str().unwrap_or_default().to_owned();
        let lines = said["rows"].as_array().context("no rows")?.iter().map(|line| Line {
            instrument: text(line, "instrument"),
            row: text(line, "row"),
            outcome: text(line, "outcome"),
            message: text(line, "message"),
        });
        Ok(Table { lines: lines.collect(), status: done.status })
    }

    /// The measured times, as they were written for a rig file.
    ///
    /// # Errors
    /// If there are none.
    pub fn measured(&self) -> Result<String> {
        Ok(std::fs::read_to_string(self.folder.path().join("measured.toml"))?)
    }

    /// Ends rig-sim; gives its exit status.
    ///
    /// # Errors
    /// If it does not end.
    pub fn close(self) -> Result<Option<i32>> {
        self.rig.map_or(Ok(None), RigSim::end)
    }
}
