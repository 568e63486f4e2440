//! Measurement results: method, equipment, conditions, and the lists of numbers as they are stated.
//!
//! Owns which list holds what. One entry a point that was accepted, in the order of the plan; points without a result
//! are said in words. Values bear their absolute expanded uncertainty; the magnitude has its relative one beside it.

use super::tree::{Element, element, text};
use super::{MissingMessage, Source, admin, units};
use crate::certificate::data::{Condition, OwnOutput};
use crate::certificate::stated::{Stated, StatedPoint, StatedResult};
use crate::record::result::{PointRecord, SensorRecord};
use crate::record::words::{Decision, PointStatus, SensitivityUnit};

/// Probability that the coverage factors are chosen for (k = 2 of a normal distribution).
const COVERAGE_PROBABILITY: &str = "0.9545";

pub(super) fn all(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let sensitivity = source.word("column", "sensitivity")?.to_owned();
    let own = source.request.item.own.as_ref();
    let result = element("dcc:measurementResult")
        .with("refType", "calwright_comparison")
        .holding(source.said("dcc:name", source.word("words", "results")?))
        .holding(methods(source)?)
        .holding(element("dcc:usedSoftware").holding(admin::software(source)))
        .holding(equipment(source)?)
        .holding(conditions(source)?)
        .holding(
            element("dcc:results")
                .holding(numbers(source, source.sensor, "calwright_sensitivity", sensitivity, own)?)
                .holding_all(as_found(source)?)
                .holding_all(lost(source)?),
        )
        .holding_all(conformity(source)?);
    Ok(element("dcc:measurementResults").holding(result))
}

fn methods(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let heading = source.word("section", "method")?;
    let told = source.content.before.iter().find(|section| section.heading == heading);
    let method = element("dcc:usedMethod")
        .holding(source.said("dcc:name", heading))
        .holding_all(told.map(|section| source.said("dcc:description", section.paragraphs.join(" "))));
    Ok(element("dcc:usedMethods").holding(method))
}

fn equipment(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let reference = &source.request.reference;
    let calibration = format!(
        "{}: {}, {}{}",
        source.word("fact", "certificate")?,
        reference.certificate,
        reference.laboratory,
        reference.calibrated.as_ref().map(|date| format!(", {date}")).unwrap_or_default(),
    );
    let accredited = source.word("fact", "laboratory_accreditation")?;
    let accredited = reference.accreditation.as_ref().map(|number| format!(". {accredited}: {number}"));
    let calibration = calibration + accredited.as_deref().unwrap_or_default();
    let one = element("dcc:measuringEquipment")
        .with("refType", "basic_normalUsed")
        .holding(source.said("dcc:name", source.word("block", "reference")?))
        .holding(source.said("dcc:description", calibration))
        .holding(element("dcc:manufacturer").holding(source.said("dcc:name", &reference.make)))
        .holding(text("dcc:model", &reference.model))
        .holding(admin::serial(source, &reference.serial)?);
    let mut all = element("dcc:measuringEquipments").holding(one);
    for instrument in &source.content.equipment {
        let serial = instrument.serial.as_ref().map(|serial| admin::serial(source, serial)).transpose()?;
        all = all.holding(
            element("dcc:measuringEquipment")
                .holding(source.said("dcc:name", &instrument.label))
                .holding(source.said("dcc:description", &instrument.told))
                .holding_all(serial),
        );
    }
    Ok(all)
}

fn conditions(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let status = match source.request.item.condition {
        Condition::AsFound => "beforeAdjustment",
        Condition::AsLeft => "afterAdjustment",
    };
    let condition = |name: &str, data: Element| {
        element("dcc:influenceCondition")
            .holding(source.said("dcc:name", name))
            .holding(text("dcc:status", status))
            .holding(element("dcc:data").holding(data))
    };
    let mut all = Vec::new();
    let ambient = source.request.result.ambient.as_ref();
    let spans = [
        (
            "temperature",
            "basic_temperature",
            ambient.and_then(|a| a.temperature_degc_min.zip(a.temperature_degc_max)),
            units::CELSIUS,
        ),
        (
            "humidity",
            "basic_humidityRelative",
            ambient.and_then(|a| a.humidity_percent_min.zip(a.humidity_percent_max)),
            units::PERCENT,
        ),
    ];
    for (key, kind, span, unit) in spans {
        if let Some((low, high)) = span {
            let list = real_list(&[format!("{low:.1}"), format!("{high:.1}")], unit);
            let quantity = element("dcc:quantity").with("refType", kind).holding(list);
            all.push(condition(source.word("fact", key)?, quantity));
        }
    }
    // Mounting and electrical conditions stand there as they are printed.
    for fact in source.content.blocks.get("mounting").into_iter().flat_map(|block| &block.facts) {
        all.push(condition(&fact.label, source.said("dcc:text", &fact.value)));
    }
    Ok(element("dcc:influenceConditions").holding_all(all))
}

/// What the item showed before it was adjusted, where such a run stands beside this one.
fn as_found(source: &Source<'_>) -> Result<Option<Element>, MissingMessage> {
    let Some(before) = &source.request.as_found else { return Ok(None) };
    let (quantity, side) = (source.word("column", "sensitivity")?, source.word("side", "as_found")?);
    let name = format!("{quantity}, {side}, {} {}", source.word("words", "run")?, before.run);
    numbers(source, &before.sensor, "calwright_asFound", name, None).map(Some)
}

/// The results of a sensor that were accepted; `kind` and `name` say which they are.
fn numbers(
    source: &Source<'_>,
    sensor: &SensorRecord,
    kind: &'static str,
    name: String,
    own: Option<&OwnOutput>,
) -> Result<Element, MissingMessage> {
    let stated: Vec<StatedPoint> = sensor.points.iter().map(|p| StatedPoint::of_item(p, own)).collect();
    let accepted: Vec<(&StatedPoint, &StatedResult)> =
        stated.iter().filter_map(|point| Some((point, point.result.as_ref()?))).collect();
    let result = element("dcc:result").with("refType", kind).holding(source.said("dcc:name", name));
    if accepted.is_empty() {
        let nothing = source.said("dcc:text", source.word("words", "none")?);
        return Ok(result.holding(element("dcc:data").holding(nothing)));
    }
    let list = Lists { source, accepted: &accepted };
    let unit = sensor.points.first().map_or(SensitivityUnit::VoltPerMps2, |p| p.sensitivity_unit);
    let decisions: Vec<&str> = accepted.iter().map(|(point, _)| point.decision.word()).collect();
    let decision = element("dcc:quantity")
        .with("refType", "calwright_decision")
        .holding(source.said("dcc:name", source.word("column", "decision")?))
        .holding(text("dcc:charsXMLList", decisions.join(" ")));
    let quantities = [
        list.plain("frequency", "calwright_frequency", units::HERTZ, |p, _| Some(p.frequency.clone()))?,
        list.plain("acceleration", "calwright_acceleration", units::ACCELERATION, |p, _| {
            p.acceleration.clone()
        })?,
        list.plain("displacement", "calwright_displacement", units::MILLIMETRE, |p, _| {
            p.displacement.clone()
        })?,
        list.stated(
            "sensitivity",
            "calwright_magnitude basic_measuredValue",
            units::sensitivity(unit),
            |r| r.per_mps2.as_ref(),
        )?,
        match own {
            Some(own) => list.stated("sensitivity", "calwright_magnitudeOwn", units::own(own.kind), |r| {
                r.own_per_mps2.as_ref()
            })?,
            None => None,
        },
        list.stated("phase", "calwright_phase basic_measuredValue", units::DEGREE, |r| r.phase_deg.as_ref())?,
        list.stated("deviation", "calwright_deviation basic_measurementError", units::PERCENT, |r| {
            r.deviation_percent.as_ref()
        })?,
    ];
    let list = element("dcc:list")
        .holding_all(quantities.into_iter().flatten())
        .holding(decision)
        .holding_all(accredited(source, sensor)?);
    Ok(result.holding(element("dcc:data").holding(list)))
}

/// A yes or no of a point, where it has one.
type OfPoint = fn(&PointRecord) -> Option<bool>;

/// Whether magnitude and phase of each accepted point fall under the laboratory's accreditation, where it states one.
fn accredited(source: &Source<'_>, sensor: &SensorRecord) -> Result<Vec<Element>, MissingMessage> {
    let accepted = || sensor.points.iter().filter(|p| p.status == PointStatus::Accepted);
    let lists: [(&str, &str, OfPoint); 2] = [
        ("sensitivity", "calwright_accredited", |p| p.accredited),
        ("phase", "calwright_accreditedPhase", |p| p.phase_accredited),
    ];
    if source.request.result.scope.is_none() {
        return Ok(Vec::new());
    }
    let about = source.word("accreditation", "list")?;
    let mut elements = Vec::new();
    for (key, kind, of) in lists {
        let words: Vec<&str> = accepted().map(|p| if of(p) == Some(true) { "yes" } else { "no" }).collect();
        let name = format!("{about}: {}", source.word("column", key)?);
        let quantity = element("dcc:quantity").with("refType", kind).holding(source.said("dcc:name", name));
        elements.push(quantity.holding(text("dcc:charsXMLList", words.join(" "))));
    }
    Ok(elements)
}

/// What the lists of one result have in common.
struct Lists<'a> {
    source: &'a Source<'a>,
    accepted: &'a [(&'a StatedPoint, &'a StatedResult)],
}

impl Lists<'_> {
    /// A list without uncertainty; none unless every point has a value.
    fn plain(
        &self,
        key: &str,
        kind: &'static str,
        unit: &'static str,
        value: impl Fn(&StatedPoint, &StatedResult) -> Option<String>,
    ) -> Result<Option<Element>, MissingMessage> {
        let values: Option<Vec<String>> = self.accepted.iter().map(|(p, r)| value(p, r)).collect();
        let name = self.source.word("column", key)?;
        Ok(values.map(|values| {
            let quantity = element("dcc:quantity").with("refType", kind);
            quantity.holding(self.source.said("dcc:name", name)).holding(real_list(&values, unit))
        }))
    }

    /// A list with uncertainties where every point has one; none unless every point has a value.
    fn stated(
        &self,
        key: &str,
        kind: &'static str,
        unit: &'static str,
        stated: impl Fn(&StatedResult) -> Option<&Stated>,
    ) -> Result<Option<Element>, MissingMessage> {
        let name = self.source.word("column", key)?;
        let all: Option<Vec<&Stated>> = self.accepted.iter().map(|(_, r)| stated(r)).collect();
        let Some(all) = all else { return Ok(None) };
        let values: Vec<String> = all.iter().map(|s| s.value.clone()).collect();
        let uncertainties: Option<Vec<String>> = all.iter().map(|s| s.uncertainty.clone()).collect();
        let own = |r: &StatedResult| match key {
            "phase" => r.coverage_factor_phase.clone(),
            "deviation" => r.coverage_factor_deviation.clone(),
            _ => r.coverage_factor.clone(),
        };
        let k: Option<Vec<String>> = self.accepted.iter().map(|(_, r)| own(r)).collect();
        let known = uncertainties.zip(k);
        let list = real_list(&values, unit).holding_all(known.map(|(u, k)| expanded(&u, &k)));
        let quantity = element("dcc:quantity").with("refType", kind);
        let relative = if key == "sensitivity" { self.relative() } else { None };
        Ok(Some(quantity.holding(self.source.said("dcc:name", name)).holding(list).holding_all(relative)))
    }

    fn relative(&self) -> Option<Element> {
        let relative: Option<Vec<String>> =
            self.accepted.iter().map(|(_, r)| r.u_rel_percent.clone()).collect();
        relative.map(|values| {
            let list = element("dcc:relativeUncertaintyXmlList")
                .holding(text("si:valueXMLList", values.join(" ")))
                .holding(text("si:unitXMLList", units::PERCENT));
            element("dcc:relativeUncertainty").holding(list)
        })
    }
}

fn expanded(uncertainties: &[String], k: &[String]) -> Element {
    let expanded = element("si:expandedMUXMLList")
        .holding(text("si:valueExpandedMUXMLList", uncertainties.join(" ")))
        .holding(text("si:coverageFactorXMLList", k.join(" ")))
        .holding(text("si:coverageProbabilityXMLList", COVERAGE_PROBABILITY));
    element("si:measurementUncertaintyUnivariateXMLList").holding(expanded)
}

fn real_list(values: &[String], unit: &'static str) -> Element {
    element("si:realListXMLList")
        .holding(text("si:valueXMLList", values.join(" ")))
        .holding(text("si:unitXMLList", unit))
}

/// Points without a result, each with its reason, in the words of the printed table.
fn lost(source: &Source<'_>) -> Result<Option<Element>, MissingMessage> {
    let rows = source.content.table.rows.iter().filter_map(|row| {
        let (frequency, reason) = (row.cells.first()?, row.reason.as_ref()?);
        Some(source.said("dcc:text", format!("{frequency} Hz: {reason}")))
    });
    let data = element("dcc:data").holding_all(rows);
    if data == element("dcc:data") {
        return Ok(None);
    }
    let name = source.word("words", "notes")?;
    Ok(Some(
        element("dcc:result")
            .with("refType", "calwright_withoutResult")
            .holding(source.said("dcc:name", name))
            .holding(data),
    ))
}

/// The statement on the item as a whole, where one is made.
fn conformity(source: &Source<'_>) -> Result<Option<Element>, MissingMessage> {
    let word = match source.sensor.decision {
        Decision::Pass => "pass",
        Decision::ConditionalPass => "conditionalPass",
        Decision::ConditionalFail => "conditionalFail",
        Decision::Fail => "fail",
        Decision::None => return Ok(None),
    };
    let heading = source.word("section", "decision")?;
    let rule = source.content.after.iter().find(|section| section.heading == heading);
    let statement = element("dcc:metaData")
        .with("refType", "basic_conformity")
        .holding(source.said("dcc:name", source.word("section", "statement")?))
        .holding_all(rule.map(|section| source.said("dcc:declaration", section.paragraphs.join(" "))))
        .holding(text("dcc:conformity", word));
    Ok(Some(element("dcc:measurementMetaData").holding(statement)))
}
