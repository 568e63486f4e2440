//! What a person reads at the end of a run.

use crate::record::ResultRecord;
use crate::record::result::{PointRecord, SensorRecord};
use crate::record::words::PointStatus;

/// The results as text: one table a sensor.
pub(super) fn table(result: &ResultRecord) -> String {
    let mut out = String::new();
    for sensor in &result.sensors {
        out.push_str(&sensor_table(sensor));
        out.push('\n');
    }
    let mark = if result.simulated { "SIMULATED. " } else { "" };
    let seed = result.seed.map_or(String::new(), |s| format!(" Seed {s}."));
    out.push_str(&format!(
        "{mark}Run {}: {}.{seed} Rig time {:.1} s, of which {:.1} s measured.\n",
        result.run, result.outcome, result.rig_s, result.measured_s
    ));
    out
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
