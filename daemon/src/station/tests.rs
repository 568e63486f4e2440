//! The station on the simulated rig: what is durable when, and what happens if disk or program fail.

use super::latch::{Latch, LatchFile};
use super::{Authority, Mission, Observer, Report, StationError, run};
use crate::files::{Disk, Files};
use crate::load;
use crate::record::result::Software;
use crate::record::{RunDirectory, RunRecord};
use crate::wiring::Simulated;
use calibration::sequence::{Event, Outcome, Setup};
use drivers::Registry;
use plan_schema::faults::Faults;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::Mono;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

mod leave;
mod lost;
mod power;
mod scripted;

/// A disk that notes what is done to it, and fails from some write on.
struct Noting {
    log: Mutex<Vec<String>>,
    fails_at: Option<usize>,
}

impl Noting {
    fn new(fails_at: Option<usize>) -> Arc<Self> {
        Arc::new(Self { log: Mutex::default(), fails_at })
    }

    fn note(&self, op: &str, path: &Path) -> io::Result<()> {
        let mut log = self.log.lock().unwrap();
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let kind = if name.ends_with(".parquet") { "waveforms".to_owned() } else { name.into_owned() };
        log.push(format!("{op} {kind}"));
        match self.fails_at {
            // The latch is on the same disk here, but must not be what fails.
            Some(at) if log.len() > at && !name_is_latch(path) => Err(io::Error::other("no space left")),
            _ => Ok(()),
        }
    }
}

fn name_is_latch(path: &Path) -> bool {
    path.file_name().is_some_and(|n| n == "latch.json")
}

impl Files for Noting {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.note("write", path)?;
        Disk.write(path, bytes)
    }
    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.note("append", path)?;
        Disk.append(path, bytes)
    }
    fn create_dir(&self, path: &Path) -> io::Result<()> {
        Disk.create_dir(path)
    }
    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        Disk.read(path)
    }
}

struct Panics;

impl Observer for Panics {
    fn event(&mut self, _now: Mono, event: &Event) {
        assert!(!matches!(event, Event::DwellBegins { .. }), "a mistake in the program");
    }
}

struct Bench {
    dir: tempfile::TempDir,
    simulated: Simulated,
    latch: LatchFile,
}

type Ended = Result<(Report, RunDirectory), StationError>;

/// Runs the portable example; the run directory is in the bench's folder.
fn execute(files: Arc<dyn Files>, observer: Option<Box<dyn Observer>>) -> (Bench, Ended) {
    execute_on(files, observer, &|_| (), |_, simulated| simulated)
}

/// The same with a change of the job, and another registry in place of the simulated one.
fn execute_on(
    files: Arc<dyn Files>,
    observer: Option<Box<dyn Observer>>,
    change: &dyn Fn(&mut ResolvedJob),
    registry: impl FnOnce(&ResolvedJob, Registry) -> Registry,
) -> (Bench, Ended) {
    let dir = tempfile::tempdir().unwrap();
    let setup = setup(change);
    let faults = Faults { format: setup.job.plan.format, faults: Vec::new() };
    let simulated = Simulated::new(&setup.job, 1, &faults).unwrap();
    let latch = LatchFile::of(dir.path(), &setup.job.rig.name, true);
    let registry = registry(&setup.job, simulated.registry(&setup.job));
    let observers = std::iter::once(simulated.observer()).chain(observer).collect();
    let mission = mission(setup, &simulated, registry, files.clone(), latch.clone(), observers);
    let ended = run_in(&dir.path().join("run"), mission);
    simulated.run_out();
    (Bench { dir, simulated, latch }, ended)
}

fn setup(change: &dyn Fn(&mut ResolvedJob)) -> Setup {
    let example = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../examples/portable.toml");
    let mut job = load::job(&example).unwrap().job;
    change(&mut job);
    Setup::new(job)
}

fn mission(
    setup: Setup,
    simulated: &Simulated,
    registry: Registry,
    files: Arc<dyn Files>,
    latch: LatchFile,
    observers: Vec<Box<dyn Observer>>,
) -> Mission {
    let started = "2000-01-01T00:00:00Z".parse().unwrap();
    let clock = simulated.clock(started);
    Mission {
        run: "test".into(),
        registry,
        clock,
        files,
        latch,
        authority: Authority::DryRun,
        observers,
        setup,
    }
}

fn run_in(directory: &Path, mission: Mission) -> Ended {
    let software = Software { version: "test".into(), hash: None, validated: false };
    let started = "2000-01-01T00:00:00Z".parse().unwrap();
    let record = RunRecord::of(&mission.setup.job, "test", Some(1), started, software);
    let leave = match &mission.authority {
        Authority::DryRun => None,
        Authority::Leave(leave) => Some(leave.as_ref()),
    };
    RunDirectory::create(directory, mission.files.clone(), &record, &mission.setup.job, leave)
        .map_err(StationError::Disk)
        .and_then(|store| run(mission, store, |_| ()))
}

#[test]
fn waveforms_are_on_the_disk_before_the_entry_that_names_them_and_the_latch_before_motion() {
    let files = Noting::new(None);
    let (bench, ended) = execute(files.clone(), None);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Done);
    assert!(bench.simulated.is_at_rest());
    let log = files.log.lock().unwrap();
    insta::assert_snapshot!(log.join("\n"));
}

/// Wherever the disk fails, the run ends at rest, is no trip, and what was written before can be derived again.
#[test]
fn a_disk_that_fails_ends_the_run_at_rest_and_loses_nothing() {
    for at in [3, 4, 7, 10] {
        let (bench, ended) = execute(Noting::new(Some(at)), None);
        let (report, store) = ended.map_err(|e| e.to_string()).unwrap();
        assert_eq!(report.outcome, Outcome::Failed, "write {at}");
        assert!(report.store_failed && report.trip.is_none());
        assert!(bench.simulated.is_at_rest());
        let again = crate::recompute::recompute(&bench.dir.path().join("run"), &Disk).unwrap();
        let kept = store.facts.ends.len();
        assert_eq!(again.dwells, kept, "write {at}");
        assert!(matches!(
            bench.latch.read(&Disk, "2000-01-01T00:00:00Z".parse().unwrap()),
            Latch::Clear { .. }
        ));
    }
}

/// A disk that takes half of what it is given for so many writes, once records come, and then has room again.
struct FullForAWhile {
    after: usize,
    refuses: usize,
    seen: Mutex<usize>,
}

impl FullForAWhile {
    fn has_room(&self, path: &Path) -> bool {
        if name_is_latch(path) {
            return true;
        }
        let mut seen = self.seen.lock().unwrap();
        *seen += 1;
        *seen <= self.after || *seen > self.after + self.refuses
    }
}

impl Files for FullForAWhile {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        if self.has_room(path) { Disk.write(path, bytes) } else { Err(io::Error::other("no space left")) }
    }
    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        if self.has_room(path) {
            return Disk.append(path, bytes);
        }
        Disk.append(path, &bytes[..bytes.len() / 2])?;
        Err(io::Error::other("no space left"))
    }
    fn create_dir(&self, path: &Path) -> io::Result<()> {
        Disk.create_dir(path)
    }
    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        Disk.read(path)
    }
}

/// Wherever the disk is full for a moment, half a line in the journal included, the run goes on and its records are whole.
#[test]
fn a_disk_that_has_room_again_costs_a_pause_only() {
    let whole = execute(Arc::new(Disk), None).1.map_err(|e| e.to_string()).unwrap().1.facts.ends.len();
    for after in [2, 3, 5, 8] {
        let files = FullForAWhile { after, refuses: 2, seen: Mutex::default() };
        let (bench, ended) = execute(Arc::new(files), None);
        let (report, store) = ended.map_err(|e| e.to_string()).unwrap();
        assert_eq!(report.outcome, Outcome::Done, "write {after}: {:?}", report.failures);
        assert!(!report.store_failed);
        assert!(bench.simulated.is_at_rest());
        assert_eq!(store.facts.ends.len(), whole);
        let again = crate::recompute::recompute(&bench.dir.path().join("run"), &Disk).unwrap();
        assert_eq!(again.dwells, whole, "write {after}");
    }
}

#[test]
fn a_panic_makes_safe_and_latches() {
    let (bench, ended) = execute(Arc::new(Disk), Some(Box::new(Panics)));
    assert!(matches!(ended, Err(StationError::Program(_))));
    assert!(bench.simulated.is_at_rest());
    let Latch::Tripped { reason, .. } = bench.latch.read(&Disk, "2000-01-01T00:00:00Z".parse().unwrap())
    else {
        panic!("not latched");
    };
    assert_eq!(reason, "program_error");
}
