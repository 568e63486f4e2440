//! What follows from runs on the bench: what is found against points, and what enters their budgets.

mod drift_and_hum;
mod judgement;
mod repeats;
mod witnesses;

use super::*;
use crate::sequence::FindingKind;
use crate::sequence::tests::bench::Bench;

const FRESH: Circumstances = Circumstances { since_calibration: Seconds::ZERO, scope_in_force: true };

fn results(bench: &Bench) -> Vec<SensorResult> {
    assert_eq!(bench.outcome, Some(crate::sequence::Outcome::Done), "{:?}", bench.events);
    evaluate(bench.run.setup(), &bench.facts, &FRESH).unwrap()
}

fn kinds(point: &PointResult) -> Vec<FindingKind> {
    assert_eq!(point.findings.is_empty(), point.status != Status::Rejected, "{point:?}");
    point.findings.iter().map(|f| f.kind).collect()
}

/// Stated value of a component of the magnitude.
fn stated(point: &PointResult, name: &str) -> Option<f64> {
    let component = point.value.as_ref().unwrap().magnitude.component(name)?;
    Some(component.stated())
}
