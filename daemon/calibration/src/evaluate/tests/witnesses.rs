//! Check standard and second reference: what is as expected, and what holds the queue.

use super::*;
use crate::sequence::tests::bench::{SECOND, STANDARD, two_points};
use plan_schema::resolve::WitnessRole;

fn with_gain(column: usize, gain: f64) -> Bench {
    let mut bench = Bench::new(&two_points());
    bench.wires[column].gain = gain;
    bench.finish()
}

fn shown(bench: &Bench) -> Vec<WitnessResult> {
    witnesses(bench.run.setup(), &bench.facts, &FRESH)
}

#[test]
fn within_their_limits_nothing_is_said() {
    for bench in [with_gain(STANDARD, 1.0), with_gain(STANDARD, 1.004), with_gain(SECOND, 0.995)] {
        let shown = shown(&bench);
        let roles: Vec<_> = shown.iter().map(|w| (w.serial.as_str(), w.role, w.points.len())).collect();
        assert_eq!(roles, [("K-1", WitnessRole::CheckStandard, 2), ("R-2", WitnessRole::SecondReference, 2)]);
        assert_eq!(hold(&shown), None);
        assert!(results(&bench).iter().flat_map(|r| &r.points).all(|p| kinds(p).is_empty()));
    }
}

/// The limit of a second reference from the certificates and what the rig adds, between bounds by hand.
#[test]
fn the_limit_of_a_second_reference() {
    let bench = with_gain(SECOND, 1.0);
    let rectangular = 3.0_f64.sqrt();
    // Ratio of channels, mounting, temperature of both; and transverse motion on both, at least nothing and at most the
    // product of its two figures over √2.
    let transverse = bench.run.setup().job.reference.reference.transverse_sensitivity.si() * 0.02;
    let rest = [0.0005 / 2.0, 0.001 / rectangular, 5e-5 / rectangular, 5e-5 / rectangular];
    let squares: f64 = rest.iter().map(|u| u * u).sum();
    let most = (squares + 2.0 * (transverse / 2.0_f64.sqrt()).powi(2)).sqrt();
    let certificates = 0.005 * 2.0_f64.sqrt();
    for point in &shown(&bench)[1].points {
        let (least, most) =
            (1.5 * certificates.hypot(2.0 * squares.sqrt()), 1.5 * certificates.hypot(2.0 * most));
        assert!(point.limit >= least && point.limit <= most + 1e-4, "{least} {} {most}", point.limit);
    }
}

#[test]
fn out_of_them_every_sensor_is_rejected_and_the_queue_held() {
    for (column, gain, serial, role) in
        [(STANDARD, 1.006, "K-1", "check standard"), (SECOND, 0.98, "R-2", "second reference")]
    {
        let bench = with_gain(column, gain);
        let why = hold(&shown(&bench)).unwrap();
        for part in [serial, role, "16 Hz", "reference"] {
            assert!(why.contains(part), "{why}");
        }
        for point in results(&bench).iter().flat_map(|r| &r.points) {
            assert_eq!(kinds(point), [FindingKind::RegisterMismatch]);
            assert_eq!(point.findings[0].column, None);
            assert!((point.findings[0].value.unwrap() - (gain - 1.0) * 100.0).abs() < 0.02);
        }
    }
}

#[test]
fn only_the_frequency_at_which_it_was_out_is_rejected() {
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        bench.wires[STANDARD].gain = if bench.ended() == 1 { 1.02 } else { 1.0 };
    });
    for result in results(&bench) {
        assert_eq!(kinds(&result.points[0]), [FindingKind::RegisterMismatch]);
        assert_eq!(kinds(&result.points[1]), []);
    }
}

/// A witness that is not there, with or without noise on its channel, is not as expected.
#[test]
fn a_dead_witness_is_not_as_expected() {
    for column in [STANDARD, SECOND] {
        for noise in [0.0, 20e-6, 0.1] {
            let mut bench = Bench::new(&two_points());
            (bench.wires[column].gain, bench.wires[column].noise) = (0.0, noise);
            let bench = bench.finish();
            assert!(hold(&shown(&bench)).is_some(), "{column}, {noise} V");
        }
    }
}

/// What noise alone does is not held against it.
#[test]
fn a_noisy_witness_is_not_suspected() {
    let mut bench = Bench::new(&two_points());
    bench.wires[STANDARD].noise = 0.05;
    let bench = bench.finish();
    let shown = shown(&bench);
    assert!(shown[0].points.iter().all(|p| p.limit > 0.0055), "{shown:?}");
    assert_eq!(hold(&shown), None);
}
