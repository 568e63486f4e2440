//! As found beside as left: the results before an adjustment next to those after it.
//!
//! Owns which points stand side by side: those of the same frequency and target. Must not compute a change: two results each
//! with its uncertainty, side by side, are what the reader judges by.

use serde::Serialize;

use super::table::Column;
use super::{MissingMessage, Source, numbers};
use crate::certificate::data::AsFound;
use crate::certificate::stated::{SensitivityScale, StatedPoint, StatedResult};
use crate::record::result::PointRecord;
use crate::record::words::{Decision, SensitivityUnit};

/// Two runs of one item, side by side.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SideBySide {
    /// Heading.
    pub heading: String,
    /// Which runs.
    pub caption: String,
    /// Over the columns of either side.
    pub sides: [String; 2],
    /// Heads of the first column and of those of one side.
    pub columns: Vec<Column>,
    /// Rows: the first cell, then the cells of either side.
    pub rows: Vec<Pair>,
    /// Zero offsets of the two, where there are any.
    pub zero: Option<String>,
}

/// One point on both sides.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pair {
    /// Frequency.
    pub frequency: String,
    /// Cells as found, then as left.
    pub cells: [Vec<String>; 2],
    /// Judgements, for the template to colour.
    pub decisions: [Decision; 2],
}

/// None where the item was not measured before an adjustment, or nobody named that run.
pub(super) fn side_by_side(source: &Source<'_>) -> Result<Option<SideBySide>, MissingMessage> {
    let Some(before) = &source.request.as_found else { return Ok(None) };
    let text = |section: &str, key: &str| source.messages.text(section, key).map(str::to_owned);
    let unit = source.sensor.points.first().map_or(SensitivityUnit::VoltPerMps2, |p| p.sensitivity_unit);
    let heads = [
        ("frequency", "Hz"),
        ("sensitivity", SensitivityScale::of(unit).unit_per_g),
        ("uncertainty", "%"),
        ("deviation", "%"),
        ("phase", "°"),
        ("decision", ""),
    ];
    let columns = heads.into_iter().map(|(key, unit)| {
        Ok(Column { head: text("column", key)?, unit: unit.to_owned(), kind: String::new() })
    });
    let number = before.certificate.as_deref().unwrap_or(numbers::NOTHING);
    let caption = source.messages.filled(
        "phrase",
        "as_found",
        &[("run", &before.run), ("day", &before.started.civil().date().to_string()), ("certificate", number)],
    )?;
    Ok(Some(SideBySide {
        heading: text("section", "side_by_side")?,
        caption,
        sides: [text("side", "as_found")?, text("side", "as_left")?],
        columns: columns.collect::<Result<_, _>>()?,
        rows: pairs(source, before)?,
        zero: zero(source, before)?,
    }))
}

fn pairs(source: &Source<'_>, before: &AsFound) -> Result<Vec<Pair>, MissingMessage> {
    let mut found: Vec<&PointRecord> = before.sensor.points.iter().collect();
    let mut rows = Vec::new();
    for left in &source.sensor.points {
        let same = |p: &&PointRecord| {
            p.frequency_hz.to_bits() == left.frequency_hz.to_bits()
                && p.target_mps2_peak.to_bits() == left.target_mps2_peak.to_bits()
        };
        let partner = found.iter().position(same).map(|at| found.remove(at));
        rows.push(pair(source, partner, Some(left))?);
    }
    // What was measured before the adjustment alone is no less a result.
    for alone in found {
        rows.push(pair(source, Some(alone), None)?);
    }
    Ok(rows)
}

fn pair(
    source: &Source<'_>,
    found: Option<&PointRecord>,
    left: Option<&PointRecord>,
) -> Result<Pair, MissingMessage> {
    let frequency = left.or(found).map_or_else(String::new, |p| source.print.written(p.frequency_hz));
    let decision = |point: Option<&PointRecord>| point.map_or(Decision::None, |p| p.decision);
    Ok(Pair {
        frequency,
        cells: [cells(source, found)?, cells(source, left)?],
        decisions: [decision(found), decision(left)],
    })
}

fn cells(source: &Source<'_>, point: Option<&PointRecord>) -> Result<Vec<String>, MissingMessage> {
    let nothing = || numbers::NOTHING.to_owned();
    let Some(point) = point else { return Ok(vec![nothing(); 5]) };
    let print = source.print;
    let Some(StatedResult { per_g, u_rel_percent, phase_deg, deviation_percent, .. }) =
        StatedPoint::of(point).result
    else {
        let status = source.messages.text("status", point.status.word())?.to_owned();
        return Ok(vec![nothing(), nothing(), nothing(), nothing(), status]);
    };
    Ok(vec![
        print.or_nothing(per_g.as_ref().map(|s| s.value.as_str())),
        print.or_nothing(u_rel_percent.as_deref()),
        deviation_percent.as_ref().map_or_else(nothing, |d| print.signed(&d.value)),
        print.or_nothing(phase_deg.as_ref().map(|s| s.value.as_str())),
        source.messages.text("decision", point.decision.word())?.to_owned(),
    ])
}

fn zero(source: &Source<'_>, before: &AsFound) -> Result<Option<String>, MissingMessage> {
    let of =
        |value: Option<f64>| value.map_or_else(|| numbers::NOTHING.to_owned(), |v| source.print.volts(v));
    let (found, left) = (&before.sensor, source.sensor);
    if found.zero_offset_v_before.is_none() && left.zero_offset_v_before.is_none() {
        return Ok(None);
    }
    let values = [
        ("found_before", of(found.zero_offset_v_before)),
        ("found_after", of(found.zero_offset_v_after)),
        ("left_before", of(left.zero_offset_v_before)),
        ("left_after", of(left.zero_offset_v_after)),
    ];
    let values = values.each_ref().map(|(name, value)| (*name, value.as_str()));
    source.messages.filled("phrase", "zero_side_by_side", &values).map(Some)
}
