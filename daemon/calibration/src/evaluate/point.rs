//! One sensor at one point.

use super::RunFacts;
use super::budgets::{Circumstances, Observed, magnitude, phase};
use crate::estimate::{Complex, DwellEstimate};
use crate::sequence::{Finding, Measurement, PointEnd, Setup};
use crate::uncertainty::{Budget, Decision, UncertaintyError};
use plan_schema::units::{Accel, Celsius, Displacement, Hertz, Peak, Radians, Seconds, Sensitivity};
use std::f64::consts::{PI, TAU};

/// Whether a point counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// It was measured and nothing was found against it.
    Accepted,
    /// It was tried, but something was found against it.
    Rejected,
    /// The run ended before it.
    NotReached,
}

/// What one sensor shows at one point.
#[derive(Debug, Clone, PartialEq)]
pub struct PointResult {
    /// Frequency of the plan.
    pub frequency: Hertz,
    /// Target of the plan.
    pub target: Accel<Peak>,
    /// Whether it counts.
    pub status: Status,
    /// What was found against it.
    pub findings: Vec<Finding>,
    /// Time from the start of the point to its first dwell.
    pub settle: Option<Seconds>,
    /// Temperature when the dwell began.
    pub temperature: Option<Celsius>,
    /// The figures; `None` where nothing was measured.
    pub value: Option<Value>,
    /// Every repeat.
    pub repeats: Vec<RepeatResult>,
    /// The decision.
    pub decision: Decision,
}

/// The figures of a point.
#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    /// Frequency as measured on the reference.
    pub frequency: Hertz,
    /// Acceleration as the reference shows it.
    pub acceleration: Accel<Peak>,
    /// Displacement of the fundamental.
    pub displacement: Displacement<Peak>,
    /// Cycles measured, all repeats together.
    pub cycles: f64,
    /// Segments of all repeats.
    pub segments: usize,
    /// Magnitude of the sensitivity.
    pub sensitivity: Sensitivity,
    /// Phase of the output against the acceleration, lag negative, in (−π, π].
    pub phase: Option<Radians>,
    /// Deviation as the plan refers it; `None` where it refers to nothing.
    pub deviation: Option<f64>,
    /// Expanded uncertainty of that deviation.
    pub u_deviation: Option<f64>,
    /// Budget of the magnitude.
    pub magnitude: Budget,
    /// Budget of the phase.
    pub phase_budget: Option<Budget>,
    /// Distortion of acceleration, harmonics 2 to the plan's.
    pub distortion: Option<f64>,
    /// Signal over noise of the sensor.
    pub snr_db: f64,
}

/// One repeat.
#[derive(Debug, Clone, PartialEq)]
pub struct RepeatResult {
    /// Magnitude.
    pub sensitivity: Option<Sensitivity>,
    /// Phase.
    pub phase: Option<Radians>,
    /// True if it enters the result.
    pub valid: bool,
}

/// One repeat that was estimated, for one sensor.
struct Seen<'a> {
    measurement: &'a Measurement,
    estimate: &'a DwellEstimate,
    response: Complex<f64>,
    u_magnitude: f64,
    u_phase: f64,
    dof: f64,
    valid: bool,
}

pub(super) fn evaluate_point(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    sensor: usize,
    number: usize,
) -> Result<PointResult, UncertaintyError> {
    let job = &setup.job;
    let (Some(point), Some(mounted)) = (job.points.get(number), job.sensors.get(sensor)) else {
        return Err(UncertaintyError::KindsDisagree);
    };
    let reference = job.reference.column;
    let mut result = PointResult {
        frequency: point.frequency,
        target: point.target,
        status: Status::NotReached,
        findings: Vec::new(),
        settle: None,
        temperature: None,
        value: None,
        repeats: Vec::new(),
        decision: Decision::None,
    };
    let table = setup.table.at(point.frequency)?;
    // Complex sensitivity of the reference; without a phase its magnitude alone.
    let standard = Complex::from_polar(table.sensitivity.si(), table.phase.map_or(0.0, |p| p.si()));
    let seen = gather(facts, number, mounted.column, reference, standard, &mut result);
    let with_phase = table.phase.is_some();
    result.repeats = seen
        .iter()
        .map(|s| RepeatResult {
            sensitivity: Some(Sensitivity::new(s.response.norm())),
            phase: with_phase.then(|| Radians::new(wrap(s.response.arg()))),
            valid: s.valid,
        })
        .collect();
    let good: Vec<&Seen<'_>> = seen.iter().filter(|s| s.valid).collect();
    // A point of which no repeat is good still shows its figures, as rejected.
    let used: Vec<&Seen<'_>> = if good.is_empty() { seen.iter().collect() } else { good };
    if used.iter().any(|s| s.valid) && !result.findings.iter().any(|f| f.column.is_none()) {
        result.status = Status::Accepted;
    }
    result.value = figures(setup, circumstances, sensor, number, &used, standard.norm())?;
    Ok(result)
}

/// Goes through what the run left of a point: notes what was found against it, and gives every estimated repeat.
fn gather<'a>(
    facts: &'a RunFacts,
    number: usize,
    column: usize,
    reference: usize,
    standard: Complex<f64>,
    result: &mut PointResult,
) -> Vec<Seen<'a>> {
    let mut seen = Vec::new();
    for end in &facts.ends {
        match end {
            PointEnd::Unreached { point, settle, finding, .. } if *point == number => {
                result.status = Status::Rejected;
                result.settle = Some(*settle);
                result.findings.push(finding.clone());
            }
            PointEnd::Measured(m) if m.point == number => {
                result.settle = result.settle.or(Some(m.settle));
                result.temperature = result.temperature.or(m.temperature);
                result.findings.extend(m.findings.iter().filter(|f| f.concerns(column, reference)).cloned());
                seen.extend(look(m, column, reference, standard));
                result.status = Status::Rejected;
            }
            PointEnd::Unreached { .. } | PointEnd::Measured(_) => {}
        }
    }
    seen
}

fn look(m: &Measurement, column: usize, reference: usize, standard: Complex<f64>) -> Option<Seen<'_>> {
    let estimate = m.estimate.as_ref().ok()?;
    let ratio = estimate.ratios.iter().find(|r| r.channel == column)?;
    let usable = m.usable(column, reference) && ratio.u_rel_a.is_finite() && ratio.u_phase_a.is_finite();
    Some(Seen {
        measurement: m,
        estimate,
        response: ratio.ratio * standard,
        u_magnitude: ratio.u_rel_a.si(),
        u_phase: ratio.u_phase_a.si(),
        dof: ratio.dof,
        valid: usable,
    })
}

fn figures(
    setup: &Setup,
    circumstances: &Circumstances,
    sensor: usize,
    number: usize,
    used: &[&Seen<'_>],
    standard: f64,
) -> Result<Option<Value>, UncertaintyError> {
    let job = &setup.job;
    let (Some(first), Some(point), Some(mounted)) =
        (used.first(), job.points.get(number), job.sensors.get(sensor))
    else {
        return Ok(None);
    };
    if !used.iter().all(|s| s.u_magnitude.is_finite() && s.u_phase.is_finite()) {
        return Ok(None);
    }
    let count = used.len() as f64;
    let response = used.iter().map(|s| s.response).sum::<Complex<f64>>() / count;
    let rms =
        |of: fn(&Seen<'_>) -> f64| (used.iter().map(|s| of(s).powi(2)).sum::<f64>() / count / count).sqrt();
    let dof = used.iter().map(|s| s.dof).sum::<f64>();
    let scatter = |of: &dyn Fn(&Seen<'_>) -> f64| {
        (used.len() > 1).then(|| {
            let squares: f64 = used.iter().map(|s| of(s).powi(2)).sum();
            ((squares / (count - 1.0) / count).sqrt(), count - 1.0)
        })
    };
    let reference = first.estimate.channels.get(job.reference.column);
    let distortion = reference.and_then(|c| c.thd);
    let magnitude_seen = Observed {
        type_a: rms(|s| s.u_magnitude),
        dof,
        repeats: scatter(&|s| (s.response / response).norm() - 1.0),
        distortion: distortion.unwrap_or(0.0),
    };
    let phase_seen = Observed {
        type_a: rms(|s| s.u_phase),
        dof,
        repeats: scatter(&|s| (s.response / response).arg()),
        distortion: 0.0,
    };
    let has_phase = setup.table.at(point.frequency)?.phase.is_some();
    let acceleration = Accel::new(reference.map_or(0.0, |c| c.amplitude.norm()) / standard);
    let rate = job.rig.acquisition.rate.si();
    let samples: usize = used.iter().map(|s| s.measurement.length).sum();
    Ok(Some(Value {
        frequency: first.estimate.frequency,
        acceleration,
        displacement: acceleration.displacement_at(first.estimate.frequency),
        cycles: samples as f64 / rate * first.estimate.frequency.si(),
        segments: used.iter().map(|s| s.estimate.segments.len()).sum(),
        sensitivity: Sensitivity::new(response.norm()),
        phase: has_phase.then(|| Radians::new(wrap(response.arg()))),
        deviation: None,
        u_deviation: None,
        magnitude: magnitude(setup, sensor, point.frequency, circumstances, Some(&magnitude_seen))?,
        phase_budget: phase(setup, sensor, point.frequency, Some(&phase_seen))?,
        distortion,
        snr_db: first.estimate.channels.get(mounted.column).map_or(0.0, |c| c.snr_db),
    }))
}

/// Wraps an angle to (−π, π].
fn wrap(angle: f64) -> f64 {
    let wrapped = angle.rem_euclid(TAU);
    if wrapped > PI { wrapped - TAU } else { wrapped }
}
