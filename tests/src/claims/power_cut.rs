//! The power is cut after every call that changes the disk, and whatever was not synced is lost, torn or kept.
//!
//! What was reported as stored has to be found again: the entries of the journal as they were, with the waveforms that they
//! name; and while something may move, the latch must say so. POSIX promises no more than [`crate::volatile`] keeps.

use crate::Figure;
use crate::program::root;
use crate::volatile::{Cut, Volatile};
use anyhow::{Context, Result, anyhow, ensure};
use calibration::interlock::Trip;
use calibration::sequence::{Cable, FirstMotion, Pause, PointEnd, QuietRecord, RatioTone, Recent, Setup};
use calwright::files::{Disk, Files, Volume};
use calwright::hash::sha256;
use calwright::load;
use calwright::record::journal::{Journal, What};
use calwright::record::result::Software;
use calwright::record::{RunDirectory, RunRecord};
use calwright::station::latch::{Latch, LatchFile};
use calwright::station::{self, Authority, Mission, RunStore};
use calwright::wiring::Simulated;
use jiff::Timestamp;
use plan_schema::faults::Faults;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Cuts after which something that was reported as stored is missing, over a run that ends well and one that trips.
///
/// # Errors
/// Where a run does not go as it must.
pub fn figure(full: bool) -> Result<Figure> {
    let cases: &[(&str, Option<&str>)] = if full {
        &[
            ("low-frequency", None),
            ("portable", None),
            ("common-practice", None),
            ("common-practice", Some("emergency-stop")),
            ("low-frequency", Some("emergency-stop")),
        ]
    } else {
        &[("common-practice", None), ("common-practice", Some("emergency-stop"))]
    };
    let (mut cuts, mut missing) = (0, Vec::new());
    for (job, faults) in cases {
        let kept = Kept::of(job, *faults, |disk| Arc::new(disk))?;
        cuts += kept.look(&mut missing)?;
    }
    let shown = missing.iter().take(5).map(|m| format!("\n  {m}")).collect::<String>();
    Ok(Figure {
        what: "power cuts after which something reported as stored is missing".to_owned(),
        value: missing.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{cuts} cuts: after each call that changes the disk, in {} ways{shown}",
            Cut::ALL.len()
        ),
        seeds: vec![1],
    })
}

/// What was promised by the number of calls so far.
#[derive(Debug, Clone, Copy)]
enum Promise {
    /// So many lines of the journal are durable.
    Lines(usize),
    /// The latch is durable and says that something may be moving.
    MayMove,
}

type Promises = Arc<Mutex<Vec<(usize, Promise)>>>;

/// A run on a disk that forgets.
struct Kept {
    name: String,
    directory: PathBuf,
    latch: LatchFile,
    start: Volatile,
    disk: Volatile,
    promises: Vec<(usize, Promise)>,
    _folder: tempfile::TempDir,
}

impl Kept {
    /// `files` is what the run writes through to the disk.
    fn of(job: &str, faults: Option<&str>, files: impl FnOnce(Volatile) -> Arc<dyn Files>) -> Result<Self> {
        let path = root().join(format!("examples/{job}.toml"));
        let job_loaded = load::job(&path).map_err(|e| anyhow!("{e}"))?.job;
        let faults_read = match faults {
            Some(name) => load::faults(&root().join(format!("examples/faults/{name}.toml")), &job_loaded)
                .map_err(|e| anyhow!("{e}"))?,
            None => Faults { format: job_loaded.plan.format, faults: Vec::new() },
        };
        let setup = Setup::new(job_loaded);
        let folder = tempfile::tempdir()?;
        let at = folder.path();
        let (start, disk) = (Volatile::with_directory(at), Volatile::with_directory(at));
        let directory = at.join("runs").join("one");
        let latch = LatchFile::of(&at.join("state"), &setup.job.rig.name, true);
        // The lock is no record and lies on a real disk.
        Disk.create_dir(latch.directory())?;
        let promises = carry_out(&setup, &faults_read, &directory, &latch, (&disk, files(disk.clone())))?;
        let name = format!("{job}, {}", faults.unwrap_or("no fault"));
        Ok(Self { name, directory, latch, start, disk, promises, _folder: folder })
    }

    /// Cuts the power everywhere; notes what is missing, and says how many cuts there were.
    fn look(&self, missing: &mut Vec<String>) -> Result<usize> {
        let whole = journal(&self.disk, &self.directory).context("the whole journal")?;
        ensure!(whole.entries.len() > 4, "{}: hardly anything was recorded", self.name);
        let waveforms = self.waveforms(&whole)?;
        let mut cuts = 0;
        let mut clear = false;
        self.disk.cut_everywhere(&self.start, |done, cut, found| {
            cuts += 1;
            let live = self.latch_of(found);
            clear |= cut == Cut::Kept && matches!(live, Some(Latch::Clear { .. } | Latch::Tripped { .. }));
            let so_far = self.promises.iter().filter(|(calls, _)| *calls <= done);
            for (_, promise) in so_far {
                let kept = match promise {
                    Promise::Lines(lines) => self.lines_are_there(found, &whole, *lines, &waveforms),
                    Promise::MayMove => self.latch_says_so(live.as_ref(), clear, done),
                };
                if let Err(error) = kept {
                    missing.push(format!("{}, {cut:?} after call {done}: {error}", self.name));
                    break;
                }
            }
            Ok::<(), anyhow::Error>(())
        })?;
        Ok(cuts)
    }

    /// The waveforms that the whole journal names, each the one that its name says.
    fn waveforms(&self, whole: &Journal) -> Result<BTreeMap<String, Vec<u8>>> {
        let named = whole.entries.iter().filter_map(|e| raw_of(&e.what));
        named
            .map(|hash| {
                let bytes = self.disk.load(&self.directory.join("raw").join(format!("{hash}.parquet")))?;
                ensure!(sha256(&bytes) == hash, "waveforms {hash} are not what they are called");
                Ok((hash.to_owned(), bytes))
            })
            .collect()
    }

    fn latch_of(&self, found: &Volatile) -> Option<Latch> {
        serde_json::from_slice(&found.load(&self.latch.path()).ok()?).ok()
    }

    /// Once it was reported, the latch is never missing; and it is clear only after the run rewrote it.
    fn latch_says_so(&self, latch: Option<&Latch>, rewritten: bool, done: usize) -> Result<()> {
        match latch {
            Some(Latch::MayBeMoving { .. } | Latch::Tripped { .. }) => Ok(()),
            Some(Latch::Clear { .. }) if rewritten || done + 1 >= self.disk.calls() => Ok(()),
            other => Err(anyhow!("the latch says {other:?}")),
        }
    }

    fn lines_are_there(
        &self,
        found: &Volatile,
        whole: &Journal,
        lines: usize,
        waveforms: &BTreeMap<String, Vec<u8>>,
    ) -> Result<()> {
        let back = journal(found, &self.directory)?;
        ensure!(
            back.entries.get(..lines).is_some_and(|read| Some(read) == whole.entries.get(..lines)),
            "of {lines} entries {} are left",
            back.entries.len()
        );
        for hash in back.entries.iter().take(lines).filter_map(|e| raw_of(&e.what)) {
            let path = self.directory.join("raw").join(format!("{hash}.parquet"));
            let bytes = found.load(&path).with_context(|| format!("waveforms {hash}"))?;
            ensure!(waveforms.get(hash) == Some(&bytes), "waveforms {hash} are others");
        }
        Ok(())
    }
}

fn journal(disk: &Volatile, directory: &Path) -> Result<Journal> {
    let bytes = disk.load(&directory.join("journal.jsonl")).context("there is no journal")?;
    Journal::read(&bytes).map_err(|e| anyhow!("{e}"))
}

fn raw_of(what: &What) -> Option<&str> {
    match what {
        What::Quiet(entry) => Some(&entry.raw_sha256),
        What::FirstMotion(entry) => Some(&entry.raw_sha256),
        What::Point(entry) => Some(&entry.raw_sha256),
        What::Trip(entry) => Some(&entry.raw_sha256),
        What::RatioTone(entry) => Some(&entry.raw_sha256),
        What::Confirmed(_)
        | What::Started(_)
        | What::Unreached(_)
        | What::TakenOver(_)
        | What::Paused(_)
        | What::WentOn(_)
        | What::Finished(_) => None,
    }
}

fn carry_out(
    setup: &Setup,
    faults: &Faults,
    directory: &Path,
    latch: &LatchFile,
    (disk, files): (&Volatile, Arc<dyn Files>),
) -> Result<Vec<(usize, Promise)>> {
    let job = &setup.job;
    let simulated = Simulated::new(job, 1, faults).map_err(|e| anyhow!("{e}"))?;
    let software = Software { version: "power cut".to_owned(), hash: None, validated: false };
    let record = RunRecord::of(job, "one", Some(1), "2000-01-01T00:00:00Z".parse()?, software);
    let store = RunDirectory::create(directory, files.clone(), &record, job, None)?;
    let promises = Promises::default();
    let noting =
        Noting { store, disk: disk.clone(), directory: directory.to_owned(), promises: promises.clone() };
    let mission = Mission {
        run: "one".to_owned(),
        registry: simulated.registry(job),
        clock: simulated.clock(record.started),
        files,
        latch: latch.clone(),
        authority: Authority::DryRun,
        observers: vec![simulated.observer()],
        setup: setup.clone(),
    };
    let may_move = (promises.clone(), disk.clone());
    station::run(mission, noting, move |_| promise(&may_move.0, &may_move.1, Promise::MayMove))
        .map_err(|e| anyhow!("{e}"))?;
    let made = promises.lock().unwrap_or_else(PoisonError::into_inner).clone();
    Ok(made)
}

fn promise(promises: &Promises, disk: &Volatile, what: Promise) {
    promises.lock().unwrap_or_else(PoisonError::into_inner).push((disk.calls(), what));
}

/// A run directory whose receipts are noted.
struct Noting {
    store: RunDirectory,
    disk: Volatile,
    directory: PathBuf,
    promises: Promises,
}

impl Noting {
    fn note(&self, done: io::Result<()>) -> io::Result<()> {
        done?;
        let read = journal(&self.disk, &self.directory).map_err(io::Error::other)?;
        promise(&self.promises, &self.disk, Promise::Lines(read.entries.len()));
        Ok(())
    }
}

impl RunStore for Noting {
    fn quiet(&mut self, at: Timestamp, record: QuietRecord) -> io::Result<()> {
        let done = self.store.quiet(at, record);
        self.note(done)
    }

    fn first_motion(&mut self, at: Timestamp, motion: FirstMotion) -> io::Result<()> {
        let done = self.store.first_motion(at, motion);
        self.note(done)
    }

    fn point(&mut self, at: Timestamp, end: PointEnd) -> io::Result<()> {
        let done = self.store.point(at, end);
        self.note(done)
    }

    fn ratio_tone(&mut self, at: Timestamp, tone: RatioTone) -> io::Result<()> {
        let done = self.store.ratio_tone(at, tone);
        self.note(done)
    }

    fn confirmed(&mut self, at: Timestamp, cable: Cable, name: &str) -> io::Result<()> {
        let done = self.store.confirmed(at, cable, name);
        self.note(done)
    }

    fn pause(&mut self, at: Timestamp, pause: &Pause) -> io::Result<()> {
        let done = self.store.pause(at, pause);
        self.note(done)
    }

    fn trip(&mut self, at: Timestamp, trip: &Trip, recent: &Recent) -> io::Result<()> {
        let done = self.store.trip(at, trip, recent);
        self.note(done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a program does that believes a file to be safe when it was written.
    struct Careless(Volatile);

    impl Volume for Careless {
        fn create(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
            self.0.create(path, bytes)
        }
        fn extend(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
            self.0.extend(path, bytes)
        }
        fn sync(&self, _path: &Path) -> io::Result<()> {
            Ok(())
        }
        fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
            self.0.rename(from, to)
        }
        fn remove(&self, path: &Path) -> io::Result<()> {
            self.0.remove(path)
        }
        fn make_directory(&self, path: &Path) -> io::Result<()> {
            self.0.make_directory(path)
        }
        fn sync_directory(&self, path: &Path) -> io::Result<()> {
            self.0.sync_directory(path)
        }
        fn exists(&self, path: &Path) -> bool {
            self.0.exists(path)
        }
        fn load(&self, path: &Path) -> io::Result<Vec<u8>> {
            self.0.load(path)
        }
    }

    #[test]
    fn a_disk_that_is_never_synced_is_found_out() {
        let kept = Kept::of("common-practice", None, |disk| Arc::new(Careless(disk))).unwrap();
        let mut missing = Vec::new();
        let cuts = kept.look(&mut missing).unwrap();
        assert!(missing.len() * 4 > cuts, "{} of {cuts}", missing.len());
    }
}
