//! What a laboratory can't know acts as an error, is as large as declared, and is no part of the truth.

use crate::bench::{Bench, fit};
use crate::facts::{Facts, no_faults};

/// Ratio of the first sensor to the reference at 50 Hz over the true ratio, less 1; for each of `seeds`.
fn errors(facts: &Facts, seeds: u64) -> Vec<f64> {
    (0..seeds)
        .map(|seed| {
            let mut bench = Bench::with(facts, seed, &no_faults(), 200);
            bench.unmute();
            bench.tone(50.0, 1.0);
            bench.run(1.6);
            let channels = bench.run(0.1);
            let truth = bench.rig.truth().sensors[0].points[2].sensitivity.si();
            fit(&channels[1], 50.0, 0).0 / fit(&channels[0], 50.0, 0).0 * 0.010 / truth - 1.0
        })
        .collect()
}

fn deviation(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// 0.6 % rectangular: deviation 0.6 %/√3, known to √(1/5n) here, and never more than the half-width.
#[test]
fn mounting_is_an_error() {
    let facts = Facts { errors: ["0 deg", "0 %", "0.6 %", "0 K"], ..Facts::default() };
    let off = errors(&facts, 150);
    let spread = deviation(&off) / (0.006 / 3f64.sqrt());
    assert!((spread - 1.0).abs() < 4.0 * (0.2 / 150.0f64).sqrt(), "{spread}");
    assert!(off.iter().all(|v| v.abs() < 0.006 + 1e-6));
}

/// 5 % cross-axis on 10 % transverse motion: deviation 0.5 %/√18 about zero.
#[test]
fn transverse_motion_is_an_error() {
    let facts = Facts { errors: ["0 deg", "10 %", "0 %", "0 K"], cross_axis: "5 %", ..Facts::default() };
    let off = errors(&facts, 200);
    let spread = deviation(&off) / (0.005 / 18f64.sqrt());
    assert!((spread - 1.0).abs() < 4.0 * (3.86 / 4.0 / 200.0f64).sqrt(), "{spread}");
    assert!(off.iter().all(|v| v.abs() < 0.005));
}

/// The table's temperature is unknown within 3 K; sensors are truly what they are there, the reference is not corrected.
#[test]
fn the_table_is_warmer_than_the_room() {
    let facts = Facts { errors: ["0 deg", "0 %", "0 %", "3 K"], ..Facts::default() };
    let mut warmed: Vec<f64> = (0..100)
        .map(|seed| {
            let bench = Bench::with(&facts, seed, &no_faults(), 200);
            // 0.1 %/K
            (bench.rig.truth().sensors[0].points[0].sensitivity.si() / 0.020 - 1.0) / 0.001
        })
        .collect();
    warmed.sort_by(f64::total_cmp);
    assert!(warmed[0] > -3.0 && warmed[0] < -2.5 && warmed[99] < 3.0 && warmed[99] > 2.5, "{warmed:?}");
    assert!(errors(&facts, 5).iter().all(|v| v.abs() < 2e-6));
}

/// The drift of the reference since its calibration; one that lies after the dry run's day counts as a year old.
#[test]
fn the_reference_drifts() {
    let facts = Facts { drift: "0.5 %", ..Facts::default() };
    let off = errors(&facts, 150);
    let spread = deviation(&off) / (0.005 / 3f64.sqrt());
    assert!((spread - 1.0).abs() < 4.0 * (0.2 / 150.0f64).sqrt(), "{spread}");
    assert!(off.iter().all(|v| v.abs() < 0.00503));
}

/// The order in which a job lists its sensors changes nothing.
#[test]
fn order_makes_no_difference() {
    let facts = Facts {
        errors: ["1 deg", "5 %", "0.3 %", "1 K"],
        sensors: vec!["noise_corner = \"10 Hz\"", "lower_corner = \"0.5 Hz\"", ""],
        noise: "50 uV rms",
        density: "100 ug/sqrtHz",
        bits: 24,
        spread: "3 %",
        ..Facts::default()
    };
    let backwards = Facts { backwards: true, ..facts.clone() };
    let record = |facts: &Facts| {
        let mut bench = Bench::with(facts, 9, &no_faults(), 300);
        bench.unmute();
        bench.tone(50.0, 1.0);
        (bench.run(0.9), bench.rig.truth())
    };
    let ((samples, truth), (others, mut other)) = (record(&facts), record(&backwards));
    other.sensors.reverse();
    assert_eq!(samples, others);
    assert_eq!(truth, other);
}
