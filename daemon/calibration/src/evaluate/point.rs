//! One sensor at one point.

use super::RunFacts;
use super::budgets::{Circumstances, Observed, Spread, magnitude, off_frequency, phase};
use super::channels::{Correction, correction};
use super::conventions::Conventions;
use super::drift::Drift;
use super::scope::Accredited;
use super::seen::Seen;
use super::{hum, substitution, witness};
use crate::estimate::Complex;
use crate::sequence::{Finding, FindingKind, PointEnd, Setup};
use crate::uncertainty::{Budget, Decision, ReferenceValue, UncertaintyError};
use plan_schema::resolve::{MountedSensor, ResolvedJob};
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
    /// This sensor does not take it.
    Skipped,
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
    /// Why this sensor does not take it.
    pub reason: Option<String>,
    /// What was found against it.
    pub findings: Vec<Finding>,
    /// How far the amplitude was off its target when the first dwell began, as a share.
    pub settled_error: Option<f64>,
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
    /// Width of the guard band of the decision, as a share.
    pub guard_band: Option<f64>,
    /// Probability that the deviation lies within the tolerance.
    pub conformity: Option<f64>,
    /// Whether it falls under the laboratory's accreditation; `None` where that states none.
    pub accredited: Option<Accredited>,
    /// True where the ratio of channels was measured in this run and is taken out, or the reference through the sensor's channel;
    /// false where the rig file's bound stands for it.
    pub channels: bool,
    /// True for the point that the deviations of all others refer to: it refers to itself, and gets no statement.
    pub is_base: bool,
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
    /// Budget of the ratio to the value at the reference frequency, where the deviation refers to that: times 1 + D it is the
    /// deviation's.
    pub ratio: Option<Budget>,
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

pub(super) fn evaluate_point(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    sensor: usize,
    number: usize,
    drift: Option<&Drift>,
) -> Result<PointResult, UncertaintyError> {
    let job = &setup.job;
    let (Some(point), Some(mounted)) = (job.points.get(number), job.sensors.get(sensor)) else {
        return Err(UncertaintyError::KindsDisagree);
    };
    let mut result = PointResult {
        frequency: point.frequency,
        target: point.target,
        status: Status::NotReached,
        reason: mounted.skips.get(number).cloned().flatten(),
        findings: Vec::new(),
        settled_error: None,
        settle: None,
        temperature: None,
        value: None,
        repeats: Vec::new(),
        decision: Decision::None,
        guard_band: None,
        conformity: None,
        accredited: super::scope::accredited(job, mounted, point, circumstances),
        channels: false,
        is_base: false,
    };
    if result.reason.is_some() {
        result.status = Status::Skipped;
        return Ok(result);
    }
    if let Some(finding) = facts.excludes(mounted.column) {
        result.status = Status::Rejected;
        result.findings.push(finding.clone());
        return Ok(result);
    }
    let table = setup.table.at(point.frequency)?;
    let ratio = correction(job, facts, mounted.column, number);
    let of_register = standard(job, mounted, &table);
    let standard = ratio.map_or(of_register, |c| of_register / c.ratio);
    result.channels = ratio.is_some();
    let seen = gather(job, facts, number, mounted.column, standard, &mut result);
    if let Some(finding) = substitution::finding(job, facts, mounted, number).filter(|_| !seen.is_empty()) {
        // Without the reference through the same channel nothing is known of the sensor.
        result.findings.push(finding);
        return Ok(result);
    }
    result.repeats = repeats(&seen, table.phase.is_some());
    let good: Vec<&Seen<'_>> = seen.iter().filter(|s| s.valid).collect();
    // A point of which no repeat is good still shows its figures, as rejected.
    let used: Vec<&Seen<'_>> = if good.is_empty() { seen.iter().collect() } else { good };
    if used.iter().any(|s| s.valid) {
        // What was found against a repeat that a good one replaces is in the journal; here it would confuse.
        result.findings = against_all(setup, facts, circumstances, (sensor, number), &used, drift);
        if result.findings.is_empty() {
            result.status = Status::Accepted;
        }
    }
    if used.iter().all(|s| s.certain) {
        let seen = (drift, ratio.as_ref());
        result.value = figures(setup, facts, circumstances, (sensor, number), &used, seen)?;
    }
    Ok(result)
}

/// Complex sensitivity of the reference; without a phase its magnitude alone. Where the channel sees one line of two, what it
/// shows stands for the difference, to which the register refers.
fn standard(job: &ResolvedJob, mounted: &MountedSensor, table: &ReferenceValue) -> Complex<f64> {
    let share = job.columns.get(mounted.column).map_or(1.0, |c| mounted.sensor.seen_by(c).1);
    Complex::from_polar(table.sensitivity.si() / share, table.phase.map_or(0.0, |p| p.si()))
}

fn repeats(seen: &[Seen<'_>], with_phase: bool) -> Vec<RepeatResult> {
    let of = |s: &Seen<'_>| RepeatResult {
        sensitivity: Some(Sensitivity::new(s.response.norm())),
        phase: with_phase.then(|| Radians::new(wrap(s.response.arg()))),
        valid: s.valid,
    };
    seen.iter().map(of).collect()
}

/// Goes through what the run left of a point: notes what was found against it, and gives every estimated repeat.
fn gather<'a>(
    job: &ResolvedJob,
    facts: &'a RunFacts,
    number: usize,
    column: usize,
    standard: Complex<f64>,
    result: &mut PointResult,
) -> Vec<Seen<'a>> {
    let reference = job.reference.column;
    let mut seen = Vec::new();
    for end in &facts.ends {
        match end {
            PointEnd::Unreached { point, closing: false, settle, finding, .. } if *point == number => {
                result.status = Status::Rejected;
                result.settle = Some(*settle);
                result.findings.push(finding.clone());
            }
            PointEnd::Measured(m) if m.point == number && !m.closing => {
                result.settle = result.settle.or(Some(m.settle));
                result.settled_error = result.settled_error.or(Some(m.settled_error));
                result.temperature = result.temperature.or(m.temperature);
                result.findings.extend(m.findings.iter().filter(|f| f.concerns(column, reference)).cloned());
                seen.extend(Seen::of(m, column, job, standard));
                result.status = Status::Rejected;
            }
            PointEnd::Unreached { .. } | PointEnd::Measured(_) => {}
        }
    }
    seen
}

/// What is found only when everything of a run lies side by side.
fn against_all(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    (sensor, number): (usize, usize),
    used: &[&Seen<'_>],
    drift: Option<&Drift>,
) -> Vec<Finding> {
    let job = &setup.job;
    let mut findings = Vec::new();
    let column = job.sensors.get(sensor).map(|s| s.column);
    if let [one, other] = used {
        let apart = ((other.response / one.response).norm() - 1.0).abs();
        // What noise alone may do to a difference does not count.
        let allowed = job.plan.repeat_limit.si() + 3.0 * one.u_magnitude.hypot(other.u_magnitude);
        if apart > allowed {
            let message = format!(
                "two measurements of this point differ by {:.2} %, {:.2} % is allowed",
                apart * 100.0,
                allowed * 100.0
            );
            let (apart, allowed) = (apart * 100.0, allowed * 100.0);
            let kind = FindingKind::RepeatDisagrees;
            findings.push(Finding::beyond(kind, column, apart, allowed, "percent", message));
        }
    }
    findings.extend(drift.and_then(|d| d.finding(job, column)));
    if let (Some(column), Some(first)) = (column, used.first()) {
        findings.extend(hum::at_the_end(setup, facts, number, column, first));
    }
    findings.extend(witness::findings(setup, facts, circumstances, number));
    findings
}

fn figures(
    setup: &Setup,
    facts: &RunFacts,
    circumstances: &Circumstances,
    (sensor, number): (usize, usize),
    used: &[&Seen<'_>],
    (drift, ratio): (Option<&Drift>, Option<&Correction>),
) -> Result<Option<Value>, UncertaintyError> {
    let job = &setup.job;
    let (Some(first), Some(point), Some(mounted)) =
        (used.first(), job.points.get(number), job.sensors.get(sensor))
    else {
        return Ok(None);
    };
    let count = used.len() as f64;
    let response = used.iter().map(|s| s.response).sum::<Complex<f64>>() / count;
    let rms =
        |of: fn(&Seen<'_>) -> f64| (used.iter().map(|s| of(s).powi(2)).sum::<f64>() / count / count).sqrt();
    let reference = first.estimate.channels.get(job.reference.column);
    let distortion = reference.and_then(|c| c.thd);
    let common = Observed {
        dof: used.iter().map(|s| s.dof).sum::<f64>(),
        hum: hum::hidden(setup, facts, number, mounted.column, first),
        trend: used.iter().map(|s| s.trend_effect()).fold(0.0, f64::max),
        ..Observed::default()
    };
    let (lines, share) =
        (&job.reference.calibration.points, first.estimate.frequency / point.frequency - 1.0);
    let magnitude_seen = Observed {
        off_frequency: off_frequency(lines, point.frequency, share, |p| Some(p.sensitivity.si().ln())),
        type_a: rms(|s| s.u_magnitude),
        repeats: spread(used, |s| (s.response / response).norm() - 1.0),
        distortion: distortion.unwrap_or(0.0),
        drift: drift.map(|d| d.magnitude),
        channels: ratio.map(|r| r.magnitude),
        ..common
    };
    let phase_seen = Observed {
        off_frequency: off_frequency(lines, point.frequency, share, |p| Some(p.phase?.si())),
        type_a: rms(|s| s.u_phase),
        dof: used.iter().map(|s| s.dof_phase).sum::<f64>(),
        repeats: spread(used, |s| (s.response / response).arg()),
        drift: drift.map(|d| d.phase),
        channels: ratio.map(|r| r.phase),
        ..common
    };
    let (magnitude, phase_budget) =
        both_budgets(setup, circumstances, (sensor, number), [&magnitude_seen, &phase_seen])?;
    let standard = setup.table.at(point.frequency)?;
    let on_channel = setup.reference_at(point.frequency).map_or(standard.sensitivity, |r| r.0);
    let acceleration = Accel::new(reference.map_or(0.0, |c| c.amplitude.norm()) / on_channel.si());
    let samples = used.iter().map(|s| s.measurement.length).sum::<usize>() as f64;
    Ok(Some(Value {
        frequency: first.estimate.frequency,
        acceleration,
        displacement: acceleration.displacement_at(first.estimate.frequency),
        cycles: samples / job.rig.acquisition.rate.si() * first.estimate.frequency.si(),
        segments: used.iter().map(|s| s.estimate.segments.len()).sum(),
        sensitivity: Sensitivity::new(response.norm()),
        phase: standard.phase.is_some().then(|| Radians::new(wrap(response.arg()))),
        deviation: None,
        u_deviation: None,
        ratio: None,
        magnitude,
        phase_budget,
        distortion,
        snr_db: first.estimate.channels.get(mounted.column).map_or(0.0, |c| c.snr_db),
    }))
}

/// Budgets of magnitude and phase, each with what was observed: never below the scope, simulated where that is called for.
fn both_budgets(
    setup: &Setup,
    circumstances: &Circumstances,
    (sensor, number): (usize, usize),
    [magnitude_seen, phase_seen]: [&Observed; 2],
) -> Result<(Budget, Option<Budget>), UncertaintyError> {
    let job = &setup.job;
    let (Some(point), Some(mounted)) = (job.points.get(number), job.sensors.get(sensor)) else {
        return Err(UncertaintyError::KindsDisagree);
    };
    let least = super::scope::band(job, mounted, point);
    let of_magnitude = magnitude(setup, sensor, point.frequency, circumstances, Some(magnitude_seen))?
        .not_below(least.map(|band| band.u.si()));
    let of_magnitude = confirmed(setup, of_magnitude, stream(sensor, number, Quantity::Magnitude))?;
    let of_phase = phase(setup, sensor, point.frequency, Some(phase_seen))?.map(|budget| {
        let budget = budget.not_below(least.and_then(|band| band.u_phase).map(|u| u.si()));
        confirmed(setup, budget, stream(sensor, number, Quantity::Phase))
    });
    Ok((of_magnitude, of_phase.transpose()?))
}

/// A budget, simulated where that is called for; not in a record of a time when none was.
pub(super) fn confirmed(setup: &Setup, budget: Budget, seed: u64) -> Result<Budget, UncertaintyError> {
    match setup.conventions {
        Conventions::FirstOrder => Ok(budget),
        Conventions::Simulated | Conventions::ByDistribution => budget.confirmed(seed),
    }
}

/// What a budget is simulated for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Quantity {
    Magnitude,
    Phase,
    Deviation,
}

/// The stream of numbers of a simulation: its own for each quantity of each point of each sensor, the same every time.
pub(super) fn stream(sensor: usize, number: usize, quantity: Quantity) -> u64 {
    ((sensor as u64) << 32) | ((number as u64) << 2) | quantity as u64
}

/// How far repeats lie apart by some figure of theirs, which is taken about their mean.
fn spread(used: &[&Seen<'_>], of: impl Fn(&Seen<'_>) -> f64) -> Option<Spread> {
    let count = used.len() as f64;
    match used {
        [] | [_] => None,
        [one, other] => Some(Spread::Half((of(one) - of(other)).abs() / 2.0)),
        _ => {
            let squares: f64 = used.iter().map(|s| of(s).powi(2)).sum();
            Some(Spread::Scatter((squares / (count - 1.0) / count).sqrt(), count - 1.0))
        }
    }
}

/// Wraps an angle to (−π, π].
pub(super) fn wrap(angle: f64) -> f64 {
    let wrapped = angle.rem_euclid(TAU);
    if wrapped > PI { wrapped - TAU } else { wrapped }
}
