//! Check values of common practice (no published source): six points that portable shakers of 10 mm peak-to-peak are
//! checked at, ±5 %. Numbers of coast and time are this module's own, held here so that a change of them is seen.

use super::verdicts::resolved;
use crate::control::{Forecast, Plant, foresee};
use crate::hazard::Stop;
use crate::hazard::motion::Machine;
use crate::hazard::pace::Pace;
use crate::hazard::reach::{Halt, Reach};
use crate::hazard::reaction::{Answer, Fault};
use crate::hazard::reserve::{Scene, Struck};
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::rig::{Mute, SafeAction, SafePath};
use plan_schema::units::{Accel, Displacement, STANDARD_GRAVITY, Seconds};
use std::rc::Rc;

const RIG: &str = include_str!("fixture/common-practice.toml");

const PLAN: &str = r#"
format = 1
name = "check values"
reference_frequency = "100 Hz"
tolerance = "5 %"
point = [
    { frequency = "100 Hz", amplitude = "1 g pk" },
    { frequency = "50 Hz", amplitude = "1 g pk" },
    { frequency = "10 Hz", amplitude = "1 g pk" },
    { frequency = "5 Hz", amplitude = "0.5 g pk" },
    { frequency = "3 Hz", amplitude = "0.15 g pk" },
    { frequency = "1 Hz", amplitude = "0.02 g pk" },
]
"#;

fn job(rig: &str) -> ResolvedJob {
    resolved("portable.toml", PLAN, rig)
}

fn forecasts(job: &ResolvedJob) -> Vec<Forecast> {
    let plant = Plant::of(job);
    job.points.iter().map(|point| foresee(job, &plant, point)).collect()
}

fn mm(displacement: Displacement<plan_schema::units::Peak>) -> f64 {
    displacement.si() * 1e3
}

/// `a / (2πf)²`: elementary. All six lie within the rated stroke and meet no limit of the rig but time.
#[test]
fn displacements_lie_within_the_rated_stroke() {
    let job = job(RIG);
    let found = forecasts(&job);
    for (forecast, expected) in found.iter().zip([0.0248, 0.0994, 2.48, 4.97, 4.14, 4.97]) {
        assert!((mm(forecast.displacement) / expected - 1.0).abs() < 2e-3, "{}", forecast.displacement);
        assert!(forecast.displacement <= job.rig.shaker.rated_stroke);
        assert_eq!(forecast.obstacles.len(), forecast.hazards.obstacles.len(), "{:?}", forecast.obstacles);
    }
}

/// Muted in the midst of each motion, the armature stays off the stop at 6.5 mm; with 0.3 mm of allowance, in mm.
#[test]
fn coasts_keep_off_the_stop() {
    let job = job(RIG);
    for (forecast, expected) in forecasts(&job).iter().zip([0.45, 0.60, 2.97, 5.27, 4.44, 5.27]) {
        let muted = forecast.hazards.coasts.iter().find(|c| c.stop == Stop::MuteAtOnce).unwrap();
        assert!((mm(muted.displacement) - expected).abs() < 0.01, "{}", mm(muted.displacement));
        assert!(forecast.hazards.coasts.iter().all(|c| c.displacement < job.rig.shaker.stop));
    }
}

/// 1 g at 5 Hz would be 9.94 mm: twice the rated stroke. What is named is admitted, and what limits it is time.
#[test]
fn one_g_at_five_hertz_is_refused() {
    for (rig, largest) in [(RIG.to_owned(), 0.503), (waived(), 0.503)] {
        let job = job(&rig);
        let plant = Plant::of(&job);
        let point = ResolvedPoint { target: Accel::new(STANDARD_GRAVITY), ..job.points[3].clone() };
        let found = foresee(&job, &plant, &point);
        assert_eq!(found.obstacles[0].message, "displacement of 9.936 mm pk is more than 5 mm pk");
        let named = found.largest.unwrap();
        assert!((named.si() / STANDARD_GRAVITY / largest - 1.0).abs() < 0.02, "{named}");
        assert!(foresee(&job, &plant, &ResolvedPoint { target: named, ..point }).obstacles.is_empty());
    }
}

fn waived() -> String {
    RIG.replace("[roles]", "[waiver]\nname = \"A. Person\"\nreason = \"spare armature\"\n\n[roles]")
}

/// Five milliseconds from detection to the mute suffice at all six points for every fault that is noticed at once.
#[test]
fn five_milliseconds_suffice_where_detection_takes_none() {
    let job = job(RIG);
    let (plant, machine) = (Plant::of(&job), Machine::of(&job));
    let shaker = &job.rig.shaker;
    let limit = shaker.stop.si() - shaker.static_allowance.si();
    let halt = Halt::Muted(Mute::Shorts);
    let reach = Rc::new(Reach::new(&machine, halt));
    for point in &job.points {
        let forecast = foresee(&job, &plant, point);
        let sine = Struck {
            steady: machine.steady(point.frequency, point.target),
            ceiling: forecast.ceiling.drive / forecast.need.drive,
            foreseen: (forecast.ceiling.acceleration.si(), forecast.ceiling.stroke.si()),
        };
        for fault in Fault::ALL {
            let pace = Rc::new(if fault.holds_a_value() {
                Pace::held(&machine, point.frequency, 0.25)
            } else {
                Pace::of_tone(&machine, point.frequency)
            });
            let at = |rest| {
                let answer = Answer { overdue: Some(0.0), sight: None, rest, halt: Some(halt) };
                Scene::new(&pace, fault, answer, Some(Rc::clone(&reach)), limit).keeps_off(&sine)
            };
            assert!(at(0.005), "{} at {}", fault.words(), point.frequency);
        }
    }
}

/// What the monitors see, and how soon, leaves a reserve at all six points against every fault: the acceleration leaves what
/// was foreseen long before the armature has gone anywhere.
#[test]
fn all_six_are_admitted() {
    let job = job(RIG);
    let found = forecasts(&job);
    for (point, forecast) in job.points.iter().zip(&found) {
        assert!(forecast.obstacles.is_empty(), "{}: {:?}", point.frequency, forecast.obstacles);
        for reserve in &forecast.hazards.reserves {
            assert!(reserve.keeps_off(), "{}: {reserve:?}", point.frequency);
            // Each states the rig's time, in the worst case over the phase.
            assert!(reserve.reaction.is_some_and(|r| r.si() >= 0.005), "{reserve:?}");
        }
    }
}

/// A relay stops the armature as the mute does; of the two the sooner counts, and the amplifier's watchdog in no stop.
#[test]
fn a_relay_counts_as_a_mute() {
    let paths = |actions: &[(SafeAction, f64)]| {
        let mut job = job(RIG);
        job.rig.safe_paths.retain(|path| path.action == SafeAction::SourceOff);
        let more = actions.iter().map(|(action, s)| SafePath { action: *action, time: Seconds::new(*s) });
        job.rig.safe_paths.extend(more);
        let reactions = |forecast: Forecast| forecast.hazards.reserves.iter().map(|r| r.reaction).collect();
        forecasts(&job).into_iter().map(reactions).collect::<Vec<Vec<_>>>()
    };
    let (mute, relay) = (SafeAction::AmplifierMute, SafeAction::Relay);
    let muted = paths(&[(mute, 0.005)]);
    assert_eq!(paths(&[(relay, 0.005)]), muted);
    assert_eq!(paths(&[(mute, 0.005), (relay, 0.02)]), muted);
    assert_eq!(paths(&[(mute, 0.02), (relay, 0.005)]), muted);
    assert_ne!(paths(&[(mute, 0.02)]), muted);
    assert_eq!(paths(&[(SafeAction::AmplifierWatchdog, 0.001)]), paths(&[]));
}
