//! The sensitivity in the item's own unit, where what leaves it is a charge, a current or a share of its excitation.
//!
//! Owns this second table: what was measured were volts, and what made volts of it is named. Must not correct anything.

use serde::Serialize;

use super::table::Column;
use super::{MissingMessage, Source};
use crate::certificate::data::{EquipmentRole, OwnKind, OwnOutput};
use crate::certificate::stated::{SensitivityScale, Stated, StatedPoint};

/// A table of its own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OwnUnit {
    /// Heading.
    pub heading: String,
    /// What made volts of it.
    pub caption: String,
    /// Heads.
    pub columns: Vec<Column>,
    /// One row a point with a result.
    pub rows: Vec<Vec<String>>,
}

/// None where what leaves the item is a voltage, or no point has a result.
pub(super) fn own_unit(source: &Source<'_>) -> Result<Option<OwnUnit>, MissingMessage> {
    let Some(own) = &source.request.item.own else { return Ok(None) };
    let scale = SensitivityScale::own(own.kind);
    let heads = [
        ("frequency", "Hz"),
        ("sensitivity", scale.unit_per_g),
        ("uncertainty", scale.unit_per_g),
        ("sensitivity", scale.unit_per_mps2),
        ("uncertainty", scale.unit_per_mps2),
        ("uncertainty", "%"),
        ("factor", ""),
    ];
    let columns = heads.into_iter().map(|(key, unit)| {
        let head = source.messages.text("column", key)?.to_owned();
        Ok(Column { head, unit: unit.to_owned(), kind: String::new() })
    });
    let print = source.print;
    let value = |s: Option<&Stated>| print.or_nothing(s.map(|s| s.value.as_str()));
    let u = |s: Option<&Stated>| print.or_nothing(s.and_then(|s| s.uncertainty.as_deref()));
    let stated = source.sensor.points.iter().map(|p| StatedPoint::of_item(p, Some(own)));
    let rows: Vec<Vec<String>> = stated
        .filter_map(|point| {
            let result = point.result?;
            let (per_g, per_mps2) = (result.own_per_g.as_ref(), result.own_per_mps2.as_ref());
            Some(vec![
                print.number(&point.frequency),
                value(per_g),
                u(per_g),
                value(per_mps2),
                u(per_mps2),
                print.or_nothing(result.u_rel_percent.as_deref()),
                print.or_nothing(result.coverage_factor.as_deref()),
            ])
        })
        .collect();
    let columns = columns.collect::<Result<_, MissingMessage>>()?;
    let heading = source.messages.text("section", "own_unit")?.to_owned();
    Ok((!rows.is_empty()).then_some(OwnUnit { heading, caption: caption(source, own)?, columns, rows }))
}

fn caption(source: &Source<'_>, own: &OwnOutput) -> Result<String, MissingMessage> {
    let role = EquipmentRole::ItemConditioner;
    let conditioner = source.request.equipment.iter().find(|e| e.role == role);
    let not_known = source.messages.text("phrase", "not_known")?;
    let serial = conditioner.and_then(|c| c.serial.as_deref()).unwrap_or(not_known);
    let gain = conditioner.and_then(|c| c.gain.as_ref()).map(|g| source.print.number(g));
    let volts = source.print.volts(own.volts);
    let (key, value) = match own.kind {
        OwnKind::Charge => ("of_charge", gain.as_deref().unwrap_or(not_known)),
        OwnKind::Current => ("of_current", gain.as_deref().unwrap_or(not_known)),
        OwnKind::Ratio if source.sensor.excitation_v.is_some() => ("of_ratio_measured", volts.as_str()),
        OwnKind::Ratio => ("of_ratio_nominal", volts.as_str()),
    };
    source.messages.filled("own", key, &[("serial", serial), ("value", value)])
}
