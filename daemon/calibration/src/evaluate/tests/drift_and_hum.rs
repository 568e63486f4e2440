//! Drift of the set-up, and hum that can't be told from the signal.

use super::*;
use crate::sequence::tests::bench::{ONE, REFERENCE, TWO, plan, two_points};
use crate::uncertainty::Distribution;

/// The gain of a column changes before the closing look.
fn drifted(column: usize, by: f64) -> Vec<SensorResult> {
    results(&Bench::new(&two_points()).while_it_runs(|bench| {
        if bench.ended() == 2 {
            bench.wires[column].gain = 1.0 + by;
        }
    }))
}

#[test]
fn a_large_drift_rejects_all_points_of_the_sensor() {
    for by in [0.01, -0.01] {
        let results = drifted(TWO, by);
        for point in &results[1].points {
            assert_eq!(kinds(point), [FindingKind::SetupDrift]);
            let finding = &point.findings[0];
            assert!((finding.value.unwrap() - 1.0).abs() < 0.01 && finding.limit.unwrap() < 0.52);
        }
        assert!(results[0].points.iter().chain(&results[2].points).all(|p| kinds(p).is_empty()));
    }
    // It is the reference that drifted: all of them.
    for result in drifted(REFERENCE, 0.01) {
        assert!(result.points.iter().all(|p| kinds(p) == [FindingKind::SetupDrift]));
    }
}

#[test]
fn a_small_drift_is_in_the_budget_by_name() {
    let results = drifted(TWO, 0.001);
    for point in &results[1].points {
        assert_eq!(kinds(point), []);
        let value = point.value.as_ref().unwrap();
        let drift = value.magnitude.component("drift of the set-up").unwrap();
        assert!((drift.stated() - 0.001).abs() < 3e-5, "{}", drift.stated());
        assert_eq!(drift.distribution(), Distribution::Rectangular);
        let phase = value.phase_budget.as_ref().unwrap().component("drift of the set-up").unwrap();
        assert!(phase.stated() < 1e-4);
    }
    assert!(stated(&results[0].points[0], "drift of the set-up").unwrap() < 1e-4);
    // Without a closing look nothing is known of it.
    let points = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")];
    let open = super::results(&Bench::new(&plan("closing_point = false", &points)).finish());
    assert_eq!(stated(&open[1].points[0], "drift of the set-up"), None);
}

/// 50 Hz on a mains of 50 Hz, and 16 Hz, of which hum can be told.
fn humming(column: usize, volts: f64, from_dwell: usize) -> (Bench, Vec<SensorResult>) {
    let text = plan("", &[("50 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")]);
    let bench = Bench::new(&text).while_it_runs(|bench| {
        bench.wires[column].hum = if bench.ended() >= from_dwell { volts } else { 0.0 };
    });
    let found = results(&bench);
    (bench, found)
}

#[test]
fn hum_at_rest_beyond_the_limit_rejects_the_point_that_hides_it() {
    let (bench, results) = humming(ONE, 0.02, 0);
    // Said of both dwells.
    assert_eq!(kinds(&results[0].points[0]), [FindingKind::Hum; 2]);
    assert_eq!(kinds(&results[0].points[1]), [], "at 16 Hz it is fitted beside");
    assert!(kinds(&results[1].points[0]).is_empty());
    // The quiet part before told it already: it was repeated, and known to stay.
    let found: Vec<_> = bench.dwells().iter().map(|m| m.findings.len()).collect();
    assert_eq!(found, [1, 1, 0, 1]);
    // On the reference it concerns everybody who takes the point.
    let (_, results) = humming(REFERENCE, 0.02, 0);
    for sensor in [0, 1] {
        assert_eq!(kinds(&results[sensor].points[0]), [FindingKind::Hum; 2]);
    }
}

#[test]
fn hum_that_came_up_during_the_run_rejects_the_point_as_well() {
    let (bench, results) = humming(ONE, 0.02, 3);
    assert!(bench.dwells().iter().all(|m| m.findings.is_empty()));
    let point = &results[0].points[0];
    assert_eq!(kinds(point), [FindingKind::Hum]);
    assert!(
        (point.findings[0].value.unwrap() - 2.0).abs() < 0.05 && point.findings[0].message.contains("end")
    );
    assert!(kinds(&results[0].points[1]).is_empty() && kinds(&results[1].points[0]).is_empty());
}

#[test]
fn hum_below_the_limit_is_in_the_budget() {
    // 1 g are 1 V on this sensor and 0.981 V on the reference.
    for (column, component, other, share) in [
        (ONE, "hum on sensor", "hum on reference", 0.005),
        (REFERENCE, "hum on reference", "hum on sensor", 0.005 / 0.980_665),
    ] {
        for from_dwell in [0, 3] {
            let (_, results) = humming(column, 0.005, from_dwell);
            let point = &results[0].points[0];
            assert_eq!(kinds(point), []);
            let hum = point.value.as_ref().unwrap().magnitude.component(component).unwrap();
            assert_eq!(hum.distribution(), Distribution::Arcsine);
            assert!((hum.stated() / share - 1.0).abs() < 0.02, "{} {share}", hum.stated());
            assert!(stated(point, other).unwrap() < 1e-4);
            assert_eq!(stated(&results[0].points[1], component), None, "it can be told at 16 Hz");
        }
    }
}
