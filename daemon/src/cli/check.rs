//! `calwright check`: feasible or not, point by point.

use super::{Context, DAY_OF_DRY_RUNS, Exit, arm, driver_settings, say};
use crate::load::{self, LoadError, Loaded};
use crate::record::assemble::circumstances;
use crate::record::check::{CheckRecord, CheckSchema, CheckedPoint, CheckedWaits};
use crate::record::time::UtcTime;
use crate::wiring::SIMULATED;
use calibration::control::Forecast;
use calibration::evaluate::magnitude_budget;
use calibration::sequence::Setup;
use plan_schema::read::{Diagnostics, Report};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::engineering;
use std::path::Path;

pub(super) fn run(context: &Context, path: &Path, at: Option<UtcTime>) -> Exit {
    match load::job(path) {
        Ok(mut loaded) => {
            match context.settings.scope.as_deref().map(load::scope).transpose() {
                Ok(scope) => loaded.job.scope = scope,
                Err(error) => return refuse(&error),
            }
            let day = at.or_else(|| day_of(&loaded.job)).unwrap_or_else(UtcTime::now);
            checked(context, &loaded, day)
        }
        Err(error) => refuse(&error),
    }
}

/// A rig of which every instrument is simulated lives on the day of dry runs.
fn day_of(job: &ResolvedJob) -> Option<UtcTime> {
    let simulated = job.rig.instruments.iter().all(|i| i.driver == SIMULATED);
    simulated.then(|| DAY_OF_DRY_RUNS.parse().ok()).flatten()
}

fn checked(context: &Context, loaded: &Loaded, day: UtcTime) -> Exit {
    say::error(&loaded.warnings.render(say::colour()));
    let settings = driver_settings::problems(&loaded.rig);
    if !settings.is_usable() {
        say::error(&settings.render(say::colour()));
        return Exit::Input;
    }
    let unwarned = arm::unwarned(&loaded.rig);
    if !unwarned.0.is_empty() {
        say::error(&unwarned.render(say::colour()));
    }
    if let Some(remark) = arm::remark(context, &loaded.job) {
        say::error(&remark);
    }
    if let Some(overdue) = overdue(loaded, day) {
        say::error(&overdue.render(say::colour()));
        return Exit::Input;
    }
    let setup = Setup::new(loaded.job.clone());
    let record = record(&setup, day);
    if context.json {
        return match serde_json::to_string_pretty(&record) {
            Ok(text) => {
                say::out(&text);
                if record.feasible { Exit::Done } else { Exit::Input }
            }
            Err(error) => {
                say::error(&format!("error: {error}"));
                Exit::Environment
            }
        };
    }
    say::out(&table(&record));
    if record.feasible {
        return Exit::Done;
    }
    say::error(&obstacles(loaded, &setup).render(say::colour()));
    Exit::Input
}

/// What is not in calibration on the day of the measurement; `None` where everything is.
pub(super) fn overdue(loaded: &Loaded, day: UtcTime) -> Option<Diagnostics> {
    let found = plan_schema::resolve::overdue(&loaded.job, &loaded.rig, day.day());
    (!found.0.is_empty()).then_some(found)
}

/// Prints what is wrong with the written input.
pub(super) fn refuse(error: &LoadError) -> Exit {
    match error {
        LoadError::Input(Report(diagnostics)) => say::error(&diagnostics.render(say::colour())),
        LoadError::File { .. } => say::error(&error.to_string()),
    }
    Exit::Input
}

/// The obstacles as errors at their points.
pub(super) fn obstacles(loaded: &Loaded, setup: &Setup) -> Diagnostics {
    let mut found = Vec::new();
    for (point, forecast) in setup.job.points.iter().zip(&setup.forecasts) {
        let Some(largest) = forecast.largest else {
            continue;
        };
        let messages: Vec<&str> = forecast.obstacles.iter().map(|o| o.message.as_str()).collect();
        found.push(loaded.plan.error(
            &point.origin.path("amplitude"),
            format!("this point can't be run: {}", messages.join("; ")),
            format!(
                "the largest amplitude here is {} pk ({} g pk)",
                engineering(largest.si(), "m/s²"),
                significant(largest.si() / plan_schema::units::STANDARD_GRAVITY)
            ),
        ));
    }
    Diagnostics(found)
}

/// Rounded down to three significant digits: what is named as the largest must itself be accepted.
fn significant(value: f64) -> String {
    let exponent = value.abs().max(1e-30).log10().floor();
    let unit = 10f64.powf(exponent - 2.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what a format can use"
    )]
    let decimals = (2.0 - exponent).clamp(0.0, 12.0) as usize;
    format!("{:.decimals$}", (value / unit + 1e-9).floor() * unit)
}

/// What is foreseen for a job that would begin at `now`.
fn record(setup: &Setup, now: UtcTime) -> CheckRecord {
    let circumstances = circumstances(setup, now);
    let points: Vec<CheckedPoint> = setup
        .forecasts
        .iter()
        .zip(&setup.job.points)
        .map(|(forecast, point)| {
            let u = (0..setup.job.sensors.len())
                .filter_map(|s| magnitude_budget(setup, s, point.frequency, &circumstances).ok())
                .map(|budget| budget.combined().expanded * 100.0)
                .reduce(f64::max);
            checked_point(forecast, point.frequency.si(), point.target.si(), u)
        })
        .collect();
    let dwell: f64 = setup
        .job
        .points
        .iter()
        .map(|p| f64::from(p.dwell_cycles) * f64::from(p.repeats) / p.frequency.si())
        .sum();
    let samples = (dwell + 4.0) * setup.job.rig.acquisition.rate.si() * setup.job.columns.len() as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u64"
    )]
    let raw_bytes = (samples * 4.0).clamp(0.0, 1e18) as u64;
    let waits = setup.waits();
    CheckRecord {
        schema: CheckSchema::V1,
        feasible: setup.feasible(),
        rig_s: points.iter().map(|p| p.rig_s).sum::<f64>() + waits.total().si(),
        waits: CheckedWaits {
            soak_s: waits.soak.si(),
            quiet_s: waits.quiet.si(),
            first_motion_s: waits.first_motion.si(),
            closing_s: waits.closing.si(),
            decays_s: waits.decays.si(),
        },
        points,
        raw_bytes,
    }
}

fn checked_point(forecast: &Forecast, frequency: f64, target: f64, u: Option<f64>) -> CheckedPoint {
    CheckedPoint {
        frequency_hz: frequency,
        acceleration_mps2_peak: target,
        displacement_m_peak: forecast.displacement.si(),
        velocity_mps_peak: forecast.velocity.si(),
        force_n_peak: forecast.need.force.si(),
        current_a_peak: forecast.need.current.si(),
        drive_v_peak: forecast.need.drive.si(),
        stroke_ceiling_m_peak: forecast.ceiling.stroke.si(),
        u_rel_percent: u,
        rig_s: forecast.time.si(),
        obstacles: forecast.obstacles.iter().map(|o| o.message.clone()).collect(),
        acceleration_mps2_peak_max: forecast.largest.map(|a| a.si()),
    }
}

fn table(record: &CheckRecord) -> String {
    let mut out = format!(
        "{:>9} {:>14} {:>11} {:>11} {:>9} {:>9} {:>9} {:>8} {:>7}  {}\n",
        "frequency",
        "acceleration",
        "stroke",
        "velocity",
        "force",
        "current",
        "drive",
        "U",
        "time",
        "feasible"
    );
    let shown = |value: f64, unit: &str| engineering(value, unit);
    for p in &record.points {
        out.push_str(&format!(
            "{:>9} {:>14} {:>11} {:>11} {:>9} {:>9} {:>9} {:>8} {:>7}  {}\n",
            shown(p.frequency_hz, "Hz"),
            shown(p.acceleration_mps2_peak, "m/s²"),
            shown(p.displacement_m_peak, "m"),
            shown(p.velocity_mps_peak, "m/s"),
            shown(p.force_n_peak, "N"),
            shown(p.current_a_peak, "A"),
            shown(p.drive_v_peak, "V"),
            p.u_rel_percent.map_or("none".to_owned(), |u| format!("{u:.2} %")),
            format!("{:.1} s", p.rig_s),
            if p.obstacles.is_empty() { "yes" } else { "NO" },
        ));
    }
    out.push_str(
        "Amplitudes are peak values; U is expanded (95.45 %), without the scatter that only the run shows.\n",
    );
    let mebibytes = record.raw_bytes as f64 / f64::from(1 << 20);
    let w = &record.waits;
    let parts = [
        ("soak", w.soak_s),
        ("listening at rest", w.quiet_s),
        ("first motion", w.first_motion_s),
        ("first point again at the end", w.closing_s),
        ("decays of sensors", w.decays_s),
    ];
    let parts: Vec<String> =
        parts.iter().filter(|(_, s)| *s > 0.0).map(|(name, s)| format!("{name} {s:.1} s")).collect();
    out.push_str(&format!("Waits that are foreseen: {}.\n", parts.join(", ")));
    out.push_str(&format!("Rig time about {:.0} s; waveforms at most {mebibytes:.0} MiB.\n", record.rig_s));
    out
}
