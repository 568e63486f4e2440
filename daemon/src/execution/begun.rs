//! From a job that is ready to one whose run directory is there; then the run itself.
//!
//! Owns which registry, clock, latch and leave belong to a simulated rig and which to a real one.
//! Invariant: a run that is refused leaves no directory behind.

use super::done::{Done, NotDone, conclude};
use super::software;
use crate::files::{Disk, Files};
use crate::record::earlier::earlier;
use crate::record::{RunDirectory, RunRecord, UtcTime};
use crate::settings::Settings;
use crate::station::clock::RealClock;
use crate::station::latch::LatchFile;
use crate::station::leave::Leave;
use crate::station::leave_file::leave_for;
use crate::station::{self, Authority, Clock, Mission, Observer, Start, StationError};
use crate::wiring::{self, Simulated};
use calibration::sequence::Setup;
use drivers::Registry;
use plan_schema::faults::Faults;
use std::fmt;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;

/// What is to be carried out.
#[derive(Debug, Clone)]
pub struct Order {
    /// The job, prepared and found feasible.
    pub setup: Setup,
    /// Name of the run.
    pub run: String,
    /// The wall time at which it begins, as records state it.
    pub started: UtcTime,
    /// The run directory; nothing may lie there yet.
    pub directory: PathBuf,
    /// On which rig.
    pub on: On,
    /// The folder of an earlier run of the same job, to go on with what is complete of it.
    pub continues: Option<PathBuf>,
}

/// On which rig a job is carried out.
#[derive(Debug, Clone)]
pub enum On {
    /// The simulated one, whatever drivers the rig file names.
    Simulated {
        /// Seed of everything that is drawn by chance.
        seed: u64,
        /// Faults that strike.
        faults: Faults,
    },
    /// The real one, under the leave that a person gave.
    Real,
}

/// Why nothing was begun.
#[derive(Debug)]
pub enum NotBegun {
    /// The station does not let a run begin.
    Station(StationError),
    /// The rig can't be simulated so.
    Simulator(String),
    /// The path of this program, which hosts the drivers, is not known.
    Program(io::Error),
    /// The run directory can't be made.
    Directory(io::Error),
    /// The earlier run can't be gone on with.
    Earlier(String),
}

impl fmt::Display for NotBegun {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Station(error) => error.fmt(f),
            Self::Simulator(error) => f.write_str(error),
            Self::Program(error) => write!(f, "the path of this program is not known: {error}"),
            Self::Earlier(why) => f.write_str(why),
            Self::Directory(error) => write!(f, "the run directory can't be made: {error}"),
        }
    }
}

impl std::error::Error for NotBegun {}

/// A run whose directory is there and that has not moved yet.
pub struct Begun {
    pub(super) setup: Setup,
    pub(super) record: RunRecord,
    pub(super) bench: Bench,
    store: RunDirectory,
    latch: LatchFile,
}

/// What it runs on.
pub(super) enum Bench {
    Simulated(Simulated),
    Real { registry: Registry, clock: Arc<dyn Clock>, leave: Box<Leave> },
}

impl Begun {
    /// Asks latch and leave, and makes the run directory.
    ///
    /// # Errors
    /// See [`NotBegun`].
    pub fn new(settings: &Settings, order: Order) -> Result<Self, NotBegun> {
        let Order { mut setup, run, started, directory, on, continues } = order;
        let job = &setup.job;
        let simulated = matches!(on, On::Simulated { .. });
        let latch = LatchFile::of(&settings.state_dir(), &job.rig.name, simulated);
        let now = started.timestamp();
        station::may_begin(&latch, &Disk, &job.rig.name, now).map_err(NotBegun::Station)?;
        let (bench, seed) = match on {
            On::Simulated { seed, faults } => {
                let rig = Simulated::new(job, seed, &faults)
                    .map_err(|error| NotBegun::Simulator(error.to_string()))?;
                (Bench::Simulated(rig), Some(seed))
            }
            On::Real => {
                let said = latch.read(&Disk, now);
                let leave = leave_for(&latch, &Disk, job, &said, started).map_err(NotBegun::Station)?;
                let registry = wiring::real(&job.rig, settings).map_err(NotBegun::Program)?;
                let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
                (Bench::Real { registry, clock, leave: Box::new(leave) }, None)
            }
        };
        let record = RunRecord::of(job, &run, seed, started, software(&settings.state_dir()));
        let leave = match &bench {
            Bench::Simulated(_) => None,
            Bench::Real { leave, .. } => Some(leave.as_ref()),
        };
        let earlier = match &continues {
            Some(from) => earlier(from, &Disk, &setup, &record).map_err(NotBegun::Earlier)?,
            None => None,
        };
        let mut store = RunDirectory::create(&directory, Arc::new(Disk), &record, job, leave)
            .map_err(NotBegun::Directory)?;
        if let (Some(earlier), Some(from)) = (earlier, &continues) {
            store.take_over(started, from, &earlier).map_err(NotBegun::Directory)?;
            setup.resumed = Some(Box::new(earlier.resumed));
        }
        Ok(Self { setup, record, bench, store, latch })
    }

    /// Name of the run.
    #[must_use]
    pub fn run(&self) -> &str {
        &self.record.run
    }

    /// The job, prepared.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Runs to the end and derives results and certificates; `started` is given the line by which a person reaches the run.
    ///
    /// # Errors
    /// See [`NotDone`].
    pub fn carry_out(
        self,
        settings: &Settings,
        certificates: bool,
        mut observers: Vec<Box<dyn Observer>>,
        started: impl FnOnce(Start),
    ) -> Result<Done, NotDone> {
        let Self { setup, record, bench, store, latch } = self;
        let files: Arc<dyn Files> = Arc::new(Disk);
        let (registry, clock, authority) = match &bench {
            Bench::Simulated(rig) => {
                observers.insert(0, rig.observer());
                (rig.registry(&setup.job), rig.clock(record.started), Authority::DryRun)
            }
            Bench::Real { registry, clock, leave } => {
                (registry.clone(), clock.clone(), Authority::Leave(leave.clone()))
            }
        };
        let run = record.run.clone();
        let mission =
            Mission { setup: setup.clone(), run, registry, clock, files, latch, authority, observers };
        let (report, store) = station::run(mission, store, started).map_err(NotDone::Station)?;
        conclude(settings, certificates, (setup, record, bench), report, store)
    }
}
