//! The components of a comparison calibration, each with where its figure comes from.
//!
//! The list follows the manner of ISO 16063-21:2003, annex A (names from memory); every figure comes from this run, the
//! reference's certificate, the rig file or a register. Nothing here is a limit of the standard.

use super::channels::Measured;
use super::point::wrap;
use super::substitution;
use crate::sequence::Setup;
use crate::uncertainty::{
    Budget, Component, ComponentSource as Source, Distribution, Measurand, UncertaintyError,
};
use plan_schema::chain::{Chain, Contribution, Part};
use plan_schema::plan::Method;
use plan_schema::registers::{Reference, ReferencePoint};
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::rig::Substitution;
use plan_schema::units::{Hertz, Seconds};

/// What has to be known beside samples and files.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circumstances {
    /// Time since the reference was calibrated.
    pub since_calibration: Seconds,
    /// Whether the laboratory's scope holds on the day of the run.
    pub scope_in_force: bool,
}

/// What this run contributes, relative for a magnitude and in rad for a phase.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Observed {
    /// Type A standard uncertainty.
    pub(super) type_a: f64,
    /// Its degrees of freedom.
    pub(super) dof: f64,
    /// How far repeats of the point lie apart, where there are any.
    pub(super) repeats: Option<Spread>,
    /// Distortion of acceleration as a share.
    pub(super) distortion: f64,
    /// Hum that can't be told from the signal: amplitudes on sensor and reference as shares of theirs.
    pub(super) hum: Option<[f64; 2]>,
    /// What a change of the amplitude within the dwell may have done, at most.
    pub(super) trend: f64,
    /// What the reference's sensitivity changes between the frequency of the plan and the one that was measured.
    pub(super) off_frequency: f64,
    /// How far the first point had moved when it was looked at again at the end.
    pub(super) drift: Option<f64>,
    /// What is uncertain about the ratio of channels, where this run measured it.
    pub(super) channels: Option<Measured>,
}

/// How far repeats lie apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Spread {
    /// Two of them: half of their difference. A standard deviation of two values would say next to nothing.
    Half(f64),
    /// Three or more: standard uncertainty of their mean with its degrees of freedom.
    Scatter(f64, f64),
}

/// Frequency at which the rig file states what depends on frequency.
const STATED_AT_HZ: f64 = 100.0;

const YEAR_S: f64 = 365.25 * 86_400.0;

/// Budget of the magnitude, relative. `None` for `observed` gives what can be foreseen before a run.
///
/// # Errors
/// Where a figure can't enter a budget, or the frequency lies outside the reference's certificate.
pub fn magnitude_budget(
    setup: &Setup,
    sensor: usize,
    frequency: Hertz,
    circumstances: &Circumstances,
) -> Result<Budget, UncertaintyError> {
    magnitude(setup, sensor, frequency, circumstances, None)
}

pub(super) fn magnitude(
    setup: &Setup,
    sensor: usize,
    frequency: Hertz,
    circumstances: &Circumstances,
    observed: Option<&Observed>,
) -> Result<Budget, UncertaintyError> {
    let errors = &setup.job.rig.errors;
    let rectangular = Distribution::Rectangular;
    let measured = observed.and_then(|o| o.channels);
    let mut components = of_reference(setup, frequency, circumstances, measured.as_ref())?;
    if let Some(mounted) = setup.job.sensors.get(sensor) {
        let temperature = (mounted.sensor.temperature_coefficient.si() * errors.temperature.si()).abs();
        components.push(
            Component::new("temperature of sensor", Source::Register, rectangular, temperature)?
                .with_correlation(1.0)?,
        );
        components.push(transverse_on_sensor(&setup.job, mounted)?);
        components.extend(where_stated(
            "linearity of sensor",
            Source::Register,
            mounted.sensor.linearity.si(),
        )?);
        // Strain goes with displacement: as a share of acceleration it falls with the square of frequency.
        let strain = (mounted.sensor.base_strain_frequency / frequency).powi(2);
        let strain = mounted.sensor.base_strain.si() * strain;
        components.extend(where_stated("base strain", Source::Register, strain)?);
        let parts = of_chain(&mounted.chain, "sensor", frequency, Measurand::Magnitude, measured.is_some())?;
        components.extend(parts);
    }
    if let Some(observed) = observed {
        // A sine fit is blind to harmonics but for what a nonlinear sensor mixes back: bounded by d²/2.
        let distortion = observed.distortion.powi(2) / 2.0;
        components.push(Component::new("distortion", Source::ThisRun, rectangular, distortion)?);
        push_observed(&mut components, observed)?;
    }
    Budget::new(Measurand::Magnitude, components)
}

/// What reference, channels and mounting contribute to the magnitude.
fn of_reference(
    setup: &Setup,
    frequency: Hertz,
    circumstances: &Circumstances,
    measured: Option<&Measured>,
) -> Result<Vec<Component>, UncertaintyError> {
    let job = &setup.job;
    let value = setup.table.at(frequency)?;
    let rectangular = Distribution::Rectangular;
    let certificate = Component::new(
        "reference sensitivity",
        Source::ReferenceCertificate,
        Distribution::Normal { k: value.k },
        value.expanded.si(),
    )?;
    let mut components = vec![certificate.with_correlation(value.correlation)?];
    components.extend(of_transducer(job, &job.reference.reference, circumstances)?);
    let replaced = measured.is_some();
    components.extend(of_chain(
        &job.reference.chain,
        "reference",
        frequency,
        Measurand::Magnitude,
        replaced,
    )?);
    components.extend(common(job, measured)?);
    let grown = job.rig.errors.relative_motion.si() * (frequency.si() / STATED_AT_HZ).powi(2);
    components.extend(where_stated("relative motion", Source::RigFile, grown)?);
    if value.interpolated {
        let half =
            interpolation(&job.reference.calibration.points, frequency, |p| Some(p.sensitivity.si().ln()));
        components.push(Component::new(
            "reference interpolation",
            Source::ReferenceCertificate,
            rectangular,
            half,
        )?);
    }
    Ok(components)
}

/// What a reference contributes by itself, its certificate apart.
pub(super) fn of_transducer(
    job: &ResolvedJob,
    reference: &Reference,
    circumstances: &Circumstances,
) -> Result<Vec<Component>, UncertaintyError> {
    let years = circumstances.since_calibration.si().max(0.0) / YEAR_S;
    let drift = reference.drift_per_year.si() * years;
    let temperature = (reference.temperature_coefficient.si() * job.rig.errors.temperature.si()).abs();
    let of_register = |name: &str, half| {
        Component::new(name, Source::Register, Distribution::Rectangular, half)?.with_correlation(1.0)
    };
    let mut components = vec![
        of_register("reference drift", drift)?,
        of_register("temperature of reference", temperature)?,
        transverse_on_reference(job, reference)?,
    ];
    components.extend(where_stated("linearity of reference", Source::Register, reference.linearity.si())?);
    Ok(components)
}

/// What channels and mounting contribute; `measured` where this run measured the ratio of channels.
pub(super) fn common(
    job: &ResolvedJob,
    measured: Option<&Measured>,
) -> Result<Vec<Component>, UncertaintyError> {
    let errors = &job.rig.errors;
    let expanded = Distribution::Normal { k: 2.0 };
    let rectangular = Distribution::Rectangular;
    let mut components = match measured {
        None => vec![
            Component::new("channel ratio", Source::RigFile, expanded, errors.channel_ratio.si())?
                .with_correlation(1.0)?,
        ],
        Some(measured) => match by_substitution(job) {
            Some(way) => substitution::of_magnitude(way, measured)?,
            None => of_measured(
                ["measured channel ratio", "interpolation of channel ratio", "change of channel ratio"],
                measured,
                (
                    "equality of voltages",
                    job.rig.channel_ratio.as_ref().map_or(0.0, |r| r.equality.si()),
                    1.0,
                ),
            )?,
        },
    };
    components.push(Component::new("mounting", Source::RigFile, rectangular, errors.mounting.si())?);
    components.extend(where_stated("surroundings", Source::RigFile, errors.environment.si())?);
    Ok(components)
}

/// What a ratio of channels that was measured contributes in the place of what the rig file states: its scatter, what lies
/// between two tones, what it changed by over the run; and how equal the voltages are, with the correlation of that.
pub(super) fn of_measured(
    [scatter, interpolation, change]: [&str; 3],
    measured: &Measured,
    (equality, expanded, correlation): (&str, f64, f64),
) -> Result<Vec<Component>, UncertaintyError> {
    let mut components = vec![Component::type_a(scatter, measured.type_a, measured.dof)?];
    components.extend(where_stated(interpolation, Source::ThisRun, measured.interpolation)?);
    components.extend(where_stated(change, Source::ThisRun, measured.change)?);
    let equal = Component::new(equality, Source::RigFile, Distribution::Normal { k: 2.0 }, expanded)?;
    components.push(equal.with_correlation(correlation)?);
    Ok(components)
}

/// How the reference got into the sensors' channels, where the plan wants that.
fn by_substitution(job: &ResolvedJob) -> Option<&Substitution> {
    job.rig.substitution.as_ref().filter(|_| job.plan.method == Method::Substitution)
}

/// A half-width that a file may state, and a line of the budget only where it does.
fn where_stated(name: &str, source: Source, half: f64) -> Result<Option<Component>, UncertaintyError> {
    (half > 0.0).then(|| Component::new(name, source, Distribution::Rectangular, half)).transpose()
}

/// What the chain of a reference or a sensor (`of`) contributes; nothing where nothing is stated of it, nor of the channel
/// itself where that was measured (`replaced`).
pub(super) fn of_chain(
    chain: &Chain,
    of: &str,
    frequency: Hertz,
    measurand: Measurand,
    replaced: bool,
) -> Result<Vec<Component>, UncertaintyError> {
    let component = |c: Contribution| {
        let stated = match measurand {
            Measurand::Magnitude => c.magnitude,
            Measurand::Phase => c.phase,
        };
        let limit = c.part.is_limit();
        let distribution = if limit { Distribution::Rectangular } else { Distribution::Normal { k: 2.0 } };
        let name = match c.part {
            // Only sensors stand on one.
            Part::Fixture | Part::FixtureInterpolation => part_name(c.part, measurand).to_owned(),
            part => format!("{} of {of}", part_name(part, measurand)),
        };
        let correlation = if c.part.is_common() { 1.0 } else { 0.0 };
        (stated > 0.0).then(|| {
            Component::new(name, Source::RigFile, distribution, stated)?.with_correlation(correlation)
        })
    };
    let stays = |c: &Contribution| !(replaced && c.part.is_of_channel());
    chain.contributions(frequency).into_iter().filter(stays).filter_map(component).collect()
}

fn part_name(part: Part, measurand: Measurand) -> &'static str {
    match (part, measurand) {
        (Part::ChannelGain, _) => "channel gain",
        (Part::Conditioner, Measurand::Magnitude) => "conditioner gain",
        (Part::Conditioner, Measurand::Phase) => "conditioner phase",
        (Part::ConditionerInterpolation, _) => "conditioner interpolation",
        (Part::Coupling, _) => "coupling corner",
        (Part::Filter, _) => "filter corner",
        (Part::Delay, _) => "channel delay",
        (Part::Fixture, _) => "fixture",
        (Part::FixtureInterpolation, _) => "fixture interpolation",
    }
}

/// Budget of the phase, rad, that can be foreseen before a run; `None` where the reference has no phase at this frequency.
///
/// # Errors
/// As [`magnitude_budget`].
pub fn phase_budget(
    setup: &Setup,
    sensor: usize,
    frequency: Hertz,
) -> Result<Option<Budget>, UncertaintyError> {
    phase(setup, sensor, frequency, None)
}

/// Budget of the phase, rad; `None` where the reference has no phase at this frequency.
///
/// # Errors
/// As [`magnitude_budget`].
pub(super) fn phase(
    setup: &Setup,
    sensor: usize,
    frequency: Hertz,
    observed: Option<&Observed>,
) -> Result<Option<Budget>, UncertaintyError> {
    let job = &setup.job;
    let errors = &job.rig.errors;
    let value = setup.table.at(frequency)?;
    let Some(expanded) = value.expanded_phase else {
        return Ok(None);
    };
    // A difference in delay makes a phase that rises with frequency; the rig file states it at 100 Hz.
    let grows = frequency.si() / STATED_AT_HZ;
    let measured = observed.and_then(|o| o.channels);
    let mut components = vec![
        Component::new(
            "reference phase",
            Source::ReferenceCertificate,
            Distribution::Normal { k: value.k },
            expanded.si(),
        )?
        .with_correlation(value.correlation)?,
    ];
    components.extend(match &measured {
        None => {
            let stated = errors.channel_phase.si() * grows;
            vec![Component::new("channel phase", Source::RigFile, Distribution::Normal { k: 2.0 }, stated)?]
        }
        Some(measured) => match by_substitution(job) {
            Some(way) => substitution::of_phase(way, measured, grows)?,
            None => of_measured(
                ["measured channel phase", "interpolation of channel phase", "change of channel phase"],
                measured,
                (
                    "equality of voltages",
                    job.rig.channel_ratio.as_ref().map_or(0.0, |r| r.equality_phase.si() * grows),
                    0.0,
                ),
            )?,
        },
    });
    components.push(transverse_on_reference(job, &job.reference.reference)?);
    let replaced = measured.is_some();
    components.extend(of_chain(&job.reference.chain, "reference", frequency, Measurand::Phase, replaced)?);
    if value.interpolated {
        let half = interpolation(&job.reference.calibration.points, frequency, |p| p.phase.map(|a| a.si()));
        components.push(Component::new(
            "reference interpolation",
            Source::ReferenceCertificate,
            Distribution::Rectangular,
            half,
        )?);
    }
    if let Some(mounted) = job.sensors.get(sensor) {
        components.push(transverse_on_sensor(&setup.job, mounted)?);
        components.extend(of_chain(&mounted.chain, "sensor", frequency, Measurand::Phase, replaced)?);
    }
    if let Some(observed) = observed {
        push_observed(&mut components, observed)?;
    }
    Budget::new(Measurand::Phase, components).map(Some)
}

/// Transverse motion seen by the reference: the same share of magnitude and, in rad, of phase.
fn transverse_on_reference(job: &ResolvedJob, reference: &Reference) -> Result<Component, UncertaintyError> {
    Component::transverse(
        "transverse motion on reference",
        Source::RigFile,
        reference.transverse_sensitivity.si(),
        job.rig.errors.transverse_motion.si(),
    )
}

/// Transverse motion seen by a sensor, likewise.
fn transverse_on_sensor(job: &ResolvedJob, mounted: &MountedSensor) -> Result<Component, UncertaintyError> {
    Component::transverse(
        "transverse motion on sensor",
        Source::Register,
        mounted.sensor.transverse_sensitivity.si(),
        job.rig.errors.transverse_motion.si(),
    )
}

fn push_observed(components: &mut Vec<Component>, observed: &Observed) -> Result<(), UncertaintyError> {
    let (run, rectangular) = (Source::ThisRun, Distribution::Rectangular);
    components.push(Component::type_a("scatter within the dwell", observed.type_a, observed.dof.max(1.0))?);
    match observed.repeats {
        Some(Spread::Half(half)) => {
            components.push(Component::new("difference of two measurements", run, rectangular, half)?);
        }
        Some(Spread::Scatter(standard, dof)) => {
            components.push(Component::type_a("scatter of repeats", standard, dof)?);
        }
        None => {}
    }
    if let Some([sensor, reference]) = observed.hum {
        // It adds to the signal at a phase that nobody knows: a value that swings between limits.
        components.push(Component::new("hum on sensor", run, Distribution::Arcsine, sensor)?);
        components.push(Component::new("hum on reference", run, Distribution::Arcsine, reference)?);
    }
    components.extend(where_stated("frequency", run, observed.off_frequency)?);
    if observed.trend > 0.0 {
        components.push(Component::new("change of amplitude", run, rectangular, observed.trend)?);
    }
    if let Some(drift) = observed.drift {
        // Between the two looks it may have been anywhere.
        components.push(Component::new("drift of the set-up", run, rectangular, drift)?);
    }
    Ok(())
}

/// What a figure of the certificate changes by when the frequency is off by a share, from the lines around it.
pub(super) fn off_frequency(
    points: &[ReferencePoint],
    frequency: Hertz,
    share: f64,
    of: impl Fn(&ReferencePoint) -> Option<f64>,
) -> f64 {
    let slope = points.windows(2).filter_map(|w| match w {
        [a, b] if a.frequency <= frequency && frequency <= b.frequency => {
            // Phases by the shorter way round; logarithms of sensitivities are never so far apart.
            Some(wrap(of(b)? - of(a)?) / (b.frequency / a.frequency).ln())
        }
        _ => None,
    });
    slope.map(f64::abs).fold(0.0, f64::max) * share.abs()
}

/// Half of the step between the two lines of the certificate around a frequency: the curve between them may lie
/// anywhere from the one to the other.
fn interpolation(
    points: &[ReferencePoint],
    frequency: Hertz,
    of: impl Fn(&ReferencePoint) -> Option<f64>,
) -> f64 {
    let pair = points.windows(2).find_map(|w| match w {
        [a, b] if a.frequency <= frequency && frequency <= b.frequency => Some((of(a)?, of(b)?)),
        _ => None,
    });
    pair.map_or(0.0, |(a, b)| (a - b).abs() / 2.0)
}

#[cfg(test)]
mod tests;
