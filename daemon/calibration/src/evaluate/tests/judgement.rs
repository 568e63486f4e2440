//! Decisions by band and against the reference frequency, and what a laboratory's scope does to results.

use super::*;
use crate::sequence::tests::bench::{ONE, plan};
use plan_schema::plan::FORMAT;
use plan_schema::plan::Format;
use plan_schema::registers::{Date, SensorKind};
use plan_schema::scope::{Scope, ScopeBand};
use plan_schema::units::{Fraction, Hertz, Radians};

const POINTS: [(&str, &str, &str); 2] =
    [("8 Hz", "1 g pk", "tolerance = \"5 %\""), ("16 Hz", "1 g pk", "tolerance = \"5 %\"")];

/// A plan judged as said, run to its end with a gain of the first sensor.
fn judged(decision: &str, gain: f64) -> Bench {
    let head = format!("closing_point = false\nreference_frequency = \"16 Hz\"\n[decision]\n{decision}");
    Bench::new(&plan(&head, &POINTS)).while_it_runs(|bench| bench.wires[ONE].gain = gain)
}

#[test]
fn the_reference_frequency_gets_no_statement_and_keeps_nobody_from_passing() {
    let results = results(&judged("deviation_from = \"reference_frequency\"", 1.0));
    for sensor in &results {
        let [other, base] = sensor.points.as_slice() else { panic!("{sensor:?}") };
        assert!(base.is_base && base.decision == Decision::None && base.conformity.is_none(), "{base:?}");
        assert!(base.value.as_ref().unwrap().deviation.is_none());
        assert!(!other.is_base && other.decision == Decision::Pass, "{other:?}");
        assert!(other.conformity.unwrap() > 0.999);
        assert_eq!(sensor.decision, Decision::Pass);
    }
}

/// 4.9 % off with a tolerance of 5 %: accepted simply, within the guard band otherwise; each band by its own rule.
#[test]
fn each_band_is_judged_by_its_own_rule() {
    let bands = "rule = \"simple_acceptance\"\n[[decision.bands]]\nfrom = \"10 Hz\"\nto = \"20 Hz\"\nrule = \"chosen_risk\"\nrisk = \"1 %\"";
    let results = results(&judged(bands, 1.049));
    let [low, high] = results[0].points.as_slice() else { panic!() };
    assert_eq!((low.decision, high.decision), (Decision::Pass, Decision::ConditionalPass));
    assert_eq!(low.guard_band, Some(0.0));
    let (expanded, guard) = (high.value.as_ref().unwrap().u_deviation.unwrap(), high.guard_band.unwrap());
    // One-sided 1 % of a normal quantity is 2.326 u, against U = 2 u.
    assert!((guard / expanded - 2.326 / 2.0).abs() < 0.02, "{guard} {expanded}");
    assert!((0.5..0.99).contains(&high.conformity.unwrap()));
    assert_eq!(results[0].decision, Decision::ConditionalPass);
}

fn scope(u: f64) -> Scope {
    let band = ScopeBand {
        sensors: SensorKind::ALL.to_vec(),
        from: Hertz::new(10.0),
        to: Hertz::new(100.0),
        amplitude_min: None,
        amplitude_max: None,
        u: Fraction::new(u),
        u_phase: Some(Radians::new(0.1)),
    };
    Scope {
        format: Format(FORMAT),
        accreditation: "XL-00000".to_owned(),
        granted_by: "nobody".to_owned(),
        quantity: "sensitivity".to_owned(),
        valid_until: Date { year: 2001, month: 1, day: 1 },
        bands: vec![band],
    }
}

/// Nothing below the best capability is stated, by a bit; what is above it stays as it is.
#[test]
fn a_scope_bounds_what_is_stated() {
    let bench = judged("rule = \"guard_band\"", 1.0);
    let with = |scope: Option<Scope>, circumstances: &Circumstances| {
        let mut setup = bench.run.setup().clone();
        setup.job.scope = scope;
        evaluate(&setup, &bench.facts, circumstances).unwrap().remove(0).points
    };
    let expanded = |point: &PointResult| point.value.as_ref().unwrap().magnitude.combined().expanded;
    let plain = with(None, &FRESH);
    assert!(plain.iter().all(|p| p.accredited.is_none()));
    let bounded = with(Some(scope(0.03)), &FRESH);
    assert_eq!(expanded(&bounded[0]).to_bits(), expanded(&plain[0]).to_bits(), "8 Hz lies outside");
    assert_eq!(bounded[0].accredited, Some(Accredited { magnitude: false, phase: false }));
    assert!((expanded(&bounded[1]) - 0.03).abs() < 1e-15 && expanded(&plain[1]) < 0.03);
    assert_eq!(bounded[1].accredited, Some(Accredited { magnitude: true, phase: true }));
    let value = bounded[1].value.as_ref().unwrap();
    assert!((value.u_deviation.unwrap() / 0.03 - 1.0).abs() < 0.01, "the deviation's follows");
    assert!((value.phase_budget.as_ref().unwrap().combined().expanded - 0.1).abs() < 1e-15);
    let fine = with(Some(scope(1e-6)), &FRESH);
    assert_eq!(expanded(&fine[1]).to_bits(), expanded(&plain[1]).to_bits());
    let lapsed = with(Some(scope(0.03)), &Circumstances { scope_in_force: false, ..FRESH });
    assert_eq!(lapsed[1].accredited, Some(Accredited { magnitude: false, phase: false }));
    assert!((expanded(&lapsed[1]) - 0.03).abs() < 1e-15);
}

/// The budgets of a point as they are printed.
#[test]
fn budgets_are_ready_to_print() {
    let results = results(&judged("rule = \"guard_band\"", 1.0));
    let value = results[0].points[1].value.as_ref().unwrap();
    let phase = value.phase_budget.as_ref().unwrap();
    insta::assert_snapshot!(format!("{}\n\n{phase}", value.magnitude));
}
