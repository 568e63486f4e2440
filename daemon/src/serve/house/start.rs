//! Opening the house: instruments safe first, then the database, then what was cut off.
//!
//! Invariant: nothing resumes by itself. A run that was cut off is `interrupted`, and the queue holds.

use super::{House, Lately, Now};
use crate::files::{self, Disk, Files};
use crate::load::LoadError;
use crate::record::UtcTime;
use crate::record::words::Outcome;
use crate::serve::news::Newsroom;
use crate::serve::queue::{Ended, hold_after};
use crate::serve::rig::OwnRig;
use crate::serve::store::{OpenError, Said, Store, StoreError};
use crate::serve::{directory, names};
use crate::settings::Settings;
use crate::station::latch::Latch;
use crate::station::safe::safe_at_start;
use crate::validate::differs_from_validated;
use crate::wiring;
use calibration::interlock::TripReason;
use std::collections::BTreeSet;
use std::fmt;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, RwLock};
use tokio::sync::Notify;

/// Why the daemon does not start.
#[derive(Debug)]
pub enum NotStarted {
    /// Neither settings nor command line name a rig.
    NoRig,
    /// The rig's file.
    Input(LoadError),
    /// Another daemon has the rig or the data.
    Locked(PathBuf),
    /// The disk.
    Disk(PathBuf, io::Error),
    /// The database.
    Store(OpenError),
    /// What was cut off can't be sorted out.
    Index(StoreError),
}

impl fmt::Display for NotStarted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoRig => f.write_str("no rig; name its file, or write rig under [serve] in the settings"),
            Self::Input(error) => error.fmt(f),
            Self::Locked(path) => {
                write!(
                    f,
                    "another calwright serve has {}; there is one daemon a rig and a data folder",
                    path.display()
                )
            }
            Self::Disk(path, error) => write!(f, "{}: {error}", path.display()),
            Self::Store(error) => error.fmt(f),
            Self::Index(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for NotStarted {}

/// The open house, and what keeps a second daemon away.
pub struct Opened {
    /// The house.
    pub house: Arc<House>,
    _locks: Vec<File>,
}

impl House {
    /// Opens the house of the settings.
    ///
    /// # Errors
    /// See [`NotStarted`].
    pub async fn open(settings: Settings, arm_over_port: bool) -> Result<Opened, NotStarted> {
        let path = settings.serve.rig.clone().ok_or(NotStarted::NoRig)?;
        let rig = OwnRig::read(&path, settings.serve.simulate, &settings).map_err(NotStarted::Input)?;
        let rig_lock = lock(&rig.latch.directory().join("serve.lock"))?;
        let not_safe = if rig.simulated { None } else { made_safe(&rig, &settings).await };
        let data = settings.data_dir();
        let data_lock = lock(&data.join("serve.lock"))?;
        let runs = data.join("runs");
        Disk.create_dir(&runs).map_err(|e| NotStarted::Disk(runs.clone(), e))?;
        let store = Store::open(&data.join(DATABASE)).await.map_err(NotStarted::Store)?;
        let house = Self {
            settings,
            own: RwLock::new(Arc::new(rig)),
            template: Mutex::default(),
            beginning: tokio::sync::Mutex::default(),
            draining: Mutex::default(),
            drained: Notify::new(),
            store,
            news: Newsroom::at(UtcTime::now()),
            kept: Lately::default(),
            runs,
            arm_over_port,
            now: Mutex::new(Now::default()),
            started: UtcTime::now(),
            counts: Mutex::default(),
            changed: Notify::new(),
            closing: AtomicBool::new(false),
        };
        house.sort_out().await.map_err(NotStarted::Index)?;
        if house.store.needs_reindex().await.map_err(NotStarted::Index)? {
            tracing::warn!(
                "runs of an older index do not say what they were measured with; 'calwright reindex' fills it in"
            );
        }
        house.in_force_at_start().await.map_err(NotStarted::Index)?;
        if let Some(error) = not_safe {
            let text = format!(
                "at the start an instrument could not be made safe: {error}. Look at the rig; if it may be live, cut the power \
                 of the amplifier by hand"
            );
            house.hold_for(&text).await.map_err(NotStarted::Index)?;
            house.warn(NOT_SAFE_AT_START, Some(text));
        }
        let house = Arc::new(house);
        house.clone().compare_with_validated(path);
        Ok(Opened { house, _locks: vec![rig_lock, data_lock] })
    }

    /// Says where program, template or rig file are others than when this station was last validated. A program is large: nobody
    /// waits for its hash.
    fn compare_with_validated(self: Arc<Self>, rig: PathBuf) {
        tokio::task::spawn_blocking(move || {
            let differs = differs_from_validated(&self.settings, &[rig]);
            if !differs.is_empty() {
                self.warn("validated", Some(differs.join("; ")));
            }
        });
    }

    /// Runs that were cut off, and run directories that the index does not know.
    async fn sort_out(&self) -> Result<(), StoreError> {
        for run in self.store.running_runs().await? {
            self.cut_off(&run).await?;
        }
        let known: BTreeSet<String> = self.store.indexed().await?.into_iter().collect();
        let unknown: Vec<String> =
            names::folders(&self.runs).into_iter().filter(|run| !known.contains(run)).collect();
        for run in directory::by_beginning(&self.runs, unknown) {
            match directory::indexed(&self.runs.join(&run)) {
                Ok(indexed) if indexed.run == run => self.store.index(&indexed).await?,
                Ok(indexed) => tracing::warn!("folder {run} holds run {}; it is left alone", indexed.run),
                Err(error) => tracing::warn!("folder {run} is no run that can be read: {error}"),
            }
        }
        Ok(())
    }

    /// A run that the database holds for running, at a start.
    async fn cut_off(&self, run: &str) -> Result<(), StoreError> {
        let folder = self.runs.join(run);
        match directory::indexed(&folder) {
            Ok(indexed) => {
                self.store.index(&indexed).await?;
                if indexed.outcome == Outcome::Interrupted.word() {
                    tracing::warn!("run {run} was cut off; it is interrupted");
                    let ended = Ended::Run {
                        outcome: Outcome::Interrupted,
                        trip: None,
                        hold: None,
                        refused: None,
                        failures: Vec::new(),
                    };
                    self.hold_for(&hold_after(run, &ended).unwrap_or_default()).await?;
                }
                Ok(())
            }
            Err(why) => match self.store.job_of_run(run).await? {
                // It was cut off before its journal began: nothing moved, and its job waits again.
                Some(job) if !has_journal(&folder) => self.store.not_begun(run, job, None).await,
                _ => {
                    let text = format!("run {run} was cut off, and its records can't be read: {why}");
                    tracing::error!("{text}");
                    self.store.unreadable(run).await?;
                    self.hold_for(&text).await
                }
            },
        }
    }

    /// The queue holds, by the daemon's own word.
    pub(in crate::serve) async fn hold_for(&self, reason: &str) -> Result<(), StoreError> {
        let said = Said { at: UtcTime::now(), who: None, what: "hold", detail: reason };
        let held = self.store.hold_queue(Some(reason), &said).await;
        self.kept.rig.forget();
        held
    }
}

/// The word under which it is remarked that instruments could not be made safe at the start.
pub(super) const NOT_SAFE_AT_START: &str = "safe";

/// Name of the database within the data folder.
pub const DATABASE: &str = "calwright.sqlite";

fn has_journal(folder: &Path) -> bool {
    std::fs::metadata(folder.join("journal.jsonl")).is_ok_and(|m| m.len() > 0)
}

/// Makes the instruments of a real rig safe; why not, if not.
async fn made_safe(rig: &OwnRig, settings: &Settings) -> Option<String> {
    let _lock = match rig.latch.claim(&Disk, UtcTime::now().timestamp()) {
        Ok((lock, latch)) => {
            // With its lock there, a rig that was never used would look as if its latch was lost.
            if !rig.latch.path().exists()
                && let Err(error) = rig.latch.write(&Disk, &latch)
            {
                return Some(error.to_string());
            }
            lock
        }
        Err(error) => return Some(format!("the rig is in use: {error}")),
    };
    let error = match wiring::real(&rig.document.value, settings) {
        Ok(registry) => safe_at_start(&rig.document.value, &registry).await.err()?.to_string(),
        Err(error) => error.to_string(),
    };
    let at = UtcTime::now().timestamp();
    Some(match rig.latch.write(&Disk, &left_unsafe(rig.latch.read(&Disk, at), &error)) {
        Ok(()) => error,
        Err(unkept) => format!("{error}; and that can't be stored in the latch: {unkept}"),
    })
}

/// The latch of a rig whose instruments could not be made safe: nothing begins before a person says that they were by hand.
fn left_unsafe(before: Latch, error: &str) -> Latch {
    let message = format!("at the start of the daemon an instrument could not be made safe: {error}");
    let (run, message) = match before {
        Latch::Tripped { run, reason, message: earlier, .. }
            if reason != TripReason::MakeSafeFailed.word() =>
        {
            (run, format!("{message}. Tripped before that ({reason}): {earlier}"))
        }
        Latch::Tripped { run, .. } => (run, message),
        Latch::MayBeMoving { run, .. } => (Some(run), message),
        Latch::Clear { .. } => (None, message),
    };
    let at_utc = format!("{:.3}", UtcTime::now().timestamp());
    Latch::Tripped { at_utc, run, reason: TripReason::MakeSafeFailed.word().to_owned(), message }
}

/// Takes a lock that a daemon has for its whole life.
fn lock(path: &Path) -> Result<File, NotStarted> {
    let failed = |e: io::Error| match e.kind() {
        io::ErrorKind::WouldBlock => NotStarted::Locked(path.parent().unwrap_or(path).to_owned()),
        _ => NotStarted::Disk(path.to_owned(), e),
    };
    if let Some(folder) = path.parent() {
        Disk.create_dir(folder).map_err(failed)?;
    }
    files::own(path).map_err(failed)
}
