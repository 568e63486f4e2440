//! Reference and sensors through the same channels, one after the other: its order, who may move what, and what it makes of
//! results.

use super::bench::{Bench, ONE, RIG, THREE, TWO, job_on, plan};
use crate::evaluate::{Circumstances, SensorResult, Status, evaluate};
use crate::interlock::TripReason;
use crate::sequence::*;
use plan_schema::units::Seconds;

const BY_SWITCH: &str = r#"
[substitution]
by = "switch"
output = 3
keeps_reference = true
equality = "0.01 %"
stability = "0.01 %"
stability_phase = "0.005 deg"
"#;

const POINTS: [(&str, &str, &str); 2] = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")];

fn bench_on(way: &str) -> Bench {
    // An IEPE sensor that its channel feeds can't be exchanged: here a conditioner does.
    let fed = "name = \"two\"\nconditioner = \"C-1\"\nconditioner_gain = \"1 V/V\"";
    let rig = format!("{RIG}{way}").replace("name = \"two\"", fed);
    Bench::of(job_on(&plan("method = \"substitution\"", &POINTS), &rig))
}

fn bench() -> Bench {
    bench_on(BY_SWITCH)
}

fn by_person() -> Bench {
    bench_on(
        &BY_SWITCH.replace("output = 3\n", "person_wait = \"10 s\"\n").replace("\"switch\"", "\"person\""),
    )
}

fn results(bench: &Bench) -> Vec<SensorResult> {
    let circumstances = Circumstances { since_calibration: Seconds::ZERO, scope_in_force: false };
    evaluate(bench.run.setup(), &bench.facts, &circumstances).unwrap()
}

/// Sensitivity and expanded uncertainty of each sensor at each point, in V/(m/s²) and relative.
fn sensitivities(bench: &Bench) -> Vec<(f64, f64)> {
    let results = results(bench);
    let values = results.iter().flat_map(|s| &s.points).map(|p| p.value.as_ref().unwrap());
    values.map(|v| (v.sensitivity.si(), v.magnitude.combined().expanded)).collect()
}

#[test]
fn they_are_exchanged_at_rest_muted_and_without_leave() {
    let bench = bench().finish();
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
    bench.at_rest();
    let words: Vec<&str> = bench.log.iter().map(|(word, _)| *word).collect();
    let from = words.iter().rposition(|w| *w == "store quiet").unwrap();
    // The first point has the frequency of the small motion, and follows without a pause.
    let small = ["grant", "tone"];
    let again = ["grant", "tone", "store ratio", "off"];
    let mut part = vec!["store quiet", "withdraw", "safe amplifier", "route", "grant", "unmute"];
    part.extend(small.iter().chain(&again).chain(&again).chain(&again));
    part.extend(["safe amplifier", "route back"]);
    let seen: Vec<&str> = words[from..].to_vec();
    // A point may correct its drive, and leave is given back once more before the second exchange.
    let mut wanted = part.iter();
    let mut next = wanted.next();
    for word in &seen {
        if next.is_some_and(|w| w == word) {
            next = wanted.next();
        }
    }
    assert!(next.is_none(), "{next:?} is missing in its place: {seen:?}");
    let tones: Vec<(ToneOf, usize)> = bench.facts.channels.iter().map(|t| (t.of, t.number)).collect();
    // 16 Hz is measured first, and is looked at once more at the end.
    assert_eq!(tones, [1, 0, 1].map(|n| (ToneOf::Reference, n)));
    assert!(!bench.exchanged);
}

/// Channels that are off by one and two percent. Through the same channel the sensors come out as they are, whatever its gain.
#[test]
fn the_gain_of_a_channel_does_not_count() {
    let off = |mut bench: Bench| {
        (bench.wires[ONE].channel, bench.wires[TWO].channel) = (1.01, 0.98);
        bench.finish()
    };
    let truth = sensitivities(&Bench::of(job_on(&plan("", &POINTS), RIG)).finish());
    let without = sensitivities(&off(Bench::of(job_on(&plan("", &POINTS), RIG))));
    let with = sensitivities(&off(bench()));
    assert_eq!(with.len(), 6);
    for (n, ((truth, without), with)) in truth.iter().zip(&without).zip(&with).enumerate() {
        let (before, after) = (without.0 / truth.0 - 1.0, with.0 / truth.0 - 1.0);
        assert!(n >= 4 || before.abs() > without.1, "{before} is hidden by {}", without.1);
        assert!(after.abs() < 2e-4 && after.abs() < with.1, "{after} with {}", with.1);
    }
}

/// The rig file's ratio of channels is gone, and the monitor's stability stands in its place.
#[test]
fn the_budget_has_the_monitor_in_place_of_the_channels() {
    let bench = bench().finish();
    let results = results(&bench);
    let value = results[0].points[0].value.as_ref().unwrap();
    let names = |budget: &crate::uncertainty::Budget| -> Vec<String> {
        let of_channels = ["channel", "voltages", "monitor", "two looks"];
        let all = budget.components().iter().filter(|c| of_channels.iter().any(|w| c.name().contains(w)));
        all.map(|c| format!("{} {:?}", c.name(), c.source())).collect()
    };
    insta::assert_snapshot!(names(&value.magnitude).join(", "), @"scatter of reference through channel ThisRun, change between two looks ThisRun, equality of voltages RigFile, stability of monitor RigFile");
    insta::assert_snapshot!(names(value.phase_budget.as_ref().unwrap()).join(", "), @"scatter of reference's phase through channel ThisRun, change between two looks ThisRun, equality of voltages RigFile, stability of monitor RigFile");
}

/// A channel that changes by 1 % after the sensors were measured: the second look at the first point can't know of that, but one
/// that goes on changing is in the budget.
#[test]
fn a_channel_that_goes_on_changing_is_in_the_budget() {
    let bench = bench().run(|bench, _| {
        if bench.facts.channels.len() == 2 {
            bench.wires[ONE].channel = 1.004;
        }
        None
    });
    let results = results(&bench);
    for point in &results[0].points {
        let budget = &point.value.as_ref().unwrap().magnitude;
        let change = budget.component("change between two looks").unwrap();
        // Half of 0.4 %, rectangular.
        assert!((change.standard() / (0.002 / 3f64.sqrt()) - 1.0).abs() < 0.02, "{}", change.standard());
    }
    assert!(results[2].points[0].value.as_ref().unwrap().magnitude.combined().expanded < 0.006);
}

/// Hum at the very frequency of a point can't be told from the reference in the sensor's channel either: what the channel showed of
/// it at rest is in the budget once more, as a share of the reference's 0.98 V.
#[test]
fn hum_counts_in_both_measurements() {
    let points = [("16 Hz", "1 g pk", ""), ("50 Hz", "1 g pk", "")];
    let fed = "name = \"two\"\nconditioner = \"C-1\"\nconditioner_gain = \"1 V/V\"";
    let rig = format!("{RIG}{BY_SWITCH}").replace("name = \"two\"", fed);
    let mut hums = Bench::of(job_on(&plan("method = \"substitution\"", &points), &rig));
    hums.wires[ONE].hum = 0.002;
    let bench = hums.finish();
    let results = results(&bench);
    let budget = |point: usize| results[0].points[point].value.as_ref().unwrap().magnitude.clone();
    assert!(budget(0).component("hum on channel with reference").is_none());
    let stated = budget(1).component("hum on channel with reference").unwrap().stated();
    assert!((stated / (0.002 / 0.980_665) - 1.0).abs() < 0.02, "{stated}");
    assert!(budget(1).component("hum on sensor").is_some());
}

/// The switch stays where it was and says that it moved: a sensor of about the reference's sensitivity can't be told from it, and
/// another does not look like it. Neither has a result.
#[test]
fn a_switch_that_is_stuck_gives_no_result() {
    let mut stuck = bench();
    stuck.stuck = true;
    let bench = stuck.finish();
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
    let results = results(&bench);
    for (sensor, words) in [(0, "can't be told"), (1, "was not measured"), (2, "was not measured")] {
        for point in &results[sensor].points {
            assert_eq!(point.status, Status::Rejected);
            assert!(point.value.is_none() && point.repeats.is_empty());
            let found = &point.findings[0];
            assert_eq!(found.kind, FindingKind::NotSubstituted);
            assert!(found.message.contains(words), "{}", found.message);
        }
    }
}

/// What cables do to one channel costs its sensor the result, and nobody else.
#[test]
fn a_channel_that_the_reference_does_not_reach_costs_its_sensor_alone() {
    let bench = bench().run(|bench, _| {
        bench.wires[THREE].channel = if bench.exchanged { 0.0 } else { 1.0 };
        None
    });
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
    let results = results(&bench);
    assert!(results[0].points.iter().chain(&results[1].points).all(|p| p.status == Status::Accepted));
    assert!(results[2].points.iter().all(|p| p.status == Status::Rejected && p.value.is_none()));
    // Each was tried once more.
    assert_eq!(bench.facts.channels.len(), 6);
}

/// The reference is lost from its own channel when the cables are moved: the small motion finds that out, and trips.
#[test]
fn a_reference_that_is_not_there_any_more_trips_at_once() {
    let bench = bench().run(|bench, _| {
        if bench.exchanged {
            bench.wires[super::bench::REFERENCE].channel = 0.0;
        }
        None
    });
    assert_eq!(bench.outcome, Some(Outcome::Tripped));
    assert!(bench.facts.channels.is_empty() && !bench.exchanged);
    assert!(results(&bench).iter().flat_map(|s| &s.points).all(|p| p.value.is_none()));
    bench.at_rest();
}

#[test]
fn a_person_confirms_both_ways() {
    let bench = by_person().finish();
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
    let said: Vec<(Cable, &str)> = bench.facts.confirmed.iter().map(|(c, n, _)| (*c, n.as_str())).collect();
    assert_eq!(said, [(Cable::ReferenceToChannels, "B. Bench"), (Cable::SensorsToChannels, "B. Bench")]);
    assert!(!bench.did("route") && !bench.did("route back"));
    assert!(results(&bench).iter().flat_map(|s| &s.points).all(|p| p.status == Status::Accepted));
}

/// Nobody confirms: nothing moves any more, and what was measured has no result.
#[test]
fn without_a_confirmation_nothing_goes_on() {
    let mut silent = by_person();
    silent.answers = false;
    let bench = silent.finish();
    assert_eq!(bench.outcome, Some(Outcome::Failed));
    assert!(bench.facts.channels.is_empty());
    assert!(results(&bench).iter().flat_map(|s| &s.points).all(|p| p.status == Status::Rejected));
    bench.at_rest();
}

/// The amplifier reads live while cables are moved.
#[test]
fn an_amplifier_that_comes_alive_trips() {
    let mut silent = by_person();
    silent.answers = false;
    let bench = silent.run(|bench, _| {
        let asked = bench.events.iter().any(|e| matches!(e, Event::Asks(_)));
        asked.then_some(Input::Amplifier { fault: false, muted: false })
    });
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::AmplifierFault));
    bench.at_rest();
}

/// A stop at any block of it leaves everything safe and the sensors at their channels.
#[test]
fn a_stop_at_any_time_is_safe() {
    let whole = bench().finish();
    let blocks = whole.now / super::bench::FRAMES;
    let exchanged = whole.log.iter().find(|(word, _)| *word == "route").unwrap().1;
    let from = usize::try_from(exchanged - 5).unwrap();
    for at in (from..usize::try_from(blocks).unwrap()).step_by(9) {
        let bench = bench().run(|_, n| (n == at).then_some(Input::Operator(Operator::Stop)));
        assert_eq!(bench.outcome, Some(Outcome::Cancelled), "block {at}");
        assert!(!bench.exchanged, "block {at}");
        bench.at_rest();
    }
}

/// What is foreseen of its time is about what it takes.
#[test]
fn its_time_is_foreseen() {
    let with = bench().finish();
    let without = Bench::of(job_on(&plan("", &POINTS), RIG)).finish();
    let taken = (with.now - without.now) as f64 / super::bench::RATE;
    let foreseen = with.run.setup().waits().channels.si();
    assert!((taken / foreseen - 1.0).abs() < 0.3, "{taken} s, {foreseen} s were foreseen");
    assert!((with.run.waited().si() - without.run.waited().si() - taken).abs() < 0.1 * taken);
}
