//! The decision rule in words, the tolerance, and the statement on the item.
//!
//! Owns how rules, risks and tolerances are said, band by band where they differ. Must not decide.

use super::texts::{Section, section};
use super::{MissingMessage, Source, numbers};
use crate::certificate::data::{DeviationFrom, JudgedPoint, Rule};
use crate::record::words::{Decision, PointStatus};

/// From here on a probability is said to be at least this.
const SURE_PERCENT: f64 = 99.9;

/// Rule, tolerance and statement; nothing where no rule was applied.
pub(super) fn sections(source: &Source<'_>) -> Result<Vec<Section>, MissingMessage> {
    let judgement = &source.request.judgement;
    let tolerance = tolerance(source)?;
    let judged = tolerance.is_some() || source.sensor.points.iter().any(|p| p.decision != Decision::None);
    let rules = match (&judgement.rule_text, judgement.rule) {
        (Some(text), _) => vec![text.clone()],
        (None, Some(rule)) if judged => rules(source, rule)?,
        (None, Some(_) | None) => return Ok(Vec::new()),
    };
    let statement = source.messages.text("statement", source.sensor.decision.word())?.to_owned();
    let statement = std::iter::once(statement).chain(conformity(source)?);
    Ok(vec![
        section(source, "decision", rules.into_iter().chain(tolerance).collect())?,
        section(source, "statement", statement.collect())?,
    ])
}

/// One sentence where one rule holds for all points, else one for each stretch of the plan.
fn rules(source: &Source<'_>, rule: Rule) -> Result<Vec<String>, MissingMessage> {
    let judgement = &source.request.judgement;
    let points = source.sensor.points.iter().map(|p| p.frequency_hz).zip(&judgement.by_point);
    let by_point: Vec<(f64, &JudgedPoint)> = points.collect();
    let stretches: Vec<_> = by_point.chunk_by(|a, b| a.1 == b.1).collect();
    if stretches.len() < 2 {
        let only = by_point.first().map(|(_, judged)| **judged);
        let only = only.unwrap_or(JudgedPoint { rule, risk_percent: judgement.risk_percent });
        return Ok(vec![sentence(source, only)?]);
    }
    let told = stretches.into_iter().filter_map(|stretch| Some((stretch.first()?, stretch.last()?)));
    told.map(|((from, judged), (to, _))| {
        let rule = sentence(source, **judged)?;
        let (from, to) = (source.print.written(*from), source.print.written(*to));
        source.messages.filled("rule", "stretch", &[("from", &from), ("to", &to), ("rule", &rule)])
    })
    .collect()
}

fn sentence(source: &Source<'_>, judged: JudgedPoint) -> Result<String, MissingMessage> {
    let base = deviation_base(source)?;
    let risk = source.print.or_nothing(judged.risk_percent.map(|r| r.to_string()).as_deref());
    source.messages.filled("rule", judged.rule.word(), &[("base", &base), ("risk", &risk)])
}

/// The lowest probability of conformity among the points that were judged, rounded down.
fn conformity(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let judged = source.sensor.points.iter().filter(|p| p.status == PointStatus::Accepted);
    let known = judged.filter_map(|p| Some((p.frequency_hz, p.conformity_percent?)));
    let Some((frequency, percent)) = known.min_by(|a, b| a.1.total_cmp(&b.1)) else { return Ok(None) };
    if percent >= SURE_PERCENT {
        let percent = source.print.number(&SURE_PERCENT.to_string());
        return source.messages.filled("phrase", "conformity_sure", &[("percent", &percent)]).map(Some);
    }
    let percent = source.print.number(&format!("{:.1}", (percent * 10.0).floor() / 10.0));
    let frequency = source.print.written(frequency);
    source
        .messages
        .filled("phrase", "conformity", &[("percent", &percent), ("frequency", &frequency)])
        .map(Some)
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
