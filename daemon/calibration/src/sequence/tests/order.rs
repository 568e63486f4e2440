//! The order of points, the closing one, points at one frequency, and points that not everybody takes.

use super::bench::{Bench, ONE, RATE, STANDARD, THREE, TWO, plan, two_points};
use crate::evaluate::{Circumstances, SensorResult, Status, evaluate};
use crate::interlock::TripReason;
use crate::sequence::*;
use plan_schema::units::{Hertz, Seconds};

/// The points of all dwells as they came, and whether each closed the run.
fn dwelt(bench: &Bench) -> Vec<(usize, bool)> {
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.run.trip());
    bench.at_rest();
    bench.dwells().iter().map(|m| (m.point, m.closing)).collect()
}

fn results(bench: &Bench) -> Vec<SensorResult> {
    let circumstances = Circumstances { since_calibration: Seconds::ZERO, scope_in_force: false };
    evaluate(bench.run.setup(), &bench.facts, &circumstances).unwrap()
}

const MIXED: [(&str, &str, &str); 3] =
    [("12 Hz", "0.5 g pk", ""), ("8 Hz", "0.5 g pk", ""), ("16 Hz", "0.5 g pk", "")];

#[test]
fn descending_unless_the_plan_says_otherwise() {
    let bench = Bench::new(&plan("", &MIXED)).finish();
    assert_eq!(dwelt(&bench), [(2, false), (0, false), (1, false), (2, true)]);
    let bench = Bench::new(&plan("order = \"as_written\"", &MIXED)).finish();
    assert_eq!(dwelt(&bench), [(0, false), (1, false), (2, false), (0, true)]);
    assert!(bench.events.contains(&Event::ClosingBegins(0)));
    for result in results(&bench) {
        assert!(result.points.iter().all(|p| p.status == Status::Accepted));
        let frequencies: Vec<f64> = result.points.iter().map(|p| p.frequency.si()).collect();
        assert_eq!(frequencies, [12.0, 8.0, 16.0], "results stand as the plan says");
    }
}

#[test]
fn no_closing_point_where_the_plan_wants_none_or_has_but_one() {
    let bench = Bench::new(&plan("closing_point = false", &MIXED)).finish();
    assert_eq!(dwelt(&bench), [(2, false), (0, false), (1, false)]);
    let bench = Bench::new(&plan("", &[MIXED[0]])).finish();
    assert_eq!(dwelt(&bench), [(0, false)]);
}

/// The closing look has the plan's cycles and no more, where the first had to be drawn out; and it is not repeated as
/// often as the plan says of the point.
#[test]
fn the_closing_point_has_the_cycles_of_the_plan() {
    let points = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "repeats = 2")];
    let mut bench = Bench::new(&plan("", &points));
    bench.wires[ONE].noise = 0.1;
    let bench = bench.finish();
    assert_eq!(dwelt(&bench), [(1, false), (1, false), (0, false), (1, true)]);
    let lengths: Vec<usize> = bench.dwells().iter().map(|m| m.length).collect();
    assert!(lengths[0] > 2000 && lengths[1] > 2000, "{lengths:?}");
    assert_eq!(lengths[3], 2000, "16 cycles of 16 Hz");
}

/// From one amplitude to the next at one frequency the source does not go by way of zero, with the small one first.
#[test]
fn one_frequency_is_not_left_between_its_points() {
    // A plan names no frequency twice yet; a job may.
    let points = [("16 Hz", "1 g pk", ""), ("15 Hz", "0.3 g pk", ""), ("14 Hz", "0.6 g pk", "")];
    let alike = |job: &mut plan_schema::resolve::ResolvedJob| {
        for point in &mut job.points {
            (point.frequency, point.dwell_cycles) = (Hertz::new(16.0), 16);
        }
    };
    // A source whose steps make another frequency of the one asked for is no reason to leave it.
    for clock in [1.0, 1.0 + 2e-6] {
        let mut bench = Bench::with(&plan("", &points), alike);
        bench.source_clock = clock;
        let bench = bench.finish();
        assert_eq!(dwelt(&bench), [(1, false), (2, false), (0, false), (1, true)]);
        // First motion, identification, the points: all at 16 Hz, which is left once.
        assert_eq!(bench.log.iter().filter(|(w, _)| *w == "off").count(), 1, "{clock}: {:?}", bench.log);
        assert!(bench.dwells().iter().all(|m| m.findings.is_empty()));
    }
    let bench = Bench::new(&two_points()).finish();
    assert_eq!(bench.log.iter().filter(|(w, _)| *w == "off").count(), 3, "16 Hz, 8 Hz, 16 Hz");
}

/// 25 Hz lies outside the band of the third sensor.
const BEYOND: [(&str, &str, &str); 3] =
    [("25 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", ""), ("8 Hz", "1 g pk", "")];

#[test]
fn a_sensor_skips_a_point_alone() {
    let bench = Bench::new(&plan("tolerance = \"5 %\"", &BEYOND)).while_it_runs(|bench| {
        // What it shows there means nothing, not even an overload.
        let there = bench.tones.last().is_some_and(|t| t.1 > 24.0 && bench.did("store first motion"));
        bench.wires[THREE].gain = if there { 0.0 } else { 1.0 };
        bench.wires[THREE].overload = there && bench.measuring();
    });
    assert_eq!(dwelt(&bench), [(0, false), (1, false), (2, false), (0, true)]);
    assert!(bench.dwells().iter().all(|m| m.findings.is_empty()));
    for (sensor, result) in results(&bench).into_iter().enumerate() {
        let skipped = sensor + 1 == THREE;
        let status: Vec<Status> = result.points.iter().map(|p| p.status).collect();
        let first = if skipped { Status::Skipped } else { Status::Accepted };
        assert_eq!(status, [first, Status::Accepted, Status::Accepted]);
        assert_eq!(result.points[0].reason.is_some(), skipped);
        assert_eq!(result.decision, crate::uncertainty::Decision::Pass, "a point left out does not count");
    }
}

#[test]
fn elsewhere_its_overload_trips() {
    // Sensor two has built-in electronics: its line may have opened, which costs it its points.
    for (frequency, column, trips) in
        [(16.0, THREE, true), (25.0, ONE, true), (25.0, TWO, false), (25.0, STANDARD, true)]
    {
        let bench = Bench::new(&plan("", &BEYOND)).while_it_runs(|bench| {
            let there = bench.tones.last().is_some_and(|t| (t.1 - frequency).abs() < 0.1);
            bench.wires[column].overload = there && bench.measuring();
        });
        let reason = trips.then_some(TripReason::Overload);
        assert_eq!(bench.run.trip().map(|t| t.reason), reason, "{frequency} Hz, column {column}");
        bench.at_rest();
    }
}

/// A point that only sensors would take which are out of the run is not run: neither in the middle, nor as the first, by
/// which the plant is identified and the run is closed.
#[test]
fn a_point_that_nobody_takes_is_not_run() {
    let bench = Bench::with(&plan("", &BEYOND), |job| {
        for sensor in [1, 2] {
            job.sensors[sensor].skips[0] = Some("out of its band".into());
            job.sensors[sensor].skips[1] = (sensor == 1).then(|| "out of its band".into());
        }
    });
    // Only the first sensor takes 25 Hz, the first and the third 16 Hz, all 8 Hz.
    let all = bench.finish();
    assert_eq!(dwelt(&all), [(0, false), (1, false), (2, false), (0, true)]);
    for (out, points) in [
        (vec![ONE], vec![(1, false), (2, false), (1, true)]),
        (vec![ONE, THREE], vec![(2, false), (2, true)]),
        (vec![THREE, TWO], vec![(0, false), (1, false), (2, false), (0, true)]),
    ] {
        let mut bench = Bench::with(&plan("", &BEYOND), |job| {
            for sensor in [1, 2] {
                job.sensors[sensor].skips[0] = Some("out of its band".into());
                job.sensors[sensor].skips[1] = (sensor == 1).then(|| "out of its band".into());
            }
        });
        for column in &out {
            bench.wires[*column].offset = 0.0;
            bench.wires[*column].gain = 0.0;
        }
        let bench = bench.finish();
        assert_eq!(dwelt(&bench), points, "{out:?}");
        let last = bench.tones[1..].iter().map(|t| t.1).fold(0.0, f64::max);
        assert!(last <= bench.run.setup().job.points[points[0].0].frequency.si(), "{:?}", bench.tones);
        for (sensor, result) in results(&bench).into_iter().enumerate() {
            let status = |n: usize| result.points[n].status;
            let measured = if out.contains(&(sensor + 1)) { Status::Rejected } else { Status::Accepted };
            assert_eq!(status(2), measured);
        }
    }
}

/// The waits that were foreseen are those that were waited, within a tenth.
#[test]
fn what_is_waited_was_foreseen() {
    let soak = "[soak]\nsteady = \"0.2 K\"\nover = \"10 s\"";
    for (text, soaks) in [
        (plan("", &BEYOND), 0.0),
        (plan("closing_point = false", &BEYOND), 5.0),
        (plan("", &BEYOND) + soak, 0.0),
        (plan("", &[("2 Hz", "2 mm pk", ""), ("1.2 Hz", "2 mm pk", "")]), 0.0),
    ] {
        let mut bench = Bench::with(&text, |job| job.sensors[0].sensor.soak_time = Seconds::new(soaks));
        bench.temperature = Some(23.0);
        let bench = bench.finish();
        assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.events);
        let (waited, foreseen) = (bench.run.waited().si(), bench.run.setup().waits().total().si());
        assert!(
            (waited / foreseen - 1.0).abs() < 0.1,
            "{waited} s of {foreseen} s: {:?}",
            bench.run.setup().waits()
        );
        assert!(waited < bench.now as f64 / RATE);
    }
}
