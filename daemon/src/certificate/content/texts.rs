//! The sentences of a certificate: method, traceability, uncertainty, additions, validity, remarks.
//!
//! Owns which sentences stand there. Must not claim more than the record shows: no conformity with a standard,
//! no statement where no rule was applied.

use serde::Serialize;

use super::{MissingMessage, Source, accreditation, judgement, numbers};
use crate::record::budget::{BudgetRecord, BudgetsRecord, PropagatedBy};
use crate::record::result::{Finding, PointRecord};
use crate::record::words::{Outcome, PointStatus};

/// A heading and its paragraphs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Section {
    /// Heading.
    pub heading: String,
    /// Paragraphs.
    pub paragraphs: Vec<String>,
}

/// Method and traceability.
pub(super) fn before(source: &Source<'_>) -> Result<Vec<Section>, MissingMessage> {
    let request = source.request;
    let method = match &request.method_text {
        Some(text) => vec![text.clone()],
        None => {
            let method = source.messages.text("method", request.result.method.word())?;
            vec![format!("{method} {}", source.messages.text("method", "approach")?)]
        }
    };
    let reference = &request.reference;
    let accredited = match &reference.accreditation {
        Some(number) => source.messages.filled("phrase", "accredited_as", &[("number", number)])?,
        None => String::new(),
    };
    let traceability = source.messages.filled(
        "text",
        "traceability",
        &[
            ("serial", &reference.serial),
            ("laboratory", &format!("{}{accredited}", reference.laboratory)),
            ("certificate", &reference.certificate),
        ],
    )?;
    Ok(vec![section(source, "method", method)?, section(source, "traceability", vec![traceability])?])
}

/// Uncertainty, decision rule and statement where a rule was applied, additions to the method, validity.
pub(super) fn after(source: &Source<'_>) -> Result<Vec<Section>, MissingMessage> {
    let text = |key: &str| source.messages.text("text", key).map(str::to_owned);
    let mut uncertainty = vec![text("uncertainty")?];
    uncertainty.extend(factors(source)?);
    uncertainty.extend(simulated(source)?);
    uncertainty.push(text("phase")?);
    let mut sections = vec![section(source, "uncertainty", uncertainty)?];
    sections.extend(judgement::sections(source)?);
    sections.push(section(source, "deviations", vec![deviations(source)?])?);
    sections.push(section(source, "validity", vec![text("validity")?, text("customer_data")?])?);
    Ok(sections)
}

/// A quantity: its label in the messages, and its budget among those of a point.
pub(super) type OfQuantity = (&'static str, fn(&BudgetsRecord) -> Option<&BudgetRecord>);
const QUANTITIES: [OfQuantity; 3] = [
    ("magnitude", |b| Some(&b.magnitude)),
    ("phase", |b| b.phase.as_ref()),
    ("deviation", |b| b.ratio.as_ref()),
];

fn budgets<'a>(source: &Source<'a>) -> impl Iterator<Item = (&'a PointRecord, &'a BudgetsRecord)> {
    let accepted = source.sensor.points.iter().filter(|p| p.status == PointStatus::Accepted);
    accepted.filter_map(|p| Some((p, p.budgets.as_ref()?)))
}

/// The table has one column for coverage factors, that of the magnitude: where another quantity has another, that is said.
fn factors(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let printed = |k: f64| source.print.number(&format!("{k:.2}"));
    let mut parts: Vec<String> = Vec::new();
    for (key, of) in QUANTITIES {
        // Factor and the frequencies at which it holds.
        let mut others: Vec<(String, Vec<String>)> = Vec::new();
        for (point, own) in budgets(source).filter_map(|(p, b)| Some((p, of(b)?.coverage_factor))) {
            let own = printed(own);
            if point.coverage_factor.map(printed).as_ref() == Some(&own) {
                continue;
            }
            let frequency = source.print.written(point.frequency_hz);
            match others.iter_mut().find(|(k, _)| *k == own) {
                Some((_, at)) => at.push(frequency),
                None => others.push((own, vec![frequency])),
            }
        }
        let quantity = source.messages.text("quantity", key)?;
        for (k, at) in others {
            let values = [("quantity", quantity), ("k", &k), ("list", &at.join("; "))];
            parts.push(source.messages.filled("phrase", "factor", &values)?);
        }
    }
    if parts.is_empty() {
        return Ok(None);
    }
    source.messages.filled("phrase", "factors", &[("list", &parts.join(", "))]).map(Some)
}

/// Where an expanded uncertainty comes from a simulation.
fn simulated(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let mut parts = Vec::new();
    for (key, of) in QUANTITIES {
        let at: Vec<String> = budgets(source)
            .filter(|(_, b)| of(b).is_some_and(|b| b.by == PropagatedBy::Simulation))
            .map(|(p, _)| source.print.written(p.frequency_hz))
            .collect();
        if !at.is_empty() {
            let quantity = source.messages.text("quantity", key)?;
            let list = at.join("; ");
            parts.push(source.messages.filled("phrase", "at", &[("quantity", quantity), ("list", &list)])?);
        }
    }
    if parts.is_empty() {
        return Ok(None);
    }
    source.messages.filled("text", "simulated", &[("list", &parts.join(", "))]).map(Some)
}

/// Deviations from the method, additions, exclusions: how many points have no result; or that there are none.
fn deviations(source: &Source<'_>) -> Result<String, MissingMessage> {
    let all = source.sensor.points.len();
    let lost = source.sensor.points.iter().filter(|p| p.status != PointStatus::Accepted).count();
    if lost == 0 {
        return source.messages.text("text", "no_deviations").map(str::to_owned);
    }
    let (lost, all) = (lost.to_string(), all.to_string());
    source.messages.filled("text", "deviations", &[("lost", &lost), ("all", &all)])
}

/// The request's remarks, after what the run itself demands to be said.
pub(super) fn remarks(source: &Source<'_>) -> Result<Vec<String>, MissingMessage> {
    let result = &source.request.result;
    let mut remarks = accreditation::remarks(source)?;
    if let Some(reason) = &source.request.amendment {
        let number = source.request.replaces.as_deref().unwrap_or(numbers::NOTHING);
        let values = [("number", number), ("reason", reason.as_str())];
        remarks.insert(0, source.messages.filled("phrase", "amended", &values)?);
    }
    if result.outcome != Outcome::Done {
        let trip = result.trip.as_ref().map(|trip| source.messages.text("trip", trip.reason.word()));
        let reason = trip.transpose()?.unwrap_or(numbers::NOTHING);
        remarks.push(source.messages.filled("outcome", result.outcome.word(), &[("reason", reason)])?);
    }
    remarks.extend(source.request.remarks.iter().cloned());
    Ok(remarks)
}

/// What was noticed about a point, in words, each kind of thing once: repeats of a point find the same again. English has the
/// words of the record; another language says what kind of thing it was, and the figures.
pub(super) fn findings(source: &Source<'_>, point: &PointRecord) -> Result<Vec<String>, MissingMessage> {
    let told = |finding: &Finding| {
        if source.messages.tells_as_recorded() {
            return Ok(finding.message.trim_end_matches('.').to_owned());
        }
        let kind = source.messages.text("finding", finding.kind.word())?;
        let (Some(value), Some(limit)) = (finding.value, finding.limit) else { return Ok(kind.to_owned()) };
        let figure = |value: f64| {
            let text = source.print.informative(Some(value), 3);
            finding.unit.as_ref().map_or_else(|| text.clone(), |unit| format!("{text} {}", symbol(unit)))
        };
        source.messages.filled(
            "phrase",
            "finding",
            &[("kind", kind), ("value", &figure(value)), ("limit", &figure(limit))],
        )
    };
    worst_of_each_kind(&point.findings).into_iter().map(told).collect()
}

/// Of findings of one kind the one that is farthest beyond its limit, in the order in which the kinds came up.
fn worst_of_each_kind(findings: &[Finding]) -> Vec<&Finding> {
    let excess =
        |f: &Finding| f.value.zip(f.limit).map_or(0.0, |(value, limit)| ((value - limit) / limit).abs());
    let mut worst: Vec<&Finding> = Vec::new();
    for finding in findings {
        match worst.iter_mut().find(|known| known.kind == finding.kind) {
            Some(known) if excess(finding) > excess(known) => *known = finding,
            Some(_) => {}
            None => worst.push(finding),
        }
    }
    worst
}

/// The symbol of a unit that records name by a word.
fn symbol(word: &str) -> &str {
    match word {
        "percent" => "%",
        "v" => "V",
        "db" => "dB",
        "mps2" => "m/s²",
        "degc" => "°C",
        other => other,
    }
}

pub(super) fn section(
    source: &Source<'_>,
    key: &str,
    paragraphs: Vec<String>,
) -> Result<Section, MissingMessage> {
    Ok(Section { heading: source.messages.text("section", key)?.to_owned(), paragraphs })
}
