//! Whole runs: in good order, and every way out of them.

use super::bench::{Bench, FRAMES, ONE, REFERENCE, plan, two_points};
use crate::interlock::TripReason;
use crate::sequence::*;

fn three_points() -> String {
    plan("", &[("8 Hz", "1 g pk", "repeats = 2"), ("16 Hz", "1 g pk", "")])
}

#[test]
fn a_run_in_good_order() {
    let mut bench = Bench::new(&three_points());
    bench.response = 1.07;
    let bench = bench.finish();
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
    bench.at_rest();
    let dwells = bench.dwells();
    assert_eq!(dwells.len(), 4, "a point, two repeats of another, and the first once more");
    for m in dwells {
        assert!(m.findings.is_empty(), "{:?}", m.findings);
        let setup = bench.run.setup();
        let point = &setup.job.points[m.point];
        let reference = setup.reference_at(point.frequency).unwrap().0.si();
        let seen = m.acceleration(REFERENCE, reference).unwrap();
        assert!((seen / point.target - 1.0).abs() < 0.01, "within the settle band at the dwell");
        let estimate = m.estimate.as_ref().unwrap();
        for sensor in &setup.job.sensors {
            let ratio = estimate.ratios.iter().find(|r| r.channel == sensor.column).unwrap();
            let sensitivity = ratio.ratio.norm() * reference;
            assert!((sensitivity / sensor.sensor.nominal_sensitivity.si() - 1.0).abs() < 1e-4);
        }
    }
    let words: Vec<&str> = bench.log.iter().map(|(w, _)| *w).collect();
    insta::assert_snapshot!(words.join("\n"));
}

/// Neither instrument can be made safe: the run ends all the same, both were tried, and it is said loudest.
#[test]
fn a_failure_to_make_safe_ends_the_run_and_is_loudest() {
    for at in (0..700).step_by(61) {
        let mut bench = Bench::new(&two_points());
        bench.stubborn = true;
        let bench = bench.run(|_, n| (n == at).then_some(Input::Operator(Operator::Cancel)));
        assert_eq!(bench.outcome, Some(Outcome::Tripped));
        assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::MakeSafeFailed));
        for tried in ["safe source", "safe amplifier"] {
            assert_eq!(bench.log.iter().filter(|(l, _)| *l == tried).count(), 1, "{:?}", bench.log);
        }
    }
}

/// A person's stop is not kept waiting for a ramp.
#[test]
fn a_stop_makes_safe_at_once_and_a_cancel_ramps_down_first() {
    for (what, ramps) in [(Operator::Stop, false), (Operator::Cancel, true)] {
        let bench = Bench::new(&two_points()).run(|bench, _| {
            let second_tone = bench.ended() == 1 && bench.log.last().is_some_and(|(l, _)| *l == "tone");
            second_tone.then_some(Input::Operator(what))
        });
        let last = |word: &str| bench.log.iter().rev().find(|(l, _)| *l == word).map(|(_, at)| *at).unwrap();
        assert_eq!(last("off") < last("safe source"), ramps, "{what:?}: {:?}", bench.log);
        assert_eq!(bench.outcome, Some(Outcome::Cancelled));
        bench.at_rest();
    }
}

/// Whatever happens at whatever moment, the run ends at rest with the outcome that fits.
#[test]
fn every_way_out_ends_at_rest() {
    let failed =
        |consequence| Input::Failed { instrument: "generator".into(), detail: "gone".into(), consequence };
    let open = || Input::Contacts { emergency_stop_closed: false, inputs: Vec::new() };
    let broken = || Input::Amplifier { fault: true, muted: true };
    type Cause<'a> = &'a dyn Fn() -> Input<'static>;
    let cases: [(Outcome, Option<TripReason>, Cause<'_>); 7] = [
        (Outcome::Cancelled, None, &|| Input::Operator(Operator::Cancel)),
        (Outcome::Cancelled, None, &|| Input::Operator(Operator::Stop)),
        (Outcome::Failed, None, &|| failed(Consequence::FailRun)),
        (Outcome::Failed, None, &|| Input::StoreFailed("disk full".into())),
        (Outcome::Tripped, Some(TripReason::DriverLost), &|| failed(Consequence::Trip)),
        (Outcome::Tripped, Some(TripReason::EmergencyStop), &open),
        (Outcome::Tripped, Some(TripReason::AmplifierFault), &broken),
    ];
    let whole = Bench::new(&two_points()).finish().now / FRAMES;
    for at in (0..whole as usize).step_by(31) {
        for (outcome, reason, input) in &cases {
            let bench = Bench::new(&two_points()).run(|_, n| (n == at).then(input));
            bench.at_rest();
            assert_eq!(bench.outcome, Some(*outcome), "at block {at}");
            assert_eq!(bench.run.trip().map(|t| t.reason), *reason);
        }
    }
}

/// A second cause on the way out neither keeps it up nor starts it again.
#[test]
fn a_trip_on_the_way_out_hurries() {
    for (at, later) in [(150, 0), (300, 1), (330, 2), (400, 5), (450, 9)] {
        let bench = Bench::new(&two_points()).run(|_, n| match n {
            n if n == at => Some(Input::Operator(Operator::Cancel)),
            n if n == at + later + 1 => {
                Some(Input::Contacts { emergency_stop_closed: false, inputs: Vec::new() })
            }
            _ => None,
        });
        bench.at_rest();
        for word in ["safe source", "safe amplifier", "finish"] {
            assert_eq!(bench.log.iter().filter(|(l, _)| *l == word).count(), 1, "{at}: {:?}", bench.log);
        }
    }
}

#[test]
fn an_overload_trips_and_keeps_the_waveforms_around_it() {
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        bench.wires[ONE].overload = bench.measuring();
    });
    assert_eq!(bench.outcome, Some(Outcome::Tripped));
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::Overload));
    bench.at_rest();
    let order: Vec<&str> = bench.log.iter().rev().take(5).rev().map(|(l, _)| *l).collect();
    assert_eq!(order, ["withdraw", "safe source", "safe amplifier", "store trip", "finish"]);
}

/// A response too small to reach the target within the ceiling of the drive: recorded with its reason, and on.
#[test]
fn a_point_that_can_not_settle_is_recorded_and_the_run_goes_on() {
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        // More than a drive that is half as large again makes up for, and not so much at once that it trips.
        if bench.did("store first motion") {
            bench.response = 0.655;
        }
    });
    assert_eq!((bench.outcome, bench.run.trip()), (Some(Outcome::Done), None));
    bench.at_rest();
    assert_eq!(bench.ended(), 3);
    // Later points know better.
    let Some(PointEnd::Unreached { finding, .. }) = bench.facts.ends.first() else {
        panic!("{:?}", bench.outcome)
    };
    assert_eq!(finding.kind, FindingKind::NotSettled);
}

/// An instrument that refuses one tone costs that point only.
#[test]
fn a_refusal_rejects_the_point_alone() {
    let mut refused = false;
    let bench = Bench::new(&two_points()).run(|bench, _| {
        let now = !refused && bench.ended() == 1 && bench.log.last().is_some_and(|(l, _)| *l == "tone");
        refused |= now;
        let (instrument, detail) = ("generator".into(), "no".into());
        now.then_some(Input::Failed { instrument, detail, consequence: Consequence::RejectPoint })
    });
    assert_eq!(bench.outcome, Some(Outcome::Done));
    bench.at_rest();
    assert!(matches!(&bench.facts.ends[1], PointEnd::Unreached { point: 0, closing: false, .. }));
    assert!(matches!(&bench.facts.ends[2], PointEnd::Measured(m) if m.closing && m.findings.is_empty()));
}

/// An amplifier that mutes itself while it should be live is a fault of its own.
#[test]
fn an_amplifier_that_mutes_itself_trips() {
    let bench = Bench::new(&two_points())
        .run(|_, n| (n == 200).then_some(Input::Amplifier { fault: false, muted: true }));
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::AmplifierFault));
    // The amplifier is the suspect and its mute shorts the coil: it is muted at once, as the source goes to zero.
    let safe: Vec<u64> = bench.log.iter().filter(|(l, _)| l.starts_with("safe")).map(|(_, at)| *at).collect();
    assert!(matches!(safe[..], [source, amplifier] if source == amplifier), "{:?}", bench.log);
    bench.at_rest();
}

/// The same inputs give the same actions: a run can be replayed.
#[test]
fn a_run_can_be_replayed() {
    let (one, other) = (Bench::new(&two_points()).finish(), Bench::new(&two_points()).finish());
    assert_eq!(one.log, other.log);
    assert_eq!(one.facts.ends, other.facts.ends);
    assert_eq!(one.facts.first_motion, other.facts.first_motion);
}
