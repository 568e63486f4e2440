//! The sentences of a certificate: method, traceability, uncertainty, decision rule, validity, remarks.
//!
//! Owns which sentences stand there. Must not claim more than the record shows: no conformity with a standard,
//! no statement where no rule was applied.

use serde::Serialize;

use super::numbers;
use super::{MissingMessage, Source};
use crate::certificate::data::DeviationFrom;
use crate::record::result::{Finding, PointRecord};
use crate::record::words::{Decision, Outcome};

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
    let traceability = source.messages.filled(
        "text",
        "traceability",
        &[
            ("serial", &reference.serial),
            ("laboratory", &reference.laboratory),
            ("certificate", &reference.certificate),
        ],
    )?;
    Ok(vec![section(source, "method", method)?, section(source, "traceability", vec![traceability])?])
}

/// Uncertainty, decision rule and statement where a rule was applied, validity.
pub(super) fn after(source: &Source<'_>) -> Result<Vec<Section>, MissingMessage> {
    let text = |key: &str| source.messages.text("text", key).map(str::to_owned);
    let mut sections = vec![section(source, "uncertainty", vec![text("uncertainty")?, text("phase")?])?];
    let judgement = &source.request.judgement;
    let tolerance = tolerance(source)?;
    let judged = tolerance.is_some() || source.sensor.points.iter().any(|p| p.decision != Decision::None);
    let rule = match (&judgement.rule_text, judgement.rule) {
        (Some(text), _) => Some(text.clone()),
        (None, Some(rule)) if judged => {
            let base = deviation_base(source)?;
            Some(source.messages.filled("rule", rule.word(), &[("base", &base)])?)
        }
        (None, Some(_) | None) => None,
    };
    if let Some(rule) = rule {
        sections.push(section(source, "decision", std::iter::once(rule).chain(tolerance).collect())?);
        let statement = source.messages.text("statement", source.sensor.decision.word())?;
        sections.push(section(source, "statement", vec![statement.to_owned()])?);
    }
    sections.push(section(source, "validity", vec![text("validity")?])?);
    Ok(sections)
}

/// The tolerances in words: one for all points, or by stretches of the plan. None where there is none.
fn tolerance(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let tolerances = &source.request.judgement.tolerance_percent;
    let given: Vec<_> = source.sensor.points.iter().map(|p| p.frequency_hz).zip(tolerances).collect();
    let print = source.print;
    let mut parts = Vec::new();
    for stretch in given.chunk_by(|a, b| a.1 == b.1) {
        let (Some(&(first, Some(percent))), Some(&(last, _))) = (stretch.first(), stretch.last()) else {
            continue;
        };
        let key = match stretch.len() {
            n if n == source.sensor.points.len() => "everywhere",
            1 => "single",
            _ => "range",
        };
        let (value, from, to) = (print.written(*percent), print.written(first), print.written(last));
        parts.push(source.messages.filled(
            "tolerance",
            key,
            &[("value", &value), ("from", &from), ("to", &to)],
        )?);
    }
    if parts.is_empty() {
        return Ok(None);
    }
    source.messages.filled("tolerance", "sentence", &[("list", &parts.join("; "))]).map(Some)
}

/// What deviations are deviations from, in words.
pub(super) fn deviation_base(source: &Source<'_>) -> Result<String, MissingMessage> {
    let judgement = &source.request.judgement;
    let frequency = match (judgement.deviation_from, judgement.reference_frequency_hz) {
        (DeviationFrom::Nominal, _) => String::new(),
        (DeviationFrom::ReferenceFrequency, Some(hertz)) => source.print.written(hertz),
        (DeviationFrom::ReferenceFrequency, None) => numbers::NOTHING.to_owned(),
    };
    source.messages.filled("base", judgement.deviation_from.word(), &[("frequency", &frequency)])
}

/// The request's remarks, after what the run itself demands to be said.
pub(super) fn remarks(source: &Source<'_>) -> Result<Vec<String>, MissingMessage> {
    let result = &source.request.result;
    let mut remarks = Vec::new();
    if result.outcome != Outcome::Done {
        let trip = result.trip.as_ref().map(|trip| source.messages.text("trip", trip.reason.word()));
        let reason = trip.transpose()?.unwrap_or(numbers::NOTHING);
        remarks.push(source.messages.filled("outcome", result.outcome.word(), &[("reason", reason)])?);
    }
    remarks.extend(source.request.remarks.iter().cloned());
    Ok(remarks)
}

/// What was noticed about a point, in words. English has the words of the record; another language says what kind of
/// thing it was, and the figures.
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
    point.findings.iter().map(told).collect()
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

fn section(source: &Source<'_>, key: &str, paragraphs: Vec<String>) -> Result<Section, MissingMessage> {
    Ok(Section { heading: source.messages.text("section", key)?.to_owned(), paragraphs })
}
