//! What an approver has to see before a release: everything that speaks against it, in a few lines.

use super::approve::Verified;
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
    if let Some(hold) = &result.hold {
        line(format_args!("HELD: {hold}"));
    }
    if let Some(ambient) = &result.ambient
        && let (Some(low), Some(high)) = (ambient.temperature_degc_min, ambient.temperature_degc_max)
    {
        line(format_args!("Temperature {low:.1} °C to {high:.1} °C"));
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
        for (n, point) in sensor.points.iter().enumerate() {
            let hertz = point.frequency_hz;
            for finding in &point.findings {
                line(format_args!("  point {}, {hertz} Hz, {}: {}", n + 1, point.status, finding.message));
            }
        }
    }
    text
}
