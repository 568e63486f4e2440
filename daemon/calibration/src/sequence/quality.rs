//! What is to be said of the quality of a dwell.
//!
//! Suspicious is judged by quality only (clipping, distortion, noise, residual, hum, drift, a cable, the room), never by
//! how a sensitivity compares with its tolerance. Depends on its arguments alone: recomputing a run comes through here.

use super::finding::{Finding, FindingKind};
use super::quiet::QuietRecord;
use crate::estimate::{ChannelEstimate, Complex, DwellEstimate, EstimateError, RatioEstimate};
use crate::uncertainty::ReferenceTable;
use plan_schema::chain::Chain;
use plan_schema::mains;
use plan_schema::registers::Polarity;
use plan_schema::resolve::{MountedSensor, ResolvedJob, ResolvedPoint};
use plan_schema::units::{Hertz, SampleCount, Seconds, engineering};

/// Share of full scale from which a sample counts as clipped.
const CLIPPED_FROM: f64 = 0.999;

/// Share of the nominal response below which a sensor counts as not connected.
const OPEN_BELOW: f64 = 0.05;

/// Twice the type A standard uncertainty of the magnitude beyond which a point is too noisy to be used: a share.
const NOISE_HIGHEST: f64 = 0.02;

/// Harmonics of a sensor that the motion does not explain: from here on it is no longer linear (clipping, a loose mount).
/// An output that is cut off so far that its fundamental is 1 % too small has a third harmonic of 1 %.
const OWN_DISTORTION_HIGHEST: f64 = 0.005;

/// What a model may leave over of a sensor's signal, as a share of its amplitude, beside what it shows at rest.
const RESIDUAL_HIGHEST: f64 = 0.02;

/// Noise while moving may be this many times that at rest: 1/f noise and hum are not the same at all times.
const NOISE_AT_REST_TIMES: f64 = 2.0;

/// Largest change of the amplitude over a dwell: beyond it it did not stand still.
const TREND_HIGHEST: f64 = 0.01;

/// A sign is told at frequencies this many times below a natural frequency and above a lower corner.
const PLAIN_WITHIN: f64 = 2.5;

/// What a dwell is judged by, beside its samples.
#[derive(Debug, Clone, Copy)]
pub struct Standing<'a> {
    /// The job.
    pub job: &'a ResolvedJob,
    /// Number of the point, from 0.
    pub point: usize,
    /// The quiet part before the first motion.
    pub rest: Option<&'a QuietRecord>,
    /// Sensors that the first motion sent out of the run.
    pub excluded: &'a [bool],
}

impl<'a> Standing<'a> {
    /// The point.
    #[must_use]
    pub(super) fn wanted(&self) -> Option<&'a ResolvedPoint> {
        self.job.points.get(self.point)
    }

    /// The sensors that are measured at this point.
    pub(super) fn sensors(&self) -> impl Iterator<Item = &'a MountedSensor> + use<'a> {
        let (point, excluded) = (self.point, self.excluded);
        self.job.sensors.iter().enumerate().filter_map(move |(n, sensor)| {
            let out = excluded.get(n).copied().unwrap_or(false);
            (!out && sensor.takes(point)).then_some(sensor)
        })
    }

    fn duration(&self, columns: &[&[f32]]) -> Seconds {
        let samples = columns.first().map_or(0, |c| c.len()) as u64;
        SampleCount(samples).duration(self.job.rig.acquisition.rate)
    }

    fn noise_at_rest(&self, column: usize) -> f64 {
        self.rest.and_then(|r| r.columns.get(column)?.as_ref().ok()).map_or(0.0, |r| r.noise_rms.si())
    }
}

/// Everything that is to be said against a dwell; empty for a good one.
#[must_use]
pub(super) fn findings(
    standing: &Standing<'_>,
    columns: &[&[f32]],
    estimate: &Result<DwellEstimate, EstimateError>,
) -> Vec<Finding> {
    let mut findings = clipped(standing, columns);
    match (estimate, standing.wanted()) {
        (Ok(estimate), Some(point)) => {
            findings.extend(motion(standing.job, point, estimate));
            findings.extend(hidden_hum(standing, point, columns, estimate));
            let duration = standing.duration(columns);
            for sensor in standing.sensors() {
                findings.extend(of_sensor(standing, point, duration, estimate, sensor));
            }
        }
        (Err(error), _) => findings.push(Finding::plain(FindingKind::Residual, None, error.to_string())),
        (Ok(_), None) => {}
    }
    findings
}

/// Columns that count at this point: the reference's and those of the sensors that are measured.
fn columns_that_count(standing: &Standing<'_>) -> Vec<usize> {
    let mut counted: Vec<usize> = standing.sensors().map(|s| s.column).collect();
    counted.push(standing.job.reference.column);
    counted
}

fn clipped(standing: &Standing<'_>, columns: &[&[f32]]) -> Vec<Finding> {
    let look = |column: usize| {
        let (samples, channel) = (columns.get(column)?, standing.job.columns.get(column)?);
        let limit = channel.range.si() * CLIPPED_FROM;
        let largest = samples.iter().fold(0.0f64, |m, s| m.max(f64::from(s.abs())));
        (largest >= limit).then(|| {
            let message = format!("channel '{}' reached the end of its range", channel.name);
            Finding::beyond(FindingKind::Clipped, Some(column), largest, limit, "v", message)
        })
    };
    columns_that_count(standing).into_iter().filter_map(look).collect()
}

/// What the reference says of the motion; empty for a good one.
pub(super) fn motion(job: &ResolvedJob, point: &ResolvedPoint, estimate: &DwellEstimate) -> Vec<Finding> {
    let mut findings = Vec::new();
    let reference = Some(job.reference.column);
    let channel = estimate.channels.get(job.reference.column);
    let limit = point.distortion_limit.percent();
    if let Some(thd) = channel.and_then(|c| c.thd).map(|thd| thd * 100.0)
        && thd > limit
    {
        let message = format!("distortion of acceleration is {thd:.1} %, {limit:.1} % is allowed");
        findings.push(Finding::beyond(FindingKind::Distortion, reference, thd, limit, "percent", message));
    }
    if let Some(trend) = estimate.trend
        && trend.change.abs() > TREND_HIGHEST.max(3.0 * trend.uncertainty)
    {
        let trend = trend.change.abs();
        let message = format!(
            "the amplitude changed by {:.2} % during the dwell, {:.1} % is allowed",
            trend * 100.0,
            TREND_HIGHEST * 100.0
        );
        findings.push(Finding::beyond(
            FindingKind::NotSettled,
            reference,
            trend * 100.0,
            TREND_HIGHEST * 100.0,
            "percent",
            message,
        ));
    }
    findings
}

/// Hum that falls on the signal can't be seen in the dwell; what the channel showed of it at rest is taken for it.
fn hidden_hum(
    standing: &Standing<'_>,
    point: &ResolvedPoint,
    columns: &[&[f32]],
    estimate: &DwellEstimate,
) -> Vec<Finding> {
    let job = standing.job;
    let duration = standing.duration(columns);
    let Some(line) = mains::hidden(point.frequency, job.rig.mains_frequency, duration) else {
        return Vec::new();
    };
    let limit = job.plan.hum_limit.percent();
    let look = |column: usize| {
        let hum = standing.rest?.hum(column, line)?;
        let share = hum / estimate.channels.get(column)?.amplitude.norm() * 100.0;
        (share > limit).then(|| {
            let name = job.columns.get(column).map_or("", |c| c.name.as_str());
            let message = format!(
                "hum on channel '{name}' at rest is {share:.2} % of the signal and can't be told from it at this \
                 frequency; {limit:.1} % is allowed. Move the point away from the mains, or find the ground loop."
            );
            Finding::beyond(FindingKind::Hum, Some(column), share, limit, "percent", message)
        })
    };
    columns_that_count(standing).into_iter().filter_map(look).collect()
}

fn of_sensor(
    standing: &Standing<'_>,
    point: &ResolvedPoint,
    duration: Seconds,
    estimate: &DwellEstimate,
    sensor: &MountedSensor,
) -> Option<Finding> {
    let channel = estimate.channels.get(sensor.column)?;
    let ratio = estimate.ratios.iter().find(|r| r.channel == sensor.column)?;
    // The first of these explains the others: one that is cut off is noisy as well.
    open(point, channel, sensor)
        .or_else(|| reversed(standing.job, point.frequency, ratio, sensor))
        .or_else(|| distorted(standing.job, (point.frequency, duration), estimate, ratio, sensor))
        .or_else(|| leaves_too_much(standing, channel, sensor))
        .or_else(|| noisy(ratio, sensor))
}

/// True if a sensor shows next to nothing.
pub(super) fn is_silent(standing: &Standing<'_>, estimate: &DwellEstimate, sensor: &MountedSensor) -> bool {
    let channel = estimate.channels.get(sensor.column);
    standing.wanted().zip(channel).is_some_and(|(point, channel)| open(point, channel, sensor).is_some())
}

fn open(point: &ResolvedPoint, channel: &ChannelEstimate, sensor: &MountedSensor) -> Option<Finding> {
    let expected = sensor.nominal_at(point.frequency).si().abs() * point.target.si();
    let (seen, limit) = (channel.amplitude.norm(), OPEN_BELOW * expected);
    let message = format!(
        "sensor '{}' puts out {} where {} is expected: a cable, its supply or its conditioner",
        sensor.sensor.serial,
        engineering(seen, "V pk"),
        engineering(expected, "V pk")
    );
    (seen < limit)
        .then(|| Finding::beyond(FindingKind::SensorOpen, Some(sensor.column), seen, limit, "v", message))
}

/// The other sign than the register says: the sensor, or the reference, was turned round or rewired. Told where neither a
/// high-pass nor a resonance turns the phase by much.
fn reversed(
    job: &ResolvedJob,
    frequency: Hertz,
    ratio: &RatioEstimate,
    sensor: &MountedSensor,
) -> Option<Finding> {
    let facts = &sensor.sensor;
    let plain = is_plain(sensor, frequency);
    let reference = ReferenceTable::of(&job.reference).at(frequency).ok()?;
    let chains = turn(&sensor.chain, frequency) - turn(&job.reference.chain, frequency);
    let turned = Complex::from_polar(1.0, reference.phase.map_or(0.0, |p| p.si()) - chains);
    let positive = (ratio.ratio * turned).re > 0.0;
    let wrong = plain && positive != (facts.polarity == Polarity::Normal);
    let message = format!(
        "sensor '{}' goes the other way than the register says: it or the reference was turned round or rewired",
        facts.serial
    );
    wrong.then(|| Finding::plain(FindingKind::Polarity, Some(sensor.column), message))
}

/// True where neither a high-pass nor a resonance turns a sensor's phase by much.
pub(super) fn is_plain(sensor: &MountedSensor, frequency: Hertz) -> bool {
    let facts = &sensor.sensor;
    facts.natural_frequency.is_none_or(|natural| frequency * PLAIN_WITHIN < natural)
        && facts.lower_corner.is_none_or(|corner| frequency > corner * PLAIN_WITHIN)
}

/// What a sensor shows of the motion by the register, V/(m/s²), where its phase is plain.
pub(super) fn nominal_response(sensor: &MountedSensor, frequency: Hertz) -> Complex<f64> {
    let sign = if sensor.sensor.polarity == Polarity::Normal { 1.0 } else { -1.0 };
    let magnitude = sensor.nominal_at(frequency).si().abs() * sign;
    Complex::from_polar(1.0, turn(&sensor.chain, frequency)) * magnitude
}

/// Phase of a chain, rad.
fn turn(chain: &Chain, frequency: Hertz) -> f64 {
    chain.at(frequency).map_or(0.0, |at| at.phase.si())
}

/// Harmonics of the sensor's own: what is left of them once those of the motion are taken off, at the sensor's response
/// to the fundamental. A response that changes between the fundamental and a harmonic is allowed for by its share of the
/// motion's own harmonic.
fn distorted(
    job: &ResolvedJob,
    (frequency, duration): (Hertz, Seconds),
    estimate: &DwellEstimate,
    ratio: &RatioEstimate,
    sensor: &MountedSensor,
) -> Option<Finding> {
    let reference = estimate.channels.get(job.reference.column)?;
    let channel = estimate.channels.get(sensor.column)?;
    let amplitude = channel.amplitude.norm();
    // A harmonic on which a line of the mains lies shows hum.
    let hums = |h: u32| {
        (1..=mains::LINES).any(|line| mains::meet(frequency, h, job.rig.mains_frequency, line, duration))
    };
    let own: f64 = std::iter::zip(&channel.harmonics, &reference.harmonics)
        .zip(2..)
        .filter(|(_, h)| !hums(*h))
        .map(|((seen, moved), _)| ((seen.norm() - (moved * ratio.ratio).norm()).abs() / amplitude).powi(2))
        .sum::<f64>()
        .sqrt();
    let moved = reference.thd.unwrap_or(0.0);
    // A fitted harmonic has the noise of the fundamental.
    let limit = OWN_DISTORTION_HIGHEST + 0.25 * moved + 4.0 * ratio.u_rel_a.si();
    let message = format!(
        "sensor '{}' shows {:.2} % of harmonics that the motion does not have, {:.2} % is allowed: its output may be cut \
         off, or it sits loosely",
        sensor.sensor.serial,
        own * 100.0,
        limit * 100.0
    );
    (own > limit).then(|| {
        let (own, limit) = (own * 100.0, limit * 100.0);
        Finding::beyond(FindingKind::Distortion, Some(sensor.column), own, limit, "percent", message)
    })
}

fn leaves_too_much(
    standing: &Standing<'_>,
    channel: &ChannelEstimate,
    sensor: &MountedSensor,
) -> Option<Finding> {
    let amplitude = channel.amplitude.norm();
    let limit = RESIDUAL_HIGHEST * amplitude + NOISE_AT_REST_TIMES * standing.noise_at_rest(sensor.column);
    let left = channel.residual_rms.si();
    let message = format!(
        "sensor '{}' leaves {} rms beside sine, harmonics and hum, where {} is allowed: a bad contact, or something that \
         rattles",
        sensor.sensor.serial,
        engineering(left, "V"),
        engineering(limit, "V")
    );
    (left > limit)
        .then(|| Finding::beyond(FindingKind::Residual, Some(sensor.column), left, limit, "v", message))
}

fn noisy(ratio: &RatioEstimate, sensor: &MountedSensor) -> Option<Finding> {
    let scatter = 2.0 * ratio.u_rel_a.si();
    let message = format!(
        "sensor '{}' scatters by {:.2} % within the dwell, {:.2} % is allowed: more cycles, a larger amplitude, or less \
         noise",
        sensor.sensor.serial,
        scatter * 100.0,
        NOISE_HIGHEST * 100.0
    );
    (scatter > NOISE_HIGHEST).then(|| {
        let (seen, limit) = (scatter * 100.0, NOISE_HIGHEST * 100.0);
        Finding::beyond(FindingKind::Noise, Some(sensor.column), seen, limit, "percent", message)
    })
}
