//! The budgets behind the stated uncertainties: one table a quantity, components by points.
//!
//! Owns how budgets are laid out for print. Must not compute: every figure comes from the record.

use serde::Serialize;

use super::numbers::NOTHING;
use super::texts::OfQuantity;
use super::{MissingMessage, Source};
use crate::certificate::rounding;
use crate::record::budget::{BudgetRecord, BudgetRowRecord, BudgetsRecord};
use crate::record::result::PointRecord;
use crate::record::words::PointStatus;

/// So many points stand side by side on a page.
const ACROSS: usize = 7;
/// Degrees of freedom from here on are as good as without limit, and are not printed with a component.
const FEW: f64 = 100.0;

/// Budgets of some points of one quantity.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BudgetTable {
    /// Which quantity, in which unit.
    pub caption: String,
    /// Heads: component, source, distribution, then the frequencies.
    pub heads: Vec<String>,
    /// Components: name, source, distribution, then the contribution at each point.
    pub rows: Vec<Vec<String>>,
    /// What they combine to: a label, then a cell a point.
    pub sums: Vec<Vec<String>>,
}

/// The annex.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Annex {
    /// Heading.
    pub heading: String,
    /// How to read it.
    pub about: String,
    /// Its tables.
    pub tables: Vec<BudgetTable>,
}

/// None where the settings don't ask for it, or nothing was measured.
pub(super) fn annex(source: &Source<'_>) -> Result<Option<Annex>, MissingMessage> {
    if !source.request.with_budgets {
        return Ok(None);
    }
    let points: Vec<(&PointRecord, &BudgetsRecord)> = (source.sensor.points.iter())
        .filter(|p| p.status == PointStatus::Accepted)
        .filter_map(|p| Some((p, p.budgets.as_ref()?)))
        .collect();
    let quantities: [OfQuantity; 3] = [
        ("budget_magnitude", |b| Some(&b.magnitude)),
        ("budget_phase", |b| b.phase.as_ref()),
        ("budget_ratio", |b| b.ratio.as_ref()),
    ];
    let mut tables = Vec::new();
    for (key, of) in quantities {
        let with: Vec<_> = points.iter().filter_map(|(p, b)| Some((*p, of(b)?))).collect();
        for part in with.chunks(ACROSS) {
            tables.push(table(source, key, part)?);
        }
    }
    let text = |section: &str, key: &str| source.messages.text(section, key).map(str::to_owned);
    let annex = Annex { heading: text("section", "annex")?, about: text("text", "annex")?, tables };
    Ok((!annex.tables.is_empty()).then_some(annex))
}

fn table(
    source: &Source<'_>,
    key: &str,
    points: &[(&PointRecord, &BudgetRecord)],
) -> Result<BudgetTable, MissingMessage> {
    let text = |section: &str, key: &str| source.messages.text(section, key).map(str::to_owned);
    let mut names: Vec<&BudgetRowRecord> = Vec::new();
    for row in points.iter().flat_map(|(_, budget)| &budget.rows) {
        if !names.iter().any(|known| known.component == row.component) {
            names.push(row);
        }
    }
    let mut heads =
        vec![text("budget", "component")?, text("budget", "source")?, text("budget", "distribution")?];
    heads.extend(points.iter().map(|(p, _)| format!("{} Hz", source.print.written(p.frequency_hz))));
    let rows = names.into_iter().map(|row| {
        let mut cells = vec![
            source.messages.component(&row.component),
            text("source", row.source.word())?,
            text("distribution", row.distribution.word())?,
        ];
        cells.extend(points.iter().map(|(_, budget)| {
            let same = budget.rows.iter().find(|r| r.component == row.component);
            same.map_or_else(|| NOTHING.to_owned(), |r| contribution(source, r, budget.combined))
        }));
        Ok(cells)
    });
    let sum = |key: &str, of: &dyn Fn(&BudgetRecord) -> String| -> Result<Vec<String>, MissingMessage> {
        Ok(std::iter::once(text("budget", key)?).chain(points.iter().map(|(_, b)| of(b))).collect())
    };
    let print = source.print;
    let sums = vec![
        sum("combined", &|b| print.informative(Some(b.combined), 3))?,
        sum("nu_eff", &|b| freedom(source, b.nu_eff))?,
        sum("factor", &|b| print.number(&format!("{:.2}", b.coverage_factor)))?,
        sum("expanded", &|b| print.informative(Some(b.expanded), 3))?,
        sum("by", &|b| source.messages.text("by", b.by.word()).unwrap_or(NOTHING).to_owned())?,
    ];
    let caption = text("budget", key)?;
    Ok(BudgetTable { caption, heads, rows: rows.collect::<Result<_, _>>()?, sums })
}

/// A contribution to the place at which the combined uncertainty has four digits: what is less counts for nothing. Its degrees
/// of freedom in parentheses where it has so few that they count.
fn contribution(source: &Source<'_>, row: &BudgetRowRecord, combined: f64) -> String {
    let text = rounding::at_place_of(row.contribution, combined, 4);
    let value = match text {
        Some(text) if row.contribution > 0.0 && text.chars().all(|c| matches!(c, '0' | '.')) => {
            format!("< {}", source.print.number(&smallest(&text)))
        }
        Some(text) => source.print.number(&text),
        None => NOTHING.to_owned(),
    };
    match row.dof.filter(|dof| *dof < FEW) {
        Some(dof) => format!("{value} ({dof:.0})"),
        None => value,
    }
}

/// The smallest number with as many places as a zero that was printed, such as 0.0001 for 0.0000.
fn smallest(zero: &str) -> String {
    let mut text = zero.to_owned();
    text.pop();
    text.push('1');
    text
}

fn freedom(source: &Source<'_>, dof: Option<f64>) -> String {
    match dof {
        Some(dof) if dof < 1e4 => source.print.number(&format!("{dof:.0}")),
        Some(_) => "> 10 000".to_owned(),
        None => "∞".to_owned(),
    }
}
