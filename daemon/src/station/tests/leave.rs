//! Leave to move around runs of a real rig: the rig file names a driver that is not simulated, its instruments are.

use super::*;
use crate::record::UtcTime;
use crate::station::latch::Acknowledgement;
use crate::station::leave::{Found, Lapse, Leave, WithdrawnBy};
use crate::station::leave_file::{Given, LeaveFile, give, leave_for};
use crate::station::line;
use plan_schema::rig::{ContactState, Needed, Permissive};
use std::time::Duration;

const START: &str = "2000-01-01T00:00:00Z";

fn time(text: &str) -> UtcTime {
    text.parse().unwrap()
}

fn real(job: &mut ResolvedJob) {
    job.rig.instruments[0].driver = "bench-generator".into();
    job.rig.permissives = vec![Permissive {
        name: "guard door".into(),
        input: 0,
        state: ContactState::Closed,
        when: Needed::Always,
        guard: true,
    }];
}

/// A laboratory with a rig that is real, as far as the program knows.
struct Laboratory {
    dir: tempfile::TempDir,
    place: LatchFile,
    runs: usize,
}

impl Laboratory {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let place = LatchFile::of(dir.path(), "portable", false);
        Self { dir, place, runs: 0 }
    }

    fn latch(&self) -> Latch {
        self.place.read(&Disk, time(START).timestamp())
    }

    fn give_until(&self, until: &str) -> Leave {
        let (_lock, latch) = self.place.claim(&Disk, time(START).timestamp()).unwrap();
        if !self.place.path().exists() {
            self.place.write(&Disk, &latch).unwrap();
        }
        let given = Given {
            name: "A. Person".into(),
            at: time(START),
            until: time(until),
            checklist: vec!["hands clear".into()],
        };
        give(&self.place, &Disk, &setup(&real).job.rig, &latch, given).map_err(|e| e.to_string()).unwrap()
    }

    fn give(&self) -> Leave {
        self.give_until("2000-01-01T08:00:00Z")
    }

    fn stored(&self) -> Leave {
        match LeaveFile::beside(&self.place).read(&Disk) {
            Found::Record(leave) => *leave,
            other => panic!("{other:?}"),
        }
    }

    /// Why there is no leave for the job; `None` if there is.
    fn lapse(&self, change: &dyn Fn(&mut ResolvedJob)) -> Option<Lapse> {
        match leave_for(&self.place, &Disk, &setup(change).job, &self.latch(), time("2000-01-01T00:10:00Z")) {
            Ok(_) => None,
            Err(StationError::NotArmed(lapse)) => Some(lapse),
            Err(other) => panic!("{other}"),
        }
    }

    fn run(&mut self, leave: Leave, faults: &str, observer: Option<Box<dyn Observer>>) -> Ended {
        self.run_on(&real, leave, faults, observer)
    }

    /// With the simulator wired after a changed rig.
    fn run_on(
        &mut self,
        wired: &dyn Fn(&mut ResolvedJob),
        leave: Leave,
        faults: &str,
        observer: Option<Box<dyn Observer>>,
    ) -> Ended {
        let (setup, wired) = (setup(&real), setup(wired));
        let faults = plan_schema::read::Document::<Faults>::read("faults", &format!("format = 1\n{faults}"));
        let simulated = Simulated::new(&wired.job, 1, &faults.unwrap().value).unwrap();
        let registry = simulated.registry(&setup.job);
        let observers = std::iter::once(simulated.observer()).chain(observer).collect();
        let authority = Authority::Leave(Box::new(leave));
        let mission = mission(setup, &simulated, registry, Arc::new(Disk), self.place.clone(), observers);
        self.runs += 1;
        let directory = self.dir.path().join(format!("run-{}", self.runs));
        let ended = run_in(&directory, Mission { authority, ..mission });
        simulated.run_out();
        assert!(simulated.is_at_rest());
        ended
    }
}

fn outcome(ended: Ended) -> (Outcome, Option<String>) {
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    (report.outcome, report.refused)
}

#[test]
fn a_run_under_leave_names_it_and_binds_it_to_what_is_mounted() {
    let mut laboratory = Laboratory::new();
    assert_eq!(laboratory.lapse(&real), Some(Lapse::NeverGiven));
    let leave = laboratory.give();
    assert_eq!(outcome(laboratory.run(leave.clone(), "", None)), (Outcome::Done, None));
    assert_eq!(laboratory.lapse(&real), None, "a clean end does not take it away");
    let journal = std::fs::read_to_string(laboratory.dir.path().join("run-1/journal.jsonl")).unwrap();
    let first: serde_json::Value = serde_json::from_str(journal.lines().next().unwrap()).unwrap();
    let kept = &first["body"]["leave"];
    assert_eq!((&kept["name"], &kept["checklist"][0]), (&"A. Person".into(), &"hands clear".into()));
    let remounted = |job: &mut ResolvedJob| {
        real(job);
        job.job.mounted[0].remark = Some("turned round".into());
    };
    assert_eq!(laboratory.lapse(&remounted), Some(Lapse::Remounted));
    let another = |job: &mut ResolvedJob| {
        real(job);
        job.rig.shaker.drive_limit = job.rig.shaker.drive_limit * 1.1;
    };
    assert_eq!(laboratory.lapse(&another), Some(Lapse::RigChanged));
    assert_eq!(laboratory.give().generation, 2);
    assert_eq!(laboratory.lapse(&remounted), None, "given anew");
}

/// Leave that was shown to the run's caller and taken away or given anew before the run had the lock.
#[test]
fn a_run_looks_at_the_leave_again_under_the_lock() {
    let mut laboratory = Laboratory::new();
    let old = laboratory.give();
    laboratory.give();
    let ended = laboratory.run(old, "", None);
    assert!(matches!(ended, Err(StationError::NotArmed(_))));
    assert!(matches!(laboratory.latch(), Latch::Clear { .. }), "nothing moved, so nothing latched");
}

/// Killed with leave given: the latch says 'may be moving'. No leave, not after the acknowledgement either.
#[test]
fn a_run_that_was_killed_ends_the_leave() {
    let laboratory = Laboratory::new();
    laboratory.give();
    let moving = Latch::MayBeMoving { at_utc: "x".into(), run: "killed".into() };
    laboratory.place.write(&Disk, &moving).unwrap();
    assert_eq!(laboratory.lapse(&real), Some(Lapse::CutOff));
    let acknowledged = Acknowledgement {
        at_utc: "2000-01-01T00:05:00Z".into(),
        name: "A. Person".into(),
        reason: "looked".into(),
        trip: "restart_while_moving".into(),
    };
    let clear = Latch::Clear { at_utc: "2000-01-01T00:05:00Z".into(), acknowledged: Some(acknowledged) };
    laboratory.place.write(&Disk, &clear).unwrap();
    assert_eq!(laboratory.lapse(&real), Some(Lapse::TrippedSince));
    laboratory.give();
    assert_eq!(laboratory.lapse(&real), None);
}

#[test]
fn a_guard_that_opens_trips_and_takes_the_leave_away() {
    let mut laboratory = Laboratory::new();
    let leave = laboratory.give();
    let fault = "[[fault]]\nkind = \"permissive_opens\"\nchannel = \"guard door\"\nat = { point = 1, phase = \"dwell\" }\n";
    assert_eq!(outcome(laboratory.run(leave, fault, None)).0, Outcome::Tripped);
    let Latch::Tripped { reason, .. } = laboratory.latch() else { panic!("not latched") };
    assert_eq!(reason, "permissive_lost");
    assert_eq!(laboratory.stored().withdrawn.map(|w| w.by), Some(WithdrawnBy::Guard));
    assert_eq!(laboratory.lapse(&real), Some(Lapse::Tripped("permissive_lost".into())));
}

/// The simulator is wired as if an open contact permitted, and so reads as a door that is open.
#[test]
fn a_guard_found_open_refuses_and_takes_the_leave_away_without_a_trip() {
    let mut laboratory = Laboratory::new();
    let leave = laboratory.give();
    let open = |job: &mut ResolvedJob| {
        real(job);
        job.rig.permissives[0].state = ContactState::Open;
    };
    let (outcome, refused) = outcome(laboratory.run_on(&open, leave, "", None));
    assert_eq!(outcome, Outcome::Failed);
    assert!(refused.unwrap().contains("the guard 'guard door'"));
    assert!(matches!(laboratory.latch(), Latch::Clear { .. }));
    assert_eq!(laboratory.stored().withdrawn.map(|w| w.by), Some(WithdrawnBy::Guard));
}

/// The leave of twenty seconds ends in the middle of the run: it winds down, and nothing latches.
#[test]
fn a_leave_that_ends_on_the_way_winds_the_run_down() {
    let mut laboratory = Laboratory::new();
    let leave = laboratory.give_until("2000-01-01T00:00:20Z");
    let (outcome, refused) = outcome(laboratory.run(leave, "", None));
    assert_eq!(outcome, Outcome::Cancelled);
    assert!(refused.unwrap().contains("leave to move ended"));
    assert!(matches!(laboratory.latch(), Latch::Clear { .. }));
    assert_eq!(laboratory.lapse(&real), Some(Lapse::TimeOver(time("2000-01-01T00:00:20Z"))));
}

/// Says stop over the line once the first point is measured, and waits until the run has taken it in.
struct SaysStop {
    directory: PathBuf,
    said: Arc<Mutex<Option<std::thread::JoinHandle<line::Stopped>>>>,
}

impl Observer for SaysStop {
    fn event(&mut self, _now: Mono, event: &Event) {
        let mut said = self.said.lock().unwrap();
        if matches!(event, Event::DwellBegins { .. }) && said.is_none() {
            let directory = self.directory.clone();
            *said =
                Some(std::thread::spawn(move || line::stop(&directory, Duration::from_secs(60)).unwrap()));
        }
    }
}

#[test]
fn stop_makes_safe_and_takes_the_leave_away() {
    let mut laboratory = Laboratory::new();
    let leave = laboratory.give();
    let said = Arc::default();
    let observer = SaysStop { directory: laboratory.place.directory().to_owned(), said: Arc::clone(&said) };
    let ended = laboratory.run(leave, "", Some(Box::new(observer)));
    let told = said.lock().unwrap().take().unwrap().join().unwrap();
    let line::Stopped::Ended(how) = told else { panic!("{told:?}") };
    assert!(how.contains("made safe"), "{how}");
    // The run on the simulator may be over before the word reaches it; the leave is gone all the same.
    assert!(matches!(outcome(ended).0, Outcome::Cancelled | Outcome::Done));
    assert_eq!(laboratory.stored().withdrawn.map(|w| w.by), Some(WithdrawnBy::Stop));
}
