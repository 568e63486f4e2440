//! What an approver has to see before a release: everything that speaks against it, in a few lines.

use super::approve::Verified;
use crate::record::budget::BudgetRecord;
use crate::record::result::{PointRecord, SensorRecord};
use crate::record::words::{Decision, PointStatus};
use std::fmt::Write;

/// The review of a run, for a person to read.
#[must_use]
pub fn text(run: &Verified) -> String {
    let result = &run.result;
    let mut text = String::new();
    let mut line = |words: std::fmt::Arguments<'_>| {
        // Writing to a String can't fail.
        let _ = writeln!(text, "{words}");
    };
    let worth = if result.simulated { " (SIMULATED)" } else { "" };
    line(format_args!("Run {}{worth}: {}, operator {}", result.run, result.outcome, run.job.job.operator));
    line(format_args!("Records verified; the result follows from the waveforms."));
    let software = &result.software;
    let validated =
        if software.validated { "validated on this station" } else { "NOT VALIDATED on this station" };
    line(format_args!("Program {}, {validated}", software.version));
    line(format_args!("{}", scope(run)));
    if let Some(hold) = &result.hold {
        line(format_args!("HELD: {hold}"));
    }
    if let Some(ambient) = &result.ambient
        && let (Some(low), Some(high)) = (ambient.temperature_degc_min, ambient.temperature_degc_max)
    {
        line(format_args!("Temperature {low:.1} °C to {high:.1} °C"));
    }
    let humidity = result.ambient.as_ref().and_then(|a| a.humidity_percent_min.zip(a.humidity_percent_max));
    match humidity {
        Some((low, high)) => line(format_args!("Relative humidity {low:.0} % to {high:.0} %")),
        None => line(format_args!("Relative humidity not recorded")),
    }
    for witness in &result.witnesses {
        let out = witness.points.iter().filter(|point| !point.within).count();
        let worst = witness.points.iter().map(|p| p.deviation_percent.abs()).fold(0.0, f64::max);
        let (serial, role, all) = (&witness.serial, witness.role, witness.points.len());
        line(format_args!(
            "{role} {serial}: {out} of {all} measurements out of limits, at most {worst:.2} % off"
        ));
    }
    for sensor in &result.sensors {
        let count = |status: PointStatus| sensor.points.iter().filter(|p| p.status == status).count();
        let undecided = sensor.points.iter().filter(|p| p.decision == Decision::None).count();
        line(format_args!(
            "\nSensor {}: {}; {} points accepted, {} rejected, {} not reached; {undecided} without a statement",
            sensor.serial,
            sensor.decision,
            count(PointStatus::Accepted),
            count(PointStatus::Rejected),
            count(PointStatus::NotReached),
        ));
        figures(sensor).iter().for_each(|told| line(format_args!("  {told}")));
        for (n, point) in sensor.points.iter().enumerate() {
            let hertz = point.frequency_hz;
            for finding in &point.findings {
                line(format_args!("  point {}, {hertz} Hz, {}: {}", n + 1, point.status, finding.message));
            }
        }
    }
    text
}

/// What the run says of the laboratory's accreditation.
fn scope(run: &Verified) -> String {
    let Some(scope) = &run.result.scope else {
        return "No scope of accreditation was named for this run".to_owned();
    };
    let state = if scope.in_force { "in force" } else { "EXPIRED before the day of the run" };
    format!("Scope of accreditation {}, valid until {}, {state}", scope.accreditation, scope.valid_until)
}

/// What is largest over a sensor's accepted points: uncertainty and where it comes from, deviation, what is left of the fits.
fn figures(sensor: &SensorRecord) -> Vec<String> {
    let accepted: Vec<&PointRecord> =
        sensor.points.iter().filter(|p| p.status == PointStatus::Accepted).collect();
    let largest = |of: fn(&PointRecord) -> Option<f64>| {
        let known = accepted.iter().filter_map(|p| Some((*p, of(p)?)));
        known.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    };
    let mut told = Vec::new();
    if let Some((point, u)) = largest(|p| p.u_rel_percent) {
        let k = point.coverage_factor.map_or(String::new(), |k| format!(", k = {k:.2}"));
        let parts = point.budgets.as_ref().map_or(String::new(), |b| largest_parts(&b.magnitude));
        told.push(format!("largest U {u:.2} % at {} Hz{k}{parts}", point.frequency_hz));
    }
    if let Some((point, u)) = largest(|p| p.u_phase_deg) {
        let phase = point.budgets.as_ref().and_then(|b| b.phase.as_ref());
        let parts =
            phase.map_or(String::new(), |b| format!(", k = {:.2}{}", b.coverage_factor, largest_parts(b)));
        told.push(format!("largest U of the phase {u:.2}° at {} Hz{parts}", point.frequency_hz));
    }
    if let Some((point, deviation)) = largest(|p| p.deviation_percent) {
        told.push(format!("largest deviation {deviation:+.2} % at {} Hz", point.frequency_hz));
    }
    if let Some((point, thd)) = largest(|p| p.thd_percent) {
        told.push(format!("largest distortion {thd:.2} % at {} Hz", point.frequency_hz));
    }
    let noisiest = accepted.iter().filter_map(|p| Some((p, p.snr_db?))).min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((point, snr)) = noisiest {
        told.push(format!("least signal to noise {snr:.0} dB at {} Hz", point.frequency_hz));
    }
    let outside = accepted.iter().filter(|p| p.accredited == Some(false)).count();
    if outside > 0 {
        told.push(format!(
            "{outside} of {} accepted points outside the scope of accreditation",
            accepted.len()
        ));
    }
    told
}

/// The three largest parts of a budget by their share of the variance.
fn largest_parts(budget: &BudgetRecord) -> String {
    let all: f64 = budget.rows.iter().map(|r| r.contribution * r.contribution).sum();
    if all <= 0.0 {
        return String::new();
    }
    let mut rows: Vec<_> = budget.rows.iter().collect();
    rows.sort_by(|a, b| b.contribution.abs().total_cmp(&a.contribution.abs()));
    let share = |contribution: f64| 100.0 * contribution * contribution / all;
    let told = rows.iter().take(3).map(|r| format!("{} {:.0} %", r.component, share(r.contribution)));
    format!("; shares of its variance: {}", told.collect::<Vec<_>>().join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::certificate::fixture;

    #[test]
    fn the_largest_are_told_with_what_they_are_made_of() {
        let mut request = fixture::released();
        request.result.sensors[0].points[3].accredited = Some(false);
        insta::assert_snapshot!(figures(&request.result.sensors[0]).join("\n"));
    }
}
