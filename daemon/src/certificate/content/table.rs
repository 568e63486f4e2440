//! The table of results: one row a point, numbers rounded with their uncertainty.
//!
//! Owns columns and cells. Must not print a value of a point that was not accepted: its row says why instead.

use serde::Serialize;

use super::numbers::{self, NOTHING, SensitivityScale, print, print_signed};
use super::{MissingMessage, Source};
use crate::certificate::rounding::{self, Rounded};
use crate::record::result::PointRecord;
use crate::record::words::{Decision, PointStatus, SensitivityUnit};

/// Columns and rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Table {
    /// Heads, from left to right.
    pub columns: Vec<Column>,
    /// Rows in the order of the plan.
    pub rows: Vec<Row>,
}

/// The head of a column.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Column {
    /// What.
    pub head: String,
    /// Its unit; may be empty.
    pub unit: String,
    /// Kind of amplitude; empty where it is none.
    pub kind: String,
}

/// One point.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Row {
    /// What became of the point.
    pub status: PointStatus,
    /// Its judgement, as a word for the template to colour.
    pub decision: Decision,
    /// A cell for each column; without result only those of frequency, acceleration and displacement.
    pub cells: Vec<String>,
    /// Why there is no result; null where there is one.
    pub reason: Option<String>,
}

/// The whole table.
pub(super) fn table(source: &Source<'_>) -> Result<Table, MissingMessage> {
    let unit = source.sensor.points.first().map_or(SensitivityUnit::VoltPerMps2, |p| p.sensitivity_unit);
    let scale = SensitivityScale::of(unit);
    let rows = source.sensor.points.iter().map(|point| row(source, point)).collect::<Result<_, _>>()?;
    Ok(Table { columns: columns(source, &scale)?, rows })
}

fn columns(source: &Source<'_>, scale: &SensitivityScale) -> Result<Vec<Column>, MissingMessage> {
    let peak = source.messages.text("column", "peak")?;
    let heads = [
        ("frequency", "Hz", ""),
        ("acceleration", "m/s²", peak),
        ("displacement", "mm", peak),
        ("sensitivity", scale.unit_per_g, ""),
        ("sensitivity", scale.unit_per_mps2, ""),
        ("uncertainty", "%", ""),
        ("phase", "°", ""),
        ("uncertainty", "°", ""),
        ("deviation", "%", ""),
        ("uncertainty", "%", ""),
        ("factor", "", ""),
        ("decision", "", ""),
    ];
    heads
        .into_iter()
        .map(|(key, unit, kind)| {
            let head = source.messages.text("column", key)?.to_owned();
            Ok(Column { head, unit: unit.to_owned(), kind: kind.to_owned() })
        })
        .collect()
}

fn row(source: &Source<'_>, point: &PointRecord) -> Result<Row, MissingMessage> {
    let mut cells = vec![
        numbers::frequency(point.frequency_hz),
        numbers::informative(point.acceleration_mps2_peak, 3),
        numbers::informative(point.displacement_m_peak.map(|m| m * 1e3), 3),
    ];
    let reason = match point.status {
        PointStatus::Accepted => {
            cells.extend(results(source, point)?);
            None
        }
        PointStatus::Rejected | PointStatus::NotReached | PointStatus::Skipped => {
            let status = source.messages.text("status", point.status.word())?;
            let findings: Vec<_> = point.findings.iter().map(|f| f.message.trim_end_matches('.')).collect();
            let separator = if findings.is_empty() { "" } else { ": " };
            Some(format!("{status}{separator}{}", findings.join("; ")))
        }
    };
    Ok(Row { status: point.status, decision: point.decision, cells, reason })
}

/// The cells of sensitivity, phase, deviation, coverage factor and decision.
fn results(source: &Source<'_>, point: &PointRecord) -> Result<Vec<String>, MissingMessage> {
    let scale = SensitivityScale::of(point.sensitivity_unit);
    let sensitivity = |printed: Option<f64>| -> String {
        let absolute = |s: f64| point.u_rel_percent.map(|u| s.abs() * u / 100.0);
        let rounded = printed.and_then(|s| numbers::to_uncertainty(s, absolute(s)));
        rounded.map_or_else(|| NOTHING.to_owned(), |r| print(&r.value))
    };
    let per_g = point.sensitivity_mv_per_g.or_else(|| point.sensitivity.map(|si| scale.per_g(si)));
    let relative = point.u_rel_percent.and_then(|u| rounding::significant(u, 2));
    let [phase, u_phase] = pair(point.phase_deg, point.u_phase_deg, print);
    let [deviation, u_deviation] = pair(point.deviation_percent, point.u_deviation_percent, print_signed);
    Ok(vec![
        sensitivity(per_g),
        sensitivity(point.sensitivity.map(|si| scale.per_mps2(si))),
        relative.unwrap_or_else(|| NOTHING.to_owned()),
        phase,
        u_phase,
        deviation,
        u_deviation,
        point.coverage_factor.map_or_else(|| NOTHING.to_owned(), |k| format!("{k:.2}")),
        source.messages.text("decision", point.decision.word())?.to_owned(),
    ])
}

/// A value and its uncertainty, rounded together; dashes where there is no value.
fn pair(value: Option<f64>, uncertainty: Option<f64>, sign: fn(&str) -> String) -> [String; 2] {
    match value.and_then(|v| numbers::to_uncertainty(v, uncertainty)) {
        Some(Rounded { value, uncertainty }) => [sign(&value), uncertainty],
        None => [NOTHING.to_owned(), NOTHING.to_owned()],
    }
}

/// What was noticed about accepted points, with their frequency.
pub(super) fn notes(source: &Source<'_>) -> Vec<String> {
    let accepted = source.sensor.points.iter().filter(|point| point.status == PointStatus::Accepted);
    accepted
        .flat_map(|point| {
            let frequency = numbers::frequency(point.frequency_hz);
            point.findings.iter().map(move |finding| format!("{frequency} Hz: {}", finding.message))
        })
        .collect()
}
