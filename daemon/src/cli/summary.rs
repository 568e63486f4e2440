//! What a person reads at the end of a run.

use crate::record::ResultRecord;
use crate::record::result::{PointRecord, SensorRecord, WitnessPointRecord, WitnessRecord};
use crate::record::words::PointStatus;

/// The results as text: one table a sensor.
pub(super) fn table(result: &ResultRecord) -> String {
    let mut out = String::new();
    for sensor in &result.sensors {
        out.push_str(&sensor_table(sensor));
        out.push('\n');
    }
    for witness in &result.witnesses {
        out.push_str(&witness_line(witness));
    }
    if let Some(hold) = &result.hold {
        out.push_str(&format!("HELD: {hold}.\n"));
    }
    let mark = if result.simulated { "SIMULATED. " } else { "" };
    let seed = result.seed.map_or(String::new(), |s| format!(" Seed {s}."));
    out.push_str(&format!(
        "{mark}Run {}: {}.{seed} Rig time {:.1} s: {:.1} s measured, {:.1} s foreseen waits, {:.1} s on the way.\n",
        result.run,
        result.outcome,
        result.rig_s,
        result.measured_s,
        result.waited_s,
        result.rig_s - result.measured_s - result.waited_s
    ));
    out
}

/// A witness in a line: its largest deviation, as a share of what is allowed.
fn witness_line(witness: &WitnessRecord) -> String {
    let name = format!("{} {}", witness.role.word().replace('_', " "), witness.serial);
    let share = |p: &WitnessPointRecord| p.deviation_percent.abs() / p.limit_percent;
    match witness.points.iter().max_by(|a, b| share(a).total_cmp(&share(b))) {
        Some(worst) => format!(
            "{name}: {} at {} points, at most {:.2} % off at {} Hz where {:.2} % is allowed\n",
            if worst.within { "as expected" } else { "OUT OF LIMITS" },
            witness.points.len(),
            worst.deviation_percent,
            worst.frequency_hz,
            worst.limit_percent
        ),
        None => format!("{name}: not measured at any frequency at which it is known\n"),
    }
}

fn sensor_table(sensor: &SensorRecord) -> String {
    let mut out = format!("Sensor {}: {}\n", sensor.serial, sensor.decision.word().replace('_', " "));
    if sensor.points.iter().all(|p| p.status == PointStatus::NotReached) {
        out.push_str("  no point was reached\n");
        return out;
    }
    out.push_str(&format!(
        "{:>9} {:>12} {:>12} {:>9} {:>10} {:>7} {:>7}  {}\n",
        "frequency", "acceleration", "sensitivity", "phase", "deviation", "U", "U phase", "decision"
    ));
    out.push_str(&format!(
        "{:>9} {:>12} {:>12} {:>9} {:>10} {:>7} {:>7}\n",
        "Hz", "m/s² pk", "mV/g", "°", "%", "%", "°"
    ));
    for point in &sensor.points {
        out.push_str(&line(point));
    }
    out
}

fn line(p: &PointRecord) -> String {
    let number =
        |value: Option<f64>, digits: usize| value.map_or("–".to_owned(), |v| format!("{v:.digits$}"));
    let verdict = match p.status {
        PointStatus::Accepted => p.decision.word().replace('_', " "),
        PointStatus::Rejected => {
            let why = p.findings.first().map_or("", |f| f.message.as_str());
            format!("rejected: {why}")
        }
        PointStatus::NotReached => "not reached".to_owned(),
        PointStatus::Excluded => format!("excluded by {}", p.reason.as_deref().unwrap_or_default()),
        PointStatus::Skipped => format!("not taken: {}", p.reason.as_deref().unwrap_or_default()),
    };
    format!(
        "{:>9} {:>12} {:>12} {:>9} {:>10} {:>7} {:>7}  {verdict}\n",
        p.frequency_hz,
        number(p.acceleration_mps2_peak, 4),
        number(p.sensitivity_mv_per_g, 3),
        number(p.phase_deg, 2),
        number(p.deviation_percent, 2),
        number(p.u_rel_percent, 2),
        number(p.u_phase_deg, 2),
    )
}
