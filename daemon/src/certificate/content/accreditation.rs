//! What falls under the laboratory's accreditation: marks in the table, what they mean, and the number.
//!
//! Owns these words. Where the laboratory states no scope nothing is said, and the number stands only where a result falls
//! under it. Must not decide what does: the record says so point by point.

use super::{MissingMessage, Source};
use crate::record::budget::{BudgetRecord, PropagatedBy};
use crate::record::result::PointRecord;
use crate::record::words::PointStatus;

/// Beside a point of which nothing is accredited.
const NOTHING_IS: &str = "†";
/// Beside a point of which the phase alone is not.
const NO_PHASE: &str = "‡";

/// The mark of a point; empty where it has none.
pub(super) fn mark(source: &Source<'_>, point: &PointRecord) -> &'static str {
    if source.request.result.scope.is_none() || point.status != PointStatus::Accepted {
        return "";
    }
    match (point.accredited, point.phase_accredited) {
        (Some(true), Some(true)) => "",
        (Some(true), _) if point.phase_deg.is_none() => "",
        (Some(true), _) => NO_PHASE,
        (Some(false) | None, _) => NOTHING_IS,
    }
}

/// What the marks in the table mean, those that stand there.
pub(super) fn legend(source: &Source<'_>) -> Result<Vec<String>, MissingMessage> {
    let mut legend = Vec::new();
    for (mark, key) in [(NOTHING_IS, "marked"), (NO_PHASE, "marked_phase")] {
        if !marked(source, mark).is_empty() {
            legend.push(format!("{mark} {}", source.messages.text("accreditation", key)?));
        }
    }
    Ok(legend)
}

/// The number under which results of this certificate fall, and who granted it; none where no result does.
pub(super) fn number(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let Some(scope) = source.request.accreditation() else { return Ok(None) };
    let values = [("number", scope.accreditation.as_str()), ("by", scope.granted_by.as_str())];
    source.messages.filled("accreditation", "number", &values).map(Some)
}

/// The code of the laboratory in data: the bare number, where a result falls under it.
pub(super) fn code(source: &Source<'_>) -> Option<String> {
    source.request.accreditation().map(|scope| scope.accreditation.clone())
}

/// Which results are accredited and which are not, in words.
pub(super) fn remarks(source: &Source<'_>) -> Result<Vec<String>, MissingMessage> {
    let Some(scope) = &source.request.result.scope else { return Ok(Vec::new()) };
    let say = |key: &str, values: &[(&str, &str)]| source.messages.filled("accreditation", key, values);
    let mut remarks = Vec::new();
    if !scope.in_force {
        remarks.push(say("expired", &[("day", &scope.valid_until)])?);
    } else if source.request.accreditation().is_some() {
        remarks.push(say("some", &[("number", &scope.accreditation), ("by", &scope.granted_by)])?);
        for (mark, key) in [(NOTHING_IS, "outside"), (NO_PHASE, "outside_phase")] {
            let at = marked(source, mark);
            if !at.is_empty() {
                remarks.push(say(key, &[("list", &at.join("; "))])?);
            }
        }
    } else {
        remarks.push(say("none", &[])?);
    }
    let at = bounded(source);
    if !at.is_empty() {
        remarks.push(say("bounded", &[("list", &at.join("; "))])?);
    }
    Ok(remarks)
}

/// Frequencies of the points with a mark.
fn marked(source: &Source<'_>, wanted: &str) -> Vec<String> {
    let points = source.sensor.points.iter().filter(|p| mark(source, p) == wanted);
    points.map(|p| source.print.written(p.frequency_hz)).collect()
}

/// Frequencies at which a stated uncertainty is the best capability of the scope.
fn bounded(source: &Source<'_>) -> Vec<String> {
    let is = |budget: Option<&BudgetRecord>| budget.is_some_and(|b| b.by == PropagatedBy::Scope);
    let accepted = source.sensor.points.iter().filter(|p| p.status == PointStatus::Accepted);
    let of = accepted.filter(|p| {
        p.budgets
            .as_ref()
            .is_some_and(|b| is(Some(&b.magnitude)) || is(b.phase.as_ref()) || is(b.ratio.as_ref()))
    });
    of.map(|p| source.print.written(p.frequency_hz)).collect()
}
