//! What is foreseen for a job, as a record.

use crate::execution::raw_bytes;
use crate::record::assemble::circumstances;
use crate::record::check::{
    CheckRecord, CheckSchema, CheckedCoast, CheckedLimit, CheckedPart, CheckedPayload, CheckedPoint,
    CheckedRange, CheckedReserve, CheckedRest, CheckedUncertainty, CheckedWaits, LimitKind,
};
use crate::record::run::PointOrigin;
use crate::record::time::UtcTime;
use calibration::control::{Forecast, eccentric_moment};
use calibration::evaluate::{Circumstances, Foreseen, foreseen};
use calibration::hazard::Reserve;
use calibration::sequence::Setup;
use plan_schema::resolve::{MountedSensor, RangeUse, ResolvedPoint};
use plan_schema::units::Kilograms;

/// Parts of an uncertainty that are named.
const PARTS: usize = 3;

/// What is foreseen for a job that would begin at `now`.
pub(super) fn record(setup: &Setup, now: UtcTime) -> CheckRecord {
    let circumstances = circumstances(setup, now);
    let both = setup.forecasts.iter().zip(&setup.job.points).enumerate();
    let points: Vec<CheckedPoint> =
        both.map(|(n, (forecast, point))| checked(setup, n, point, forecast, &circumstances)).collect();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u64"
    )]
    let raw_bytes = raw_bytes(setup).clamp(0.0, 1e18) as u64;
    let waits = setup.waits();
    CheckRecord {
        schema: CheckSchema::V1,
        feasible: setup.feasible(),
        can_pass: points
            .iter()
            .flat_map(|p| p.uncertainties.iter().filter_map(|u| u.can_pass))
            .reduce(|all, one| all && one),
        rig_s: points.iter().map(|p| p.rig_s).sum::<f64>() + waits.total().si(),
        waits: CheckedWaits {
            soak_s: waits.soak.si(),
            channels_s: waits.channels.si(),
            quiet_s: waits.quiet.si(),
            first_motion_s: waits.first_motion.si(),
            closing_s: waits.closing.si(),
            decays_s: waits.decays.si(),
        },
        points,
        raw_bytes,
        payload: payload(setup),
        rest: CheckedRest {
            orientation: setup.job.rig.orientation.word().to_owned(),
            sag_m: setup.job.sag().si(),
            static_allowance_m: setup.job.rig.shaker.static_allowance.si(),
            stop_m: setup.job.rig.shaker.stop.si(),
        },
    }
}

fn payload(setup: &Setup) -> CheckedPayload {
    let job = &setup.job;
    let shaker = &job.rig.shaker;
    let mounted = || job.sensors.iter().chain(&job.check_standards);
    let sum = |of: fn(&MountedSensor) -> Kilograms| mounted().map(|s| of(s).si()).sum::<f64>();
    let (sensors, adapters) = (sum(|s| s.sensor.mass), sum(|s| s.mounted.adapter_mass));
    CheckedPayload {
        armature_kg: shaker.moving_mass.si(),
        // What is left of the payload; never a negative zero.
        fixtures_kg: (job.payload().si() - sensors - adapters).max(0.0),
        sensors_kg: sensors,
        adapters_kg: adapters,
        moving_kg: (shaker.moving_mass + job.payload()).si(),
        payload_kg_max: shaker.payload_limit.map(|m| m.si()),
        eccentric_moment_nm_max: shaker.eccentric_moment_limit.map(|m| m.si()),
    }
}

fn checked(
    setup: &Setup,
    number: usize,
    point: &ResolvedPoint,
    forecast: &Forecast,
    circumstances: &Circumstances,
) -> CheckedPoint {
    let uncertainties: Vec<CheckedUncertainty> = (0..setup.job.sensors.len())
        .filter_map(|s| {
            let foreseen = foreseen(setup, s, number, circumstances).ok().flatten()?;
            Some(uncertainty(&setup.job.sensors.get(s)?.sensor.serial, &foreseen))
        })
        .collect();
    CheckedPoint {
        origin: PointOrigin::of(point.origin),
        frequency_hz: point.frequency.si(),
        acceleration_mps2_peak: point.target.si(),
        wanted_mps2_peak: point.wanted.map(|a| a.si()),
        limited_by: point.limited.clone(),
        displacement_m_peak: forecast.displacement.si(),
        velocity_mps_peak: forecast.velocity.si(),
        force_n_peak: forecast.need.force.si(),
        current_a_peak: forecast.need.current.si(),
        drive_v_peak: forecast.need.drive.si(),
        eccentric_moment_nm_peak: eccentric_moment(&setup.job, point.target).map(|m| m.si()),
        stroke_ceiling_m_peak: forecast.ceiling.stroke.si(),
        limits: limits(setup, point, forecast),
        ranges: ranges(setup, number),
        coasts: forecast
            .hazards
            .coasts
            .iter()
            .map(|c| CheckedCoast { stop: c.stop.into(), displacement_m_peak: c.displacement.si() })
            .collect(),
        reserves: reserves(&forecast.hazards.reserves),
        u_rel_percent: uncertainties.iter().map(|u| u.u_rel_percent).reduce(f64::max),
        uncertainties,
        foreseen_cycles: u64::from(point.dwell_cycles).saturating_mul(forecast.lengthened),
        rig_s: forecast.time.si(),
        obstacles: forecast.obstacles.iter().map(|o| o.message.clone()).collect(),
        warnings: forecast.hazards.warnings.clone(),
        acceleration_mps2_peak_max: forecast.largest.map(|a| a.si()),
    }
}

/// The largest share first.
fn limits(setup: &Setup, point: &ResolvedPoint, forecast: &Forecast) -> Vec<CheckedLimit> {
    let (shaker, amplifier, need) = (&setup.job.rig.shaker, &setup.job.rig.amplifier, &forecast.need);
    let moment = eccentric_moment(&setup.job, point.target).zip(shaker.eccentric_moment_limit);
    let mut limits: Vec<CheckedLimit> = [
        (LimitKind::Stroke, forecast.displacement / shaker.rated_stroke),
        (LimitKind::Velocity, forecast.velocity / shaker.velocity_limit),
        (LimitKind::Acceleration, point.target / shaker.acceleration_limit),
        (LimitKind::Force, need.force / shaker.force_limit),
        (LimitKind::Drive, need.drive / shaker.drive_limit),
        (LimitKind::Current, need.current / amplifier.current_limit),
        (LimitKind::Voltage, need.coil_voltage / amplifier.voltage_limit),
    ]
    .into_iter()
    .chain(moment.map(|(moment, most)| (LimitKind::Moment, moment / most)))
    .map(|(limit, used)| CheckedLimit { limit, used_percent: used * 100.0 })
    .collect();
    limits.sort_by(|a, b| b.used_percent.total_cmp(&a.used_percent));
    limits
}

fn ranges(setup: &Setup, number: usize) -> Vec<CheckedRange> {
    let job = &setup.job;
    let reference = std::iter::once((&job.reference.reference.serial, &job.reference.uses, true));
    let mounted = job.sensors.iter().chain(&job.check_standards);
    let all = reference.chain(mounted.map(|s| (&s.sensor.serial, &s.uses, s.takes(number))));
    all.filter(|(_, _, takes)| *takes)
        .filter_map(|(serial, uses, _)| {
            let RangeUse { of_range, of_channel } = *uses.get(number)?;
            Some(CheckedRange {
                serial: serial.clone(),
                of_range_percent: of_range.percent(),
                of_channel_percent: of_channel.percent(),
            })
        })
        .collect()
}

/// The worst first: what does not keep off, then what has least left; where any time will do, last.
fn reserves(found: &[Reserve]) -> Vec<CheckedReserve> {
    let mut found = found.to_vec();
    let left = |r: &Reserve| match (r.longest, r.reserve) {
        (None, _) => f64::INFINITY,
        (Some(_), Some(reserve)) => reserve.si(),
        (Some(_), None) => f64::NEG_INFINITY,
    };
    found.sort_by(|a, b| left(a).total_cmp(&left(b)));
    let checked = |r: &Reserve| CheckedReserve {
        fault: r.fault.into(),
        keeps_off: r.keeps_off(),
        longest_s: r.longest.map(|s| s.si()),
        reaction_s: r.reaction.map(|s| s.si()),
        reserve_s: r.reserve.map(|s| s.si()),
    };
    found.iter().map(checked).collect()
}

fn uncertainty(serial: &str, foreseen: &Foreseen) -> CheckedUncertainty {
    let part = |(component, share): (&calibration::uncertainty::Component, f64)| CheckedPart {
        name: component.name().to_owned(),
        standard_percent: component.standard() * 100.0,
        share_percent: share * 100.0,
    };
    CheckedUncertainty {
        serial: serial.to_owned(),
        u_rel_percent: foreseen.budget.combined().expanded * 100.0,
        u_deviation_percent: foreseen.deviation.map(|d| d.expanded * 100.0),
        tolerance_percent: foreseen.tolerance.map(|t| t.percent()),
        can_pass: foreseen.can_pass(),
        parts: foreseen.budget.largest(PARTS).into_iter().map(part).collect(),
    }
}
