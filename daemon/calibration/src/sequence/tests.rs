//! The run machine against a bench of a few lines: an ideal shaker that does what the source says.

#![expect(clippy::cast_possible_truncation, reason = "samples are f32")]

use super::*;
use crate::block::BlockView;
use crate::interlock::TripReason;
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::*;
use std::f64::consts::TAU;

fn job(plan: &str) -> ResolvedJob {
    let files = JobFiles {
        job: Document::read("job", include_str!("../../../../examples/low-frequency.toml")).unwrap(),
        plan: Document::read("plan", plan).unwrap(),
        rig: Document::read("rig", include_str!("../../../../examples/rigs/long-stroke.toml")).unwrap(),
        sensors: Document::read("sensors", include_str!("../../../../examples/registers/sensors.toml"))
            .unwrap(),
        references: Document::read("refs", include_str!("../../../../examples/registers/references.toml"))
            .unwrap(),
    };
    ResolvedJob::resolve(&files).unwrap().0
}

const PLAN: &str = r#"
format = 1
name = "two points"
settle_limit = "20 s"
[[point]]
frequency = "8 Hz"
amplitude = "1 g pk"
repeats = 2
[[point]]
frequency = "16 Hz"
amplitude = "1 g pk"
"#;

/// What the bench does to the run at some moment.
type Mischief<'a> = &'a dyn Fn(&mut Bench, usize) -> Option<Input<'static>>;

struct Bench {
    run: Run,
    now: u64,
    tone: (f64, f64),
    response: f64,
    permit: Option<f64>,
    muted: bool,
    overload: bool,
    /// Instruments do not prove that they are safe.
    stubborn: bool,
    log: Vec<String>,
    /// Block at which each line of the log was written.
    blocks: Vec<u64>,
    stored: Vec<PointEnd>,
    outcome: Option<Outcome>,
}

const FRAMES: u64 = 200;
const RATE: f64 = 10_000.0;

impl Bench {
    fn new(response: f64) -> Self {
        Self {
            run: Run::new(Setup::new(job(PLAN))),
            now: 0,
            tone: (8.0, 0.0),
            response,
            permit: None,
            muted: true,
            overload: false,
            stubborn: false,
            log: Vec::new(),
            blocks: Vec::new(),
            stored: Vec::new(),
            outcome: None,
        }
    }

    fn mono(&self) -> Mono {
        Mono(self.now * 100_000)
    }

    fn feed(&mut self, input: Input<'_>) {
        let mut inputs: Vec<Input<'static>> = Vec::new();
        let mut actions = Vec::new();
        self.run.step(self.mono(), input, &mut actions);
        for action in actions {
            inputs.extend(self.carry_out(action));
        }
        for input in inputs {
            self.feed(input);
        }
    }

    fn carry_out(&mut self, action: Action) -> Option<Input<'static>> {
        let done = Effective { not_before: SampleIndex(self.now), not_after: SampleIndex(self.now) };
        let later = Effective { not_after: SampleIndex(self.now + 3000), ..done };
        let (word, input) = match action {
            Action::Grant(ceiling) => {
                self.permit = Some(ceiling.si());
                ("grant", None)
            }
            Action::Withdraw => {
                self.permit = None;
                ("withdraw", None)
            }
            Action::Unmute => {
                assert!(self.permit.is_some(), "unmuted without leave");
                self.muted = false;
                ("unmute", Some(Input::Replied(Reply::Unmuted, done)))
            }
            Action::SetTone { frequency, amplitude, over } => {
                assert!(amplitude.si() <= self.permit.unwrap_or(-1.0), "drive beyond leave");
                self.tone = (frequency.si(), amplitude.si());
                ("tone", Some(Input::Replied(Reply::Tone { frequency, amplitude, way: over }, done)))
            }
            Action::SourceOff { .. } => {
                self.tone.1 = 0.0;
                ("off", Some(Input::Replied(Reply::SourceOff, later)))
            }
            Action::MakeSafe(Target::Source) => {
                self.tone.1 = 0.0;
                ("safe source", Some(Input::Replied(Reply::MadeSafe(Target::Source), done)))
            }
            Action::MakeSafe(Target::Amplifier) => {
                self.muted = true;
                ("safe amplifier", Some(Input::Replied(Reply::MadeSafe(Target::Amplifier), done)))
            }
            Action::StoreQuiet(record) => ("store quiet", Some(Input::Stored(Stored::Quiet(record.when)))),
            Action::StoreFirstMotion(_) => ("store first motion", Some(Input::Stored(Stored::FirstMotion))),
            Action::StorePoint(end) => {
                self.stored.push(*end);
                ("store point", Some(Input::Stored(Stored::Point)))
            }
            Action::StoreTrip(_) => ("store trip", None),
            Action::Tell(_) => return None,
            Action::Finish(outcome) => {
                self.outcome = Some(outcome);
                ("finish", None)
            }
        };
        self.log.push(word.to_owned());
        self.blocks.push(self.now / FRAMES);
        match input {
            Some(Input::Replied(Reply::MadeSafe(target), _)) if self.stubborn => {
                Some(Input::MakeSafeFailed { target, detail: "no proof".into() })
            }
            other => other,
        }
    }

    /// One block of an ideal shaker: the reference has 0.1 V/(m/s²) in the register, the sensors their nominal.
    fn block(&mut self) {
        let (frequency, drive) = self.tone;
        let setup = self.run.setup();
        let gain =
            if self.muted { 0.0 } else { setup.plant.acceleration_per_volt(Hertz::new(frequency)).norm() };
        let acceleration = drive * gain * self.response;
        let reference = setup.reference_at(Hertz::new(frequency)).map_or(1.0, |r| r.0.si());
        let scales: Vec<f64> = (0..setup.job.columns.len())
            .map(|c| {
                let sensor = setup.job.sensors.iter().find(|s| s.column == c);
                sensor.map_or(reference, |s| s.nominal.si())
            })
            .collect();
        let columns: Vec<Vec<f32>> = scales
            .iter()
            .map(|scale| {
                let wave = |n: u64| acceleration * (TAU * frequency * (self.now + n) as f64 / RATE).sin();
                (0..FRAMES).map(|n| (scale * wave(n)) as f32).collect()
            })
            .collect();
        let channels: Vec<&[f32]> = columns.iter().map(Vec::as_slice).collect();
        let mut overload = vec![false; channels.len()];
        overload[1] = self.overload;
        let first_sample = SampleIndex(self.now);
        self.now += FRAMES;
        self.feed(Input::Contacts { emergency_stop_closed: true });
        self.feed(Input::Block(BlockView {
            first_sample,
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &overload,
        }));
    }

    fn run(mut self, mischief: Mischief<'_>) -> Self {
        self.feed(Input::Started { starts_at_zero: false });
        for n in 0..20_000 {
            if let Some(input) = mischief(&mut self, n) {
                self.feed(input);
            }
            if self.run.is_done() {
                return self;
            }
            self.block();
        }
        panic!("the run never ended: {:?}", self.log);
    }

    fn at_rest(&self) {
        assert!(self.tone.1 == 0.0 && self.muted && self.permit.is_none());
    }
}

fn nothing(_: &mut Bench, _: usize) -> Option<Input<'static>> {
    None
}

#[test]
fn a_run_in_good_order() {
    let bench = Bench::new(1.07).run(&nothing);
    assert_eq!(bench.outcome, Some(Outcome::Done));
    bench.at_rest();
    assert_eq!(bench.stored.len(), 4, "a point, two repeats of another, and the first once more");
    for end in &bench.stored {
        let PointEnd::Measured(m) = end else { panic!("{end:?}") };
        assert!(m.findings.is_empty(), "{:?}", m.findings);
        let setup = bench.run.setup();
        let point = &setup.job.points[m.point];
        let reference = setup.reference_at(point.frequency).unwrap().0.si();
        let seen = m.acceleration(setup.job.reference.column, reference).unwrap();
        assert!((seen / point.target - 1.0).abs() < 0.01, "within the settle band at the dwell");
        let estimate = m.estimate.as_ref().unwrap();
        for (ratio, sensor) in estimate.ratios.iter().zip(&setup.job.sensors) {
            let sensitivity = ratio.ratio.norm() * reference;
            assert!((sensitivity / sensor.nominal.si() - 1.0).abs() < 1e-6);
        }
    }
    insta::assert_snapshot!(bench.log.join("\n"));
}

/// Neither instrument can be made safe: the run ends all the same, both were tried, and it is said loudest.
#[test]
fn a_failure_to_make_safe_ends_the_run_and_is_loudest() {
    for at in (0..900).step_by(61) {
        let mut bench = Bench::new(1.0);
        bench.stubborn = true;
        let bench = bench.run(&|_, n| (n == at).then_some(Input::Operator(Operator::Cancel)));
        assert_eq!(bench.outcome, Some(Outcome::Tripped));
        assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::MakeSafeFailed));
        for tried in ["safe source", "safe amplifier"] {
            assert_eq!(bench.log.iter().filter(|l| *l == tried).count(), 1, "{:?}", bench.log);
        }
    }
}

/// A person's stop is not kept waiting for a ramp.
#[test]
fn a_stop_makes_safe_at_once_and_a_cancel_ramps_down_first() {
    for (what, ramps) in [(Operator::Stop, false), (Operator::Cancel, true)] {
        let on_the_way = |bench: &mut Bench, _: usize| {
            let second_tone = bench.stored.len() == 1 && bench.log.last().is_some_and(|l| l == "tone");
            second_tone.then_some(Input::Operator(what))
        };
        let bench = Bench::new(1.0).run(&on_the_way);
        let last = |word: &str| bench.log.iter().rposition(|l| l == word).map(|n| bench.blocks[n]).unwrap();
        assert_eq!(last("off") < last("safe source"), ramps, "{what:?}: {:?}", bench.log);
        bench.at_rest();
    }
}

/// Whatever happens at whatever moment, the run ends at rest, and what was stored before stays.
#[test]
fn every_way_out_ends_at_rest() {
    let failed =
        |consequence| Input::Failed { instrument: "generator".into(), detail: "gone".into(), consequence };
    for at in (0..900).step_by(37) {
        let once = |n: usize, input: Input<'static>| (n == at).then_some(input);
        let cases: [(Option<Outcome>, Option<TripReason>, Mischief<'_>); 6] = [
            (Some(Outcome::Cancelled), None, &|_, n| once(n, Input::Operator(Operator::Cancel))),
            (Some(Outcome::Cancelled), None, &|_, n| once(n, Input::Operator(Operator::Stop))),
            (Some(Outcome::Failed), None, &|_, n| once(n, failed(Consequence::FailRun))),
            (Some(Outcome::Failed), None, &|_, n| once(n, Input::StoreFailed("disk full".into()))),
            (Some(Outcome::Tripped), Some(TripReason::DriverLost), &|_, n| {
                once(n, failed(Consequence::Trip))
            }),
            (Some(Outcome::Tripped), Some(TripReason::EmergencyStop), &|_, n| {
                once(n, Input::Contacts { emergency_stop_closed: false })
            }),
        ];
        for (outcome, reason, mischief) in cases {
            let bench = Bench::new(1.0).run(mischief);
            bench.at_rest();
            if bench.outcome != Some(Outcome::Done) {
                assert_eq!(bench.outcome, outcome, "at block {at}");
                assert_eq!(bench.run.trip().map(|t| t.reason), reason);
            }
        }
    }
}

#[test]
fn an_overload_trips_and_keeps_the_waveforms_around_it() {
    let bench = Bench::new(1.0).run(&|bench, n| {
        bench.overload = n == 400;
        None
    });
    assert_eq!(bench.outcome, Some(Outcome::Tripped));
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::Overload));
    bench.at_rest();
    let order: Vec<&str> = bench.log.iter().rev().take(5).rev().map(String::as_str).collect();
    assert_eq!(order, ["withdraw", "safe source", "safe amplifier", "store trip", "finish"]);
}

/// A response too small to reach the target within the ceiling of the drive: recorded with its reason, and on.
#[test]
fn a_point_that_can_not_settle_is_recorded_and_the_run_goes_on() {
    let bench = Bench::new(1.0).run(&|bench, _| {
        if bench.log.iter().any(|l| l == "store first motion") {
            bench.response = 0.3;
        }
        None
    });
    assert_eq!(bench.outcome, Some(Outcome::Done));
    bench.at_rest();
    assert_eq!(bench.stored.len(), 3);
    for end in &bench.stored {
        let PointEnd::Unreached { finding, .. } = end else { panic!("{end:?}") };
        assert_eq!(finding.kind, FindingKind::NotSettled);
    }
}

/// An amplifier that mutes itself while it should be live is a fault of its own.
#[test]
fn an_amplifier_that_mutes_itself_trips() {
    let bench =
        Bench::new(1.0).run(&|_, n| (n == 300).then_some(Input::Amplifier { fault: false, muted: true }));
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::AmplifierFault));
    // The amplifier is the suspect and its mute shorts the coil: it is muted first.
    let first = bench.log.iter().find(|l| l.starts_with("safe")).map(String::as_str);
    assert_eq!(first, Some("safe amplifier"));
    bench.at_rest();
}

/// The same inputs give the same actions: a run can be replayed.
#[test]
fn a_run_can_be_replayed() {
    let (one, other) = (Bench::new(1.02).run(&nothing), Bench::new(1.02).run(&nothing));
    assert_eq!(one.log, other.log);
    assert_eq!(one.stored, other.stored);
}
