//! The first motion: what it trips for, what ends a run, and which sensors it sends out of it.

use super::bench::{Bench, ONE, REFERENCE, SECOND, STANDARD, THREE, TWO, two_points};
use crate::evaluate::{Circumstances, Status, evaluate};
use crate::interlock::TripReason;
use crate::sequence::*;
use crate::uncertainty::Decision;
use plan_schema::units::Seconds;
use std::sync::Arc;

/// Largest drive of a run that opens as the bench's does.
fn small(bench: &Bench) -> f64 {
    let setup = bench.run.setup();
    let target = setup.opening.target(setup, bench.facts.rest().unwrap());
    let shaker = &setup.job.rig.shaker;
    let stroke = target.displacement_at(setup.opening.frequency);
    assert!(
        stroke.si() <= 0.05 * shaker.rated_stroke.si()
            && target.si() <= 0.05 * shaker.acceleration_limit.si()
    );
    setup.plant.need(setup.opening.frequency, target).drive.si()
}

/// Ended by the first motion: one small tone, then rest.
fn ended_by_it(bench: &Bench) {
    bench.at_rest();
    assert!(bench.ended() == 0 && bench.tones.len() == 1, "{:?}", bench.tones);
    assert!(bench.tones[0].2 <= small(bench) * (1.0 + 1e-9));
}

fn trip(bench: &Bench) -> Option<TripReason> {
    ended_by_it(bench);
    assert_eq!(bench.outcome, Some(Outcome::Tripped));
    bench.run.trip().map(|t| t.reason)
}

#[test]
fn before_the_verdict_nothing_large_is_driven_or_allowed() {
    let mut largest = 0.0_f64;
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        if !bench.did("store first motion") {
            largest = largest.max(bench.permit.unwrap_or(0.0));
        }
    });
    let small = small(&bench);
    assert!(largest > 0.0 && largest <= 1.5 * small * (1.0 + 1e-9), "{largest} {small}");
    assert!((bench.tones[0].2 / small - 1.0).abs() < 1e-9);
    // The points are an order of magnitude larger, or nothing was shown here.
    let highest = bench.tones.iter().map(|t| t.2).fold(0.0, f64::max);
    assert!(highest > 5.0 * small);
}

#[test]
fn a_reversed_reference_trips() {
    for reversed in ["reference", "coil"] {
        let mut bench = Bench::new(&two_points());
        match reversed {
            "coil" => bench.response = -1.0,
            _ => bench.wires[REFERENCE].gain = -1.0,
        }
        assert_eq!(trip(&bench.finish()), Some(TripReason::ReferenceReversed), "{reversed}");
    }
}

/// Whatever the source's real latency within the one that it declares, the right sign is right and the wrong one wrong.
#[test]
fn the_sign_does_not_hang_on_the_moment_of_the_start() {
    for truly in [0, 10, 20] {
        for sign in [1.0, -1.0] {
            let mut bench = Bench::new(&two_points());
            bench.delay = truly;
            bench.response = sign;
            let bench = bench.finish();
            assert_eq!(bench.outcome == Some(Outcome::Done), sign > 0.0, "{truly} samples, {sign}");
        }
    }
}

/// Where the phase of the drive is not known well enough, no sign of the reference is judged. The sensors, whose sign is
/// judged against the reference, then look turned about, all of them: the run ends without a trip.
#[test]
fn no_sign_is_judged_that_can_not_be_known() {
    for unknown in ["phase", "moment"] {
        for gain in [1.0, -1.0] {
            let mut bench = Bench::new(&two_points());
            match unknown {
                "phase" => bench.starts_at_zero = false,
                _ => bench.latency = 25,
            }
            bench.wires[REFERENCE].gain = gain;
            let bench = bench.finish();
            assert_eq!(bench.run.trip(), None, "{unknown}");
            let motion = bench.facts.first_motion.as_ref().unwrap();
            assert_eq!(motion.began.is_none(), unknown == "phase");
            if gain > 0.0 {
                assert_eq!(bench.outcome, Some(Outcome::Done));
                continue;
            }
            ended_by_it(&bench);
            assert_eq!(bench.outcome, Some(Outcome::Failed));
            assert!(motion.verdict.findings.iter().all(|f| f.kind == FindingKind::Polarity));
            assert_eq!(motion.verdict.findings.len(), 3);
        }
    }
}

#[test]
fn an_open_reference_line_is_told_from_a_drive_that_does_not_arrive() {
    let mut bench = Bench::new(&two_points());
    bench.wires[REFERENCE].gain = 0.0;
    let bench = bench.finish();
    assert_eq!(trip(&bench), Some(TripReason::ReferenceOpen));
    assert_eq!(bench.run.trip().unwrap().channel.as_deref(), Some("ref"));

    let mut bench = Bench::new(&two_points());
    bench.response = 0.0;
    assert_eq!(trip(&bench.finish()), Some(TripReason::SourceNotFollowing));
}

/// The knob of the amplifier, or another reference: in good order, with the gain in the text.
#[test]
fn a_gain_that_is_not_the_files_ends_the_run() {
    for (response, says) in [(2.5, "2.50 times"), (1.0 / 3.0, "0.33 times")] {
        let mut bench = Bench::new(&two_points());
        bench.response = response;
        let bench = bench.finish();
        ended_by_it(&bench);
        assert_eq!((bench.outcome, bench.run.trip()), (Some(Outcome::Failed), None));
        let told =
            |e: &Event| matches!(e, Event::Failure(text) if text.contains(says) && text.contains("gain"));
        assert!(bench.events.iter().any(told), "{:?}", bench.events);
    }
    for response in [0.6, 1.7] {
        let mut bench = Bench::new(&two_points());
        bench.response = response;
        let bench = bench.finish();
        assert_eq!((bench.outcome, bench.run.trip()), (Some(Outcome::Done), None), "{response}");
    }
}

/// One sensor that is not what the register says: it is out, its points are rejected with what was found, the others pass.
#[test]
fn one_bad_sensor_is_out_alone() {
    let cases = [
        (-1.0, FindingKind::Polarity),
        (1.4, FindingKind::RegisterMismatch),
        (0.6, FindingKind::RegisterMismatch),
        (0.0, FindingKind::SensorOpen),
    ];
    for (gain, kind) in cases {
        for column in [ONE, TWO, THREE] {
            let mut bench = Bench::new(&two_points());
            bench.wires[column].gain = gain;
            let bench = bench.finish();
            assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
            assert!(bench.dwells().iter().all(|m| m.findings.is_empty()), "nothing is repeated for it");
            assert_eq!(bench.ended(), 3);
            assert!(bench.events.iter().any(|e| matches!(e, Event::Noticed(_))));
            let setup = bench.run.setup();
            let never = Circumstances { since_calibration: Seconds::ZERO, scope_in_force: false };
            for (sensor, result) in
                setup.job.sensors.iter().zip(evaluate(setup, &bench.facts, &never).unwrap())
            {
                let bad = sensor.column == column;
                let wanted = if bad { Status::Rejected } else { Status::Accepted };
                for point in &result.points {
                    assert_eq!(point.status, wanted, "{point:?}");
                    assert_eq!(
                        point.findings.iter().map(|f| f.kind).collect::<Vec<_>>(),
                        vec![kind; bad.into()]
                    );
                }
                assert_eq!(result.decision == Decision::None, bad || sensor.sensor.tolerance.is_none());
            }
        }
    }
}

#[test]
fn without_any_good_sensor_the_run_ends() {
    let mut bench = Bench::new(&two_points());
    for (column, gain) in [(ONE, -1.0), (TWO, 1.5), (THREE, 0.0)] {
        bench.wires[column].gain = gain;
    }
    let bench = bench.finish();
    ended_by_it(&bench);
    assert_eq!(bench.outcome, Some(Outcome::Failed));
    let verdict = &bench.facts.first_motion.as_ref().unwrap().verdict;
    assert!(verdict.findings.len() == 3 && verdict.failure.as_ref().unwrap().contains("no sensor"));
}

/// Witnesses are judged by what they show at the points, not here.
#[test]
fn a_witness_has_no_part_in_it() {
    let mut bench = Bench::new(&two_points());
    bench.wires[STANDARD].gain = -1.0;
    bench.wires[SECOND].gain = 0.5;
    let bench = bench.finish();
    assert_eq!(bench.outcome, Some(Outcome::Done));
    assert_eq!(bench.facts.first_motion.as_ref().unwrap().verdict.findings, []);
}

/// A sensor that was sent out of the run may show what it likes: its overload does not end the run of the others.
#[test]
fn an_excluded_sensor_does_not_trip_by_its_overload() {
    let mut bench = Bench::new(&two_points());
    bench.wires[ONE].gain = 3.0;
    let bench = bench.finish();
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.run.trip());
    assert!(bench.dwells().iter().all(|m| m.findings.is_empty()));
}

/// A reversed sensor of which the register says so is right, and one that is not is wrong.
#[test]
fn a_declared_sign_is_expected() {
    for (gain, found) in [(-1.0, 0), (1.0, 1)] {
        let mut bench = Bench::with(&two_points(), |job| {
            job.sensors[0].sensor.polarity = plan_schema::registers::Polarity::Reversed;
        });
        bench.wires[ONE].gain = gain;
        let bench = bench.finish();
        assert_eq!(bench.facts.first_motion.unwrap().verdict.findings.len(), found);
    }
}

/// Equal samples, equal verdict; and a dwell likewise.
#[test]
fn what_was_recorded_tells_the_same_again() {
    let mut bench = Bench::new(&two_points());
    (bench.wires[TWO].gain, bench.wires[ONE].third) = (-1.0, 0.02);
    let bench = bench.finish();
    let setup = bench.run.setup();
    let rest = bench.facts.rest().unwrap();
    let quiet = QuietRecord::of(
        rest.when,
        rest.first_sample,
        Arc::clone(&rest.samples),
        setup.job.rig.acquisition.rate,
        setup.job.rig.mains_frequency,
    );
    assert_eq!(&quiet, rest);
    let motion = bench.facts.first_motion.as_ref().unwrap();
    assert_eq!(motion.verdict.findings.len(), 1);
    let samples = Arc::clone(&motion.samples);
    let tone = (motion.frequency, motion.drive);
    let again = FirstMotion::of(setup, Some(rest), tone, motion.began, motion.first_sample, samples);
    assert_eq!(&again, motion);
    let excluded = motion.verdict.excluded(&setup.job);
    assert_eq!(excluded, [false, true, false]);
    let mut found = 0;
    for m in bench.dwells() {
        let standing = Standing { job: &setup.job, point: m.point, rest: Some(rest), excluded: &excluded };
        let (estimate, findings) = measure(&standing, m.applied_frequency, m.start_frequency, &m.samples);
        assert_eq!((&estimate, &findings), (&m.estimate, &m.findings));
        found += findings.len();
    }
    assert!(found >= 3);
}
