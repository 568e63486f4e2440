//! What the written chain, fixture and certificate do to a budget, against sums by hand.

use super::*;
use crate::uncertainty::deviation_between;
use plan_schema::read::Document;
use plan_schema::resolve::JobFiles;

const RIG: &str = include_str!("../../../../../examples/rigs/workshop.toml");
const REFERENCES: &str = include_str!("../../../../../examples/registers/workshop-references.toml");

/// The workshop's job with other texts for its rig and its register of references.
fn workshop(rig: &str, references: &str) -> Setup {
    let files = JobFiles {
        job: Document::read("job", include_str!("../../../../../examples/workshop.toml")).unwrap(),
        plan: Document::read("plan", include_str!("../../../../../examples/plans/workshop.toml")).unwrap(),
        rig: Document::read("rig", rig).unwrap(),
        sensors: Document::read(
            "sensors",
            include_str!("../../../../../examples/registers/workshop-sensors.toml"),
        )
        .unwrap(),
        references: Document::read("references", references).unwrap(),
    };
    Setup::new(ResolvedJob::resolve(&files).unwrap().0)
}

const NOW: Circumstances = Circumstances { since_calibration: Seconds::ZERO, scope_in_force: false };

fn stated(budget: &Budget, name: &str) -> Option<(f64, f64)> {
    budget.component(name).map(|c| (c.stated(), c.correlation_over_frequency()))
}

fn near(found: Option<(f64, f64)>, stated: f64, correlation: f64) {
    let (value, r) = found.unwrap();
    assert!(
        (value / stated - 1.0).abs() < 1e-3 && (r - correlation).abs() < 1e-12,
        "{value} {r} is not {stated}"
    );
}

/// Figures as the rig file states them; of the coupling with its corner of 0.5 Hz ± 3 % at 5 Hz 3 % · 1/101 of magnitude and
/// 3 % · 10/101 rad (derivatives of x/√(1 + x²) and atan 1/x, elementary).
#[test]
fn each_part_of_a_chain_has_its_line() {
    let setup = workshop(RIG, REFERENCES);
    let (bridge, charge, current) = (0, 1, 2);
    let at = Hertz::new(5.0);
    let budget = magnitude_budget(&setup, charge, at, &NOW).unwrap();
    near(stated(&budget, "channel gain of sensor"), 0.000_3, 1.0);
    near(stated(&budget, "channel gain of reference"), 0.000_3, 1.0);
    near(stated(&budget, "conditioner gain of sensor"), 0.001_5, 1.0);
    near(stated(&budget, "conditioner gain of reference"), 0.001_5, 1.0);
    near(stated(&budget, "coupling corner of sensor"), 0.03 / 101.0, 1.0);
    near(stated(&budget, "fixture"), 0.001, 0.0);
    near(stated(&budget, "reference sensitivity"), 0.005, 0.9);
    assert_eq!(stated(&budget, "fixture interpolation"), None, "5 Hz is a line of the plate");
    let turned = phase(&setup, charge, at, None).unwrap().unwrap();
    near(stated(&turned, "coupling corner of sensor"), 0.3 / 101.0, 1.0);
    near(stated(&turned, "conditioner phase of reference"), 0.05f64.to_radians(), 1.0);
    // 0.2 µs at 500 Hz; a corner of 5 kHz ± 2 % at a tenth of it: 2 % · 0.01/1.01.
    let late = phase(&setup, bridge, Hertz::new(500.0), None).unwrap().unwrap();
    near(stated(&late, "channel delay of sensor"), std::f64::consts::TAU * 500.0 * 0.2e-6, 1.0);
    let filtered = magnitude_budget(&setup, current, Hertz::new(500.0), &NOW).unwrap();
    near(stated(&filtered, "filter corner of sensor"), 0.02 * 0.01 / 1.01, 1.0);
    // Half of the way from 100.1 % to 100.9 %.
    let between = magnitude_budget(&setup, charge, Hertz::new(160.0), &NOW).unwrap();
    near(stated(&between, "fixture interpolation"), (1.009f64 / 1.001).ln() / 2.0, 0.0);
}

#[test]
fn of_a_chain_that_is_not_written_there_is_no_line() {
    let plain = |old: &str, new: &str, text: &str| text.replace(old, new);
    // What is left where no uncertainty is stated.
    let rig = plain("u = \"0.03 %\"", "u = \"0 %\"", RIG);
    let rig = plain("conditioner_u = \"0.15 %\"\n", "", &rig);
    let setup = workshop(&rig, REFERENCES);
    let budget = magnitude_budget(&setup, 1, Hertz::new(5.0), &NOW).unwrap();
    let named = |part: &str| budget.components().iter().any(|c| c.name().starts_with(part));
    assert!(!named("channel gain") && !named("conditioner gain") && named("coupling corner"));
}

/// The reference shows 2.002 pC/(m/s²) · 9.982 mV/pC · 1.0004 at 80 Hz, and the conditioner's response between its lines.
#[test]
fn the_reference_is_read_through_its_chain() {
    let setup = workshop(RIG, REFERENCES);
    let at = Hertz::new(80.0);
    assert!((setup.table.at(at).unwrap().sensitivity.si() / (2.002 * 9.982e-3) - 1.0).abs() < 1e-12);
    let (sensitivity, turned) = setup.reference_at(at).unwrap();
    assert!((sensitivity.si() / (2.002 * 9.982e-3 * 1.0004) - 1.0).abs() < 1e-9, "{sensitivity}");
    // Two thirds of the way from 20 Hz to 160 Hz over the logarithm: 0.2° − 0.3° · 2/3, and the certificate's −0.02°.
    assert!((turned.unwrap().degrees() + 0.02).abs() < 1e-9, "{turned:?}");
}

/// U of the deviation from the reference frequency for a reference of 0.5 % and 0.58 % in all: 0.42, 0.47, 0.82 % for a
/// correlation of 1, 0.9, 0 (√(2 (0.58² − 0.5²) + 2 (1 − r) 0.5²), elementary).
#[test]
fn a_correlation_cancels_in_the_deviation() {
    for (written, expected) in [("1", 0.4157), ("0.9", 0.4722), ("0", 0.8202)] {
        let references = REFERENCES.replace("correlation = 0.9", &format!("correlation = {written}"));
        let setup = workshop(RIG, &references);
        let at = |f: f64| {
            let found = magnitude_budget(&setup, 0, Hertz::new(f), &NOW).unwrap();
            let certificate = found.component("reference sensitivity").unwrap().clone();
            let rest = (0.0058f64.powi(2) - 0.005f64.powi(2)).sqrt();
            let rest =
                Component::new("rest", Source::ThisRun, Distribution::Normal { k: 2.0 }, rest).unwrap();
            Budget::new(Measurand::Magnitude, vec![certificate, rest]).unwrap()
        };
        let found = deviation_between(&at(20.0), &at(80.0), 0.0).unwrap();
        assert!((100.0 * found.expanded - expected).abs() < 1e-3, "r = {written}: {found:?}");
    }
}
