//! What noise will leave of certainty, foreseen from the noise figures of the registers.
//!
//! Owns: the type A uncertainty that is foreseen for a dwell, and to how many times the plan's cycles it will be drawn
//! out. Must not: know what a run observed.
//!
//! The amplitude of a sine that is fitted over a time T in noise of density n at its frequency has the standard
//! uncertainty n/√T: the variance of a fitted amplitude is 2σ²/N, and σ² = n² f_s/2 over N = f_s T samples (common
//! practice; it follows from least squares). Below its corner 1/f noise is more than white by 1 + f_c/f.

use crate::estimate::{LENGTHS, may_stop};
use crate::uncertainty::coverage_factor;
use plan_schema::resolve::{MountedSensor, ResolvedJob, ResolvedPoint};
use plan_schema::units::{Hertz, Seconds};

/// Segments into which a dwell is cut where it has as many cycles.
pub(crate) const SEGMENTS: u32 = 10;

/// Type A that is foreseen: relative standard uncertainty of a magnitude, and its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Relative standard uncertainty.
    pub standard: f64,
    /// Degrees of freedom: those of the scatter of segments.
    pub dof: f64,
}

/// What noise leaves of a sensor against the reference, over `times` the plan's cycles of a point.
#[must_use]
pub fn scatter(job: &ResolvedJob, mounted: &MountedSensor, point: &ResolvedPoint, times: u64) -> Scatter {
    let reference = &job.reference.reference;
    let (sensor, frequency) = (&mounted.sensor, point.frequency);
    let moved = mounted.chain.motion(frequency).0.abs().max(f64::MIN_POSITIVE);
    let of_sensor = density(sensor.noise_density.si(), sensor.noise_corner, frequency) / moved;
    let of_reference = density(reference.noise_density.si(), reference.noise_corner, frequency);
    let time = duration(point).si() * times as f64;
    let standard = of_sensor.hypot(of_reference) / (point.target.si() * time.sqrt());
    Scatter { standard, dof: f64::from(segments(point, times).saturating_sub(1).max(1)) }
}

/// How many times the plan's cycles a point is likely to be measured for: as many as its sensors want.
#[must_use]
pub(super) fn lengthened(job: &ResolvedJob, point: &ResolvedPoint) -> u64 {
    let limit = job.plan.dwell_limit.si();
    let sensors: Vec<&MountedSensor> =
        job.sensors.iter().filter(|s| s.sensor.is_within_band(point.frequency)).collect();
    let most = duration(point).si();
    let looks: Vec<u64> =
        LENGTHS.into_iter().filter(|times| *times == 1 || most * *times as f64 <= limit).collect();
    let suffices = |(look, times): (usize, &u64)| {
        let enough = sensors.iter().all(|mounted| {
            let foreseen = scatter(job, mounted, point, *times);
            let expanded = coverage_factor(foreseen.dof) * foreseen.standard;
            let segments = segments(point, *times) as usize;
            may_stop(look, looks.len(), segments, expanded, job.plan.scatter_limit.si())
        });
        enough.then_some(*times)
    };
    looks.iter().enumerate().find_map(suffices).unwrap_or(1)
}

/// Segments in so many times the plan's cycles: each of whole cycles, as many of them as the plan's cycles hold.
fn segments(point: &ResolvedPoint, times: u64) -> u32 {
    let each = (point.dwell_cycles / SEGMENTS).max(1);
    u32::try_from(u64::from(point.dwell_cycles) * times / u64::from(each)).unwrap_or(u32::MAX)
}

/// The plan's cycles as a time.
fn duration(point: &ResolvedPoint) -> Seconds {
    Seconds::new(f64::from(point.dwell_cycles) / point.frequency.si())
}

/// Noise density at a frequency.
fn density(white: f64, corner: Option<Hertz>, frequency: Hertz) -> f64 {
    white * (1.0 + corner.map_or(0.0, |corner| corner / frequency)).sqrt()
}
