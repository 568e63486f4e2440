//! The rig that the daemon owns: its file as it was at the start, its latch, its leave.
//!
//! Owns the reading of latch and leave for people, and which of them a simulated rig has. Must not: open an instrument.

use super::house::Running;
use super::words::LatchState;
use crate::driver_settings;
use crate::execution::{self, NotBegun};
use crate::files::Disk;
use crate::load::{self, LoadError, Texts};
use crate::record::UtcTime;
use crate::settings::Settings;
use crate::station::latch::{Latch, LatchFile};
use crate::station::leave::{Lapse, Leave};
use crate::station::leave_file::{leave_for, leave_in_run, leave_now};
use crate::station::{StationError, may_begin};
use plan_schema::read::{Diagnostics, Document, Report};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use plan_schema::scope::Scope;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

/// The rig of the daemon.
#[derive(Debug, Clone)]
pub struct OwnRig {
    /// The file's name in messages.
    pub shown: String,
    /// Its text as of the start: a change counts after the next start.
    pub text: String,
    /// The same, read.
    pub document: Document<Rig>,
    /// True where jobs run on the simulated rig.
    pub simulated: bool,
    /// The scope of the laboratory's accreditation.
    pub scope: Option<Scope>,
    /// Its latch.
    pub latch: LatchFile,
}

/// Longest wait for a lock that another hand of this machine has for a moment.
const PATIENCE: Duration = Duration::from_millis(20);

impl OwnRig {
    /// Reads the rig's file.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn read(path: &Path, simulate: bool, settings: &Settings) -> Result<Self, LoadError> {
        let (document, _) = load::rig(path)?;
        let simulated = simulate || !execution::is_real(&document.value);
        let settings_found =
            if simulated { Diagnostics::default() } else { driver_settings::problems(&document) };
        if !settings_found.is_usable() {
            return Err(LoadError::Input(Report(settings_found)));
        }
        let scope = settings.scope.as_deref().map(load::scope).transpose()?;
        Ok(Self {
            shown: path.display().to_string(),
            text: load::text(path)?,
            simulated,
            latch: LatchFile::of(&settings.state_dir(), &document.value.name, simulated),
            document,
            scope,
        })
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.document.value.name
    }

    /// A job on this rig, from texts.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn job(
        &self,
        name: &str,
        job: &str,
        files: &BTreeMap<String, String>,
    ) -> Result<load::Loaded, LoadError> {
        let rig = (self.shown.as_str(), self.text.as_str());
        let mut loaded = load::job_of_texts(&Texts { name, job, files, rig })?;
        loaded.job.scope = self.scope.clone();
        Ok(loaded)
    }

    /// What the latch says now. While a run goes on it says so, until the run trips; without one, a latch that says so was left by
    /// one that was cut off.
    #[must_use]
    pub(super) fn latched(&self, running: Option<&Running>) -> (LatchState, Option<String>, Option<String>) {
        if let Some(running) = running {
            return match running.trip.clone() {
                Some((reason, message)) => (LatchState::Tripped, Some(reason), Some(message)),
                None => (LatchState::MayBeMoving, None, None),
            };
        }
        match self.latch.read(&Disk, UtcTime::now().timestamp()) {
            Latch::Clear { .. } => (LatchState::Clear, None, None),
            Latch::MayBeMoving { run, .. } => {
                (LatchState::MayBeMoving, None, Some(format!("run {run} goes on or was cut off")))
            }
            Latch::Tripped { reason, message, .. } => (LatchState::Tripped, Some(reason), Some(message)),
        }
    }

    /// Who gave leave to move until when, or why there is none. A simulated rig needs none.
    ///
    /// # Errors
    /// Why there is none.
    pub(super) fn leave(&self, running: Option<&Running>) -> Result<Option<Leave>, String> {
        if self.simulated {
            return Ok(None);
        }
        let (now, rig) = (UtcTime::now(), &self.document.value);
        let leave = match running {
            Some(Running { trip: Some((reason, _)), .. }) => {
                Err(StationError::NotArmed(Lapse::Tripped(reason.clone())))
            }
            Some(running) => leave_in_run(&self.latch, &Disk, rig, &running.run, now),
            None => {
                let latch = self.latch.read(&Disk, now.timestamp());
                leave_now(&self.latch, &Disk, rig, &latch, now)
            }
        };
        leave.map(Some).map_err(|error| error.to_string())
    }

    /// What a person has to do before a job may begin; `None` where nothing.
    #[must_use]
    pub fn needs(&self, job: &ResolvedJob) -> Option<String> {
        let now = UtcTime::now();
        if let Err(error) = may_begin(&self.latch, &Disk, self.name(), now.timestamp()) {
            return Some(self.in_words(&NotBegun::Station(error)));
        }
        if self.simulated {
            return None;
        }
        let latch = self.latch.read(&Disk, now.timestamp());
        let error = leave_for(&self.latch, &Disk, job, &latch, now).err()?;
        let mounted: Vec<String> =
            job.job.mounted.iter().map(|m| format!("{} on {}", m.sensor, m.channel)).collect();
        Some(format!("{error}. Mount {}; look at the rig, then arm", mounted.join(", ")))
    }

    /// Why nothing could begin, and the way out.
    #[must_use]
    pub fn in_words(&self, error: &NotBegun) -> String {
        match error {
            NotBegun::Station(StationError::Tripped { .. }) => {
                format!("{error}. Look at rig and amplifier, then acknowledge")
            }
            other => other.to_string(),
        }
    }

    /// Tries something that needs the rig's lock again where another hand of this machine has it for a moment.
    pub fn patiently<T>(&self, mut what: impl FnMut() -> std::io::Result<T>) -> std::io::Result<T> {
        for _ in 0..50 {
            match what() {
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => std::thread::sleep(PATIENCE),
                other => return other,
            }
        }
        what()
    }
}

/// What is wrong with written input, as `check` prints it.
#[must_use]
pub fn said(error: &LoadError) -> String {
    match error {
        LoadError::Input(Report(found)) => found.render(false),
        LoadError::File { .. } => error.to_string(),
    }
}
