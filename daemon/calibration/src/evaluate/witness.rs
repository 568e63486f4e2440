//! Witnesses of a run: a check standard, or a second reference, whose sensitivity is known beforehand.
//!
//! Out of its limits, a witness says that something is wrong with reference, channels or mounting, and so with every result:
//! the points at that frequency are rejected, and the queue is held until somebody has looked.

use super::RunFacts;
use super::budgets::{Circumstances, common, of_chain, of_transducer};
use super::channels::correction;
use super::seen::Seen;
use crate::estimate::Complex;
use crate::sequence::{Finding, FindingKind, PointEnd, Setup};
use crate::uncertainty::{Measurand, UncertaintyError};
use plan_schema::resolve::{Witness, WitnessRole};
use plan_schema::units::{Hertz, Sensitivity};

/// Standard uncertainties at which something is done about a difference: the action limit of a control chart (ISO 7870, from
/// memory).
const ACTION: f64 = 3.0;

/// What a witness showed.
#[derive(Debug, Clone, PartialEq)]
pub struct WitnessResult {
    /// Serial number.
    pub serial: String,
    /// What it is there for.
    pub role: WitnessRole,
    /// One entry a measurement at a frequency that its expected values cover, in order of time.
    pub points: Vec<WitnessPoint>,
}

/// A witness at one measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct WitnessPoint {
    /// Number of the point from 0.
    pub point: usize,
    /// Frequency of the plan.
    pub frequency: Hertz,
    /// Magnitude as measured.
    pub sensitivity: Sensitivity,
    /// Magnitude as expected.
    pub expected: Sensitivity,
    /// Deviation of the one from the other, relative.
    pub deviation: f64,
    /// Largest deviation, relative.
    pub limit: f64,
}

impl WitnessPoint {
    /// True if it is as expected.
    #[must_use]
    pub fn within(&self) -> bool {
        self.deviation.abs() <= self.limit
    }
}

/// What all witnesses of a run showed.
#[must_use]
pub fn witnesses(setup: &Setup, facts: &RunFacts, circumstances: &Circumstances) -> Vec<WitnessResult> {
    let of = |witness: &Witness| WitnessResult {
        serial: witness.serial.clone(),
        role: witness.role,
        points: measured(setup, facts, circumstances, witness),
    };
    setup.job.witnesses.iter().map(of).collect()
}

/// Why the queue is held after a run: the first witness that was out of its limits.
#[must_use]
pub fn hold(witnesses: &[WitnessResult]) -> Option<String> {
    witnesses.iter().find_map(|w| w.points.iter().find(|p| !p.within()).map(|p| says(&w.serial, w.role, p)))
}

/// Findings against a point by what the witnesses showed there.
pub(super) fn findings(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    number: usize,
) -> Vec<Finding> {
    let out = |witness: &Witness| {
        let seen = measured(setup, facts, circumstances, witness);
        let point = seen.into_iter().find(|p| p.point == number && !p.within())?;
        let (seen, limit) = (point.deviation * 100.0, point.limit * 100.0);
        let message = says(&witness.serial, witness.role, &point);
        Some(Finding::beyond(FindingKind::RegisterMismatch, None, seen, limit, "percent", message))
    };
    setup.job.witnesses.iter().filter_map(out).collect()
}

fn measured(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    witness: &Witness,
) -> Vec<WitnessPoint> {
    let look = |end: &PointEnd| {
        let PointEnd::Measured(m) = end else { return None };
        let frequency = setup.job.points.get(m.point)?.frequency;
        let (expected, limit) = witness.expected_at(frequency)?;
        let standard = setup.table.at(frequency).ok()?.sensitivity.si();
        let ratio = correction(&setup.job, facts, witness.column, m.point)
            .map_or(Complex::new(1.0, 0.0), |c| c.ratio);
        let seen = Seen::of(m, witness.column, &setup.job, standard / ratio)?;
        let sensitivity = Sensitivity::new(seen.response.norm());
        let limit = match witness.role {
            WitnessRole::CheckStandard => limit.si(),
            WitnessRole::SecondReference => {
                let rest = beside_certificates(setup, circumstances, frequency).ok()?;
                ACTION / 2.0 * limit.si().hypot(2.0 * rest)
            }
        };
        // What noise alone may do does not count against it, but no more than as much again: one that shows nothing but
        // noise is not as expected.
        let noise = if seen.certain { (ACTION * seen.u_magnitude).min(limit) } else { 0.0 };
        let usable = m.usable(witness.column, setup.job.reference.column);
        (!m.closing && usable).then(|| WitnessPoint {
            point: m.point,
            frequency,
            sensitivity,
            expected,
            deviation: sensitivity / expected - 1.0,
            limit: limit + noise,
        })
    };
    facts.ends.iter().filter_map(look).collect()
}

/// Standard uncertainty of the ratio of two references at a frequency, certificates apart: drift, temperature, transverse
/// motion and chains of both, channels and mounting.
fn beside_certificates(
    setup: &Setup,
    circumstances: &Circumstances,
    frequency: Hertz,
) -> Result<f64, UncertaintyError> {
    let job = &setup.job;
    let references = [Some(&job.reference), job.second_reference.as_ref()];
    let mut components = common(job, None)?;
    for mounted in references.into_iter().flatten() {
        components.extend(of_transducer(job, &mounted.reference, circumstances)?);
        components.extend(of_chain(&mounted.chain, "reference", frequency, Measurand::Magnitude, false)?);
    }
    Ok(components.iter().map(|c| c.standard().powi(2)).sum::<f64>().sqrt())
}

fn says(serial: &str, role: WitnessRole, point: &WitnessPoint) -> String {
    let what = match role {
        WitnessRole::CheckStandard => "check standard",
        WitnessRole::SecondReference => "second reference",
    };
    format!(
        "{what} '{serial}' is {:.2} % off what is expected at {}, {:.2} % is allowed: look at reference, channels and \
         mounting before anything else is run",
        point.deviation * 100.0,
        point.frequency,
        point.limit * 100.0
    )
}
