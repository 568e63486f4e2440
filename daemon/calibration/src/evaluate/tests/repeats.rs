//! Repeats of a point: which of them count, and what their difference does.

use super::*;
use crate::sequence::tests::bench::{ONE, THREE, plan, two_points};
use plan_schema::rig::Connection;

/// 16 Hz measured as often as said, with a gain of the first sensor for each dwell.
fn repeated(repeats: u32, gains: &[f64]) -> Bench {
    let more = format!("repeats = {repeats}");
    let text = plan("closing_point = false", &[("16 Hz", "1 g pk", &more)]);
    Bench::new(&text).while_it_runs(|bench| {
        if let Some(gain) = gains.get(bench.ended()) {
            bench.wires[ONE].gain = *gain;
        }
    })
}

const NOMINAL: f64 = 1.0 / 9.806_65;

#[test]
fn two_are_averaged_and_half_their_difference_is_in_the_budget() {
    let results = results(&repeated(2, &[1.0, 1.004]));
    let point = &results[0].points[0];
    assert_eq!((point.status, point.repeats.len()), (Status::Accepted, 2));
    let value = point.value.as_ref().unwrap();
    assert!((value.sensitivity.si() / NOMINAL - 1.002).abs() < 2e-5);
    assert!((value.cycles - 32.0).abs() < 0.1);
    let half = stated(point, "difference of two measurements").unwrap();
    assert!((half - 0.002 / 1.002).abs() < 2e-5, "{half}");
    // The others did not change.
    let half = stated(&results[1].points[0], "difference of two measurements").unwrap();
    assert!(half < 1e-4);
}

/// Standard deviation of the mean of three by hand: gains 1, 1.001, 1.002 scatter by 0.001, and 0.001/√3 is that of the mean.
#[test]
fn three_scatter() {
    let results = results(&repeated(3, &[1.0, 1.001, 1.002]));
    let point = &results[0].points[0];
    let value = point.value.as_ref().unwrap();
    let scatter = value.magnitude.component("scatter of repeats").unwrap();
    assert!((scatter.standard() - 0.001 / 3.0_f64.sqrt()).abs() < 2e-5 && (scatter.dof() - 2.0).abs() < 1e-9);
    assert!((value.sensitivity.si() / NOMINAL - 1.001).abs() < 2e-5);
}

#[test]
fn two_that_disagree_reject_the_point_of_that_sensor() {
    for (second, wanted) in [(1.0045, vec![]), (1.0055, vec![FindingKind::RepeatDisagrees])] {
        let results = results(&repeated(2, &[1.0, second]));
        assert_eq!(kinds(&results[0].points[0]), wanted, "{second}");
        assert!(results[0].points[0].value.is_some(), "rejected, it still shows its figures");
        assert_eq!(kinds(&results[1].points[0]), []);
    }
}

/// A dwell that was disturbed and measured once more: the good one counts alone.
#[test]
fn the_good_one_counts_alone() {
    let text = plan("closing_point = false", &[("16 Hz", "1 g pk", "")]);
    let bench = Bench::new(&text).while_it_runs(|bench| {
        let bad = bench.ended() == 0 && bench.measuring();
        bench.wires[ONE].third = if bad { 0.05 } else { 0.0 };
        bench.wires[ONE].gain = if bench.ended() == 0 && bench.did("store first motion") { 1.1 } else { 1.0 };
    });
    let results = results(&bench);
    let point = &results[0].points[0];
    assert_eq!(point.repeats.iter().map(|r| r.valid).collect::<Vec<_>>(), [false, true]);
    assert_eq!((point.status, kinds(point)), (Status::Accepted, vec![]));
    let value = point.value.as_ref().unwrap();
    assert!((value.sensitivity.si() / NOMINAL - 1.0).abs() < 2e-5 && (value.cycles - 16.0).abs() < 0.1);
    assert_eq!(stated(point, "difference of two measurements"), None);
    // For the other sensors both count.
    let other = &results[1].points[0];
    assert!(other.repeats.iter().all(|r| r.valid) && other.repeats.len() == 2);
    assert!(stated(other, "difference of two measurements").is_some());
    // Time that counts: both dwells, of which each served somebody.
    assert!((measured_time(bench.run.setup(), &bench.facts).si() - 2.0).abs() < 1e-9);
}

/// A channel that shows nothing whatever, not even noise, is that sensor's trouble and nobody else's.
#[test]
fn a_dead_channel_does_not_keep_the_others_from_their_results() {
    for noise in [0.0, 20e-6] {
        let bench = Bench::new(&two_points()).while_it_runs(|bench| {
            if bench.did("store first motion") {
                let wire = &mut bench.wires[ONE];
                (wire.gain, wire.offset, wire.noise) = (0.0, 0.0, noise);
            }
        });
        let results = results(&bench);
        for point in &results[0].points {
            assert_eq!(point.status, Status::Rejected);
            assert!(point.findings.iter().all(|f| f.kind == FindingKind::SensorOpen), "{point:?}");
        }
        for result in &results[1..] {
            assert!(result.points.iter().all(|p| p.status == Status::Accepted));
        }
    }
}

/// The register speaks of the difference of two lines; a channel on one of them sees half.
#[test]
fn one_line_of_two_stands_for_the_difference() {
    let mut bench = Bench::with(&two_points(), |job| {
        job.columns[THREE].connection = Connection::SingleEnded;
        job.sensors[2].sensor.output = plan_schema::registers::SensorOutput::Differential;
    });
    bench.wires[THREE].gain = 1.01;
    let results = results(&bench.finish());
    for point in &results[2].points {
        let value = point.value.as_ref().unwrap();
        assert!((value.sensitivity.si() / NOMINAL - 0.505).abs() < 1e-4, "{value:?}");
        assert!((value.deviation.unwrap() - 0.01).abs() < 1e-4);
    }
}
