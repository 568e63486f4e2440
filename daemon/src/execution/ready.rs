//! Whether a job can be run on a day: calibrations in force, points within reach, tolerances with room.

use super::tight;
use crate::load::Loaded;
use crate::record::UtcTime;
use calibration::sequence::Setup;
use plan_schema::read::Diagnostics;
use plan_schema::units::{Accel, engineering};

/// A job that can be run.
#[derive(Debug, Clone)]
pub struct Ready {
    /// The job, prepared.
    pub setup: Setup,
    /// Remarks on tolerances that do not keep it from being run.
    pub remarks: Diagnostics,
}

/// Prepares a job for the day of its measurement.
///
/// # Errors
/// What keeps it from being run, each at the place where it is written.
pub fn ready(loaded: &Loaded, day: UtcTime) -> Result<Ready, Diagnostics> {
    if let Some(overdue) = overdue(loaded, day) {
        return Err(overdue);
    }
    let setup = Setup::new(loaded.job.clone());
    if !setup.feasible() {
        return Err(obstacles(loaded, &setup));
    }
    let remarks = tight::found(loaded, &setup, day);
    if remarks.is_usable() { Ok(Ready { setup, remarks }) } else { Err(remarks) }
}

/// What is not in calibration on the day of the measurement; `None` where everything is.
#[must_use]
pub fn overdue(loaded: &Loaded, day: UtcTime) -> Option<Diagnostics> {
    let mut found = plan_schema::resolve::overdue(&loaded.job, &loaded.rig, day.day());
    if let Some(received) = loaded.job.job.received.filter(|received| *received > day.day()) {
        found.0.push(loaded.written.error(
            "received",
            format!("the sensors came in on {received}, after the measurement on {}", day.day()),
            "write the day on which they came in",
        ));
    }
    (!found.0.is_empty()).then_some(found)
}

/// The obstacles as errors at their points.
#[must_use]
pub fn obstacles(loaded: &Loaded, setup: &Setup) -> Diagnostics {
    let mut found = Vec::new();
    for (point, forecast) in setup.job.points.iter().zip(&setup.forecasts) {
        let Some(largest) = forecast.largest else {
            continue;
        };
        let messages: Vec<&str> = forecast.obstacles.iter().map(|o| o.message.as_str()).collect();
        found.push(loaded.plan.error(
            &point.origin.path("amplitude"),
            format!("this point can't be run: {}", messages.join("; ")),
            if largest > Accel::ZERO {
                format!(
                    "the largest amplitude here is {} pk ({} g pk)",
                    engineering(largest.si(), "m/s²"),
                    significant(largest.si() / plan_schema::units::STANDARD_GRAVITY)
                )
            } else {
                "no amplitude can be run here: leave this frequency out, or look at how the rig stops"
                    .to_owned()
            },
        ));
    }
    Diagnostics(found)
}

/// Size of the waveforms that a run will record, without repeats for what looks odd, in bytes.
#[must_use]
pub fn raw_bytes(setup: &Setup) -> f64 {
    let measured = setup.job.points.iter().zip(&setup.forecasts).map(|(point, forecast)| {
        let cycles = f64::from(point.dwell_cycles) * forecast.lengthened as f64;
        cycles * f64::from(point.repeats) / point.frequency.si()
    });
    let dwell: f64 = measured.sum();
    // Quiet parts, first motion and ratios beside the dwells; a sample takes four bytes.
    (dwell + 4.0 + setup.ratio_recorded().si() + setup.substitution_recorded().si())
        * setup.job.rig.acquisition.rate.si()
        * setup.job.columns.len() as f64
        * 4.0
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
