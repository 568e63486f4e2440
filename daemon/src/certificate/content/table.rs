//! The table of results: one row a point, numbers rounded with their uncertainty.
//!
//! Owns columns and cells. Must not print a value of a point that was not accepted: its row says why instead.

use serde::Serialize;

use super::numbers::{NOTHING, Print};
use super::{MissingMessage, Source, accreditation, texts};
use crate::certificate::stated::{SensitivityScale, Stated, StatedPoint, StatedResult};
use crate::record::result::PointRecord;
use crate::record::words::{Decision, PointStatus, SensitivityUnit};

/// Columns and rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Table {
    /// Heads, from left to right.
    pub columns: Vec<Column>,
    /// Rows in the order of the plan.
    pub rows: Vec<Row>,
    /// What the marks of rows mean; empty where there are none.
    pub legend: Vec<String>,
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
    /// A mark that the legend explains; empty where there is none.
    pub mark: &'static str,
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
    Ok(Table { columns: columns(source, &scale)?, rows, legend: accreditation::legend(source)? })
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
    let print = source.print;
    let stated = StatedPoint::of(point);
    let mut cells = vec![
        print.number(&stated.frequency),
        print.or_nothing(stated.acceleration.as_deref()),
        print.or_nothing(stated.displacement.as_deref()),
    ];
    let reason = match &stated.result {
        Some(result) => {
            cells.extend(results(print, result));
            cells.push(source.messages.text("decision", point.decision.word())?.to_owned());
            None
        }
        None => {
            let status = source.messages.text("status", point.status.word())?;
            let mut told = texts::findings(source, point)?;
            // Who took a point out, and why, comes first.
            told.splice(0..0, point.reason.clone());
            let separator = match point.status {
                _ if told.is_empty() => "",
                // The reason begins with who did it.
                PointStatus::Excluded => " ",
                _ => ": ",
            };
            Some(format!("{status}{separator}{}", told.join("; ")))
        }
    };
    let mark = accreditation::mark(source, point);
    Ok(Row { status: point.status, decision: point.decision, mark, cells, reason })
}

/// The cells of sensitivity, phase, deviation and coverage factor.
fn results(print: Print, result: &StatedResult) -> Vec<String> {
    let value = |stated: &Option<Stated>| print.or_nothing(stated.as_ref().map(|s| s.value.as_str()));
    let uncertainty =
        |stated: &Option<Stated>| print.or_nothing(stated.as_ref().and_then(|s| s.uncertainty.as_deref()));
    let deviation = result.deviation_percent.as_ref();
    vec![
        value(&result.per_g),
        value(&result.per_mps2),
        print.or_nothing(result.u_rel_percent.as_deref()),
        value(&result.phase_deg),
        uncertainty(&result.phase_deg),
        deviation.map_or_else(|| NOTHING.to_owned(), |d| print.signed(&d.value)),
        uncertainty(&result.deviation_percent),
        print.or_nothing(result.coverage_factor.as_deref()),
    ]
}

/// What was noticed about accepted points, with their frequency.
pub(super) fn notes(source: &Source<'_>) -> Result<Vec<String>, MissingMessage> {
    let mut notes = Vec::new();
    for point in source.sensor.points.iter().filter(|p| p.status == PointStatus::Accepted) {
        let frequency = source.print.written(point.frequency_hz);
        let findings = texts::findings(source, point)?;
        notes.extend(findings.into_iter().map(|finding| format!("{frequency} Hz: {finding}")));
    }
    Ok(notes)
}
