//! A laboratory with a rig that is real as far as the program can tell, its instruments simulated.
//!
//! Owns: runs under leave on it, through the station, and the commands of the real program around them.

use super::watch::{Hears, Seen, Watch};
use crate::bench::Bench;
use anyhow::{Context, Result, ensure};
use calibration::interlock::Trip;
use calibration::sequence::{
    Cable, Event, FirstMotion, Operator, Outcome, Pause, PointEnd, QuietRecord, RatioTone, Recent, Setup,
};
use calwright::files::Disk;
use calwright::load;
use calwright::record::UtcTime;
use calwright::station::clock::SimulatedClock;
use calwright::station::latch::{Latch, LatchFile};
use calwright::station::leave::Leave;
use calwright::station::leave_file::leave_for;
use calwright::station::{Authority, Clock, Mission, Observer, RunStore, Start, StationError, run};
use drivers::Registry;
use jiff::Timestamp;
use plan_schema::faults::Faults;
use plan_schema::read::Document;
use plan_schema::units::{Mono, Seconds};
use sim::SimulatedRig;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

const RIG_FILE: &str = "examples/rigs/portable.toml";
const JOB: &str = "examples/portable.toml";
pub(super) const RIG: &str = "portable";

/// Points from this frequency on are run: quick ones.
const FROM_HZ: f64 = 30.0;

/// The laboratory.
pub(super) struct Laboratory {
    pub(super) bench: Bench,
    seed: u64,
}

/// What happens in a run.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum During {
    /// Nothing.
    Nothing,
    /// A person says stop or Ctrl-C, once so many blocks were worked on.
    Said(Operator, usize),
    /// `calwright stop` from another terminal, after so many blocks.
    Stop(usize),
    /// A fault, as `faults.toml` writes it.
    Fault(String),
    /// The program fails after so many blocks.
    Panic(usize),
}

/// How a run ended.
pub(super) struct Ended {
    pub(super) how: Result<Outcome, StationError>,
    pub(super) seen: Seen,
}

impl Laboratory {
    pub(super) fn new(seed: u64) -> Result<Self> {
        let bench = Bench::new()?;
        let text = std::fs::read_to_string(bench.path(RIG_FILE))?;
        let guard = "\n[[permissive]]\nname = \"guard door\"\ninput = 0\nstate = \"closed\"\nwhen = \"always\"\nguard = true\n";
        let real = text.replacen(
            "driver = \"simulated\"",
            "driver = \"plug-in\"\nsettings = { program = \"generator.py\" }",
            1,
        ) + guard;
        std::fs::write(bench.path(RIG_FILE), real)?;
        Ok(Self { bench, seed })
    }

    /// The one that is there already.
    pub(super) fn at(folder: &Path, seed: u64) -> Self {
        Self { bench: Bench::at(folder), seed }
    }

    pub(super) fn place(&self) -> LatchFile {
        LatchFile::of(&self.bench.path("state/calwright"), RIG, false)
    }

    /// The latch as the next start reads it.
    pub(super) fn latch(&self) -> Latch {
        self.place().read(&Disk, UtcTime::now().timestamp())
    }

    /// Runs the program; its exit status.
    pub(super) fn command(&self, arguments: &[&str]) -> Result<i32> {
        self.bench.run(arguments)?.status.context("the program was ended by a signal")
    }

    pub(super) fn arm(&self, hours: f64) -> Result<i32> {
        let hours = format!("{hours:.6}");
        self.command(&["arm", RIG_FILE, "--name", "A. Person", "--all-confirmed", "--hours", &hours])
    }

    pub(super) fn acknowledge(&self, name: &str, reason: &str) -> Result<i32> {
        self.command(&["acknowledge", RIG, "--name", name, "--reason", reason])
    }

    pub(super) fn say_stop(&self) -> Result<i32> {
        self.command(&["stop", RIG])
    }

    /// Another drive limit in the rig file; and back.
    pub(super) fn edit_the_rig(&self) -> Result<()> {
        let path = self.bench.path(RIG_FILE);
        let text = std::fs::read_to_string(&path)?;
        let (old, new) = if text.contains("\"2.4 V pk\"") { ("2.4", "2.3") } else { ("2.3", "2.4") };
        let edited = text.replacen(&format!("\"{old} V pk\""), &format!("\"{new} V pk\""), 1);
        ensure!(edited != text, "the rig file has no drive limit to edit");
        std::fs::write(path, edited).context("the rig file can't be written")
    }

    pub(super) fn setup(&self) -> Result<Setup> {
        let mut job = load::job(&self.bench.path(JOB)).map_err(|e| anyhow::anyhow!("{e}"))?.job;
        job.points.retain(|p| p.frequency.si() > FROM_HZ);
        Ok(Setup::new(job))
    }

    /// The leave that stands now, if one does.
    pub(super) fn leave(&self) -> Result<Option<Leave>> {
        let job = self.setup()?.job;
        Ok(leave_for(&self.place(), &Disk, &job, &self.latch(), UtcTime::now()).ok())
    }

    /// A run under a leave, or in its place as if it were a dry run, which asks nobody: the checker has to notice that.
    pub(super) fn run(
        &mut self,
        authority: Authority,
        during: &During,
        tells: impl Fn(f64) + Send + Sync + 'static,
    ) -> Result<Ended> {
        self.seed += 1;
        let setup = self.setup()?;
        let written = if let During::Fault(text) = during { text.as_str() } else { "" };
        let faults = Document::<Faults>::read("faults", &format!("format = 1\n{written}"));
        let faults = faults.map_err(|e| anyhow::anyhow!("{e}"))?.value;
        let rig = SimulatedRig::new(&setup.job, self.seed, &faults)?;
        let clock: Arc<dyn Clock> = {
            let rig = rig.clone();
            Arc::new(SimulatedClock::new(move || rig.now(), UtcTime::now().timestamp()))
        };
        let mut simulated = Registry::default();
        setup.job.rig.instruments.iter().for_each(|i| simulated.add(rig.factory(&i.driver)));
        let times = times(&setup);
        let watch = Watch::new(&rig, &self.place(), &setup.job, clock.clone(), times, tells);
        let start: Arc<Mutex<Option<Start>>> = Arc::default();
        let acts = Acts { during: during.clone(), blocks: 0, start: start.clone(), place: self.place() };
        let progress =
            Progress { rig: rig.clone(), points: setup.job.points.iter().map(|p| p.frequency).collect() };
        let mission = Mission {
            run: format!("run-{}", self.seed),
            registry: watch.registry(&setup.job, &simulated)?,
            clock,
            files: Arc::new(Disk),
            latch: self.place(),
            authority,
            observers: vec![Box::new(Hears(watch.clone())), Box::new(progress), Box::new(acts)],
            setup,
        };
        let ended = run(mission, Nowhere, |line| {
            if let Ok(mut start) = start.lock() {
                *start = Some(line);
            }
        });
        rig.run_out(Seconds::new(1.0));
        let truth = rig.truth();
        let mut seen = watch.seen();
        if truth.final_drive.si() > 0.0 || !truth.muted {
            seen.wrong
                .push(format!("{} V were left on after the run, muted {}", truth.final_drive, truth.muted));
        }
        Ok(Ended { how: ended.map(|(report, _)| report.outcome), seen })
    }
}

/// What making safe may take on this rig, from the trip on; and the way down in good order.
fn times(setup: &Setup) -> (Seconds, Seconds) {
    let rig = &setup.job.rig;
    let (source, block) = (&rig.simulation.source, rig.acquisition.block);
    // A stop comes in between two blocks, and the latch is looked at after one.
    let safe = source.latency + source.ramp + block * 2.0;
    let slowest = setup.job.points.iter().map(|p| setup.plant.transition(p.frequency));
    let down = slowest.fold(Seconds::ZERO, Seconds::max) + source.latency + rig.timing.poll_interval;
    (safe, down)
}

/// Does in a run what is to happen.
struct Acts {
    during: During,
    blocks: usize,
    start: Arc<Mutex<Option<Start>>>,
    place: LatchFile,
}

impl Observer for Acts {
    fn event(&mut self, _now: Mono, _event: &Event) {}

    fn block(&mut self, _now: Mono, _length: Seconds) {
        self.blocks += 1;
        match self.during {
            During::Said(what, at) if at == self.blocks => {
                if let Ok(Some(start)) = self.start.lock().as_deref() {
                    start.tell(what);
                }
            }
            During::Stop(at) if at == self.blocks => {
                let directory = self.place.directory().to_owned();
                std::thread::spawn(move || {
                    calwright::station::line::stop(&directory, std::time::Duration::from_secs(60)).is_ok()
                });
            }
            During::Panic(at) if at == self.blocks => {
                // As a panic, and nothing is printed.
                std::panic::resume_unwind(Box::new("a mistake in the program"));
            }
            _ => {}
        }
    }
}

/// Tells the simulator where the run is, for faults within a point.
struct Progress {
    rig: SimulatedRig,
    points: Vec<plan_schema::units::Hertz>,
}

impl Observer for Progress {
    fn event(&mut self, _now: Mono, event: &Event) {
        use plan_schema::faults::PointPhase;
        let (point, phase) = match event {
            Event::PointBegins(point) => (*point, PointPhase::Settle),
            Event::DwellBegins { point, .. } => (*point, PointPhase::Dwell),
            _ => return,
        };
        if let Some(frequency) = self.points.get(point) {
            self.rig.progress(point + 1, phase, *frequency);
        }
    }
}

/// Records are not what is looked at here.
struct Nowhere;

impl RunStore for Nowhere {
    fn quiet(&mut self, _at: Timestamp, _record: QuietRecord) -> io::Result<()> {
        Ok(())
    }
    fn first_motion(&mut self, _at: Timestamp, _motion: FirstMotion) -> io::Result<()> {
        Ok(())
    }
    fn point(&mut self, _at: Timestamp, _end: PointEnd) -> io::Result<()> {
        Ok(())
    }
    fn ratio_tone(&mut self, _at: Timestamp, _tone: RatioTone) -> io::Result<()> {
        Ok(())
    }
    fn confirmed(&mut self, _at: Timestamp, _cable: Cable, _name: &str) -> io::Result<()> {
        Ok(())
    }
    fn pause(&mut self, _at: Timestamp, _pause: &Pause) -> io::Result<()> {
        Ok(())
    }
    fn trip(&mut self, _at: Timestamp, _trip: &Trip, _recent: &Recent) -> io::Result<()> {
        Ok(())
    }
}
