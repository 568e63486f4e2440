//! Blocks of facts: label and value, in the order of print.
//!
//! Owns what each block tells. Must not tell results. A fact that does not exist is left out, except where its
//! absence says something.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{MissingMessage, Source};
use crate::certificate::stated::SensitivityScale;
use crate::record::UtcTime;
use crate::record::budget::BudgetSource;
use crate::record::channel_ratio::ToneRatio;

/// A heading and facts under it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Block {
    /// Heading.
    pub heading: String,
    /// The facts.
    pub facts: Vec<Fact>,
}

/// A label and a value; the value may have several lines.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fact {
    /// Label.
    pub label: String,
    /// Value.
    pub value: String,
}

type Facts<'a> = Vec<(&'a str, Option<String>)>;

/// All blocks that have a fact.
pub(super) fn blocks(source: &Source<'_>) -> Result<BTreeMap<&'static str, Block>, MissingMessage> {
    let all = [
        ("item", item(source)?),
        ("customer", customer(source)),
        ("calibration", calibration(source)?),
        ("conditions", conditions(source)?),
        ("mounting", mounting(source)?),
        ("reference", reference(source)?),
    ];
    let mut blocks = BTreeMap::new();
    for (name, facts) in all {
        let mut told = Vec::new();
        for (key, value) in facts {
            if let Some(value) = value {
                told.push(Fact { label: source.messages.text("fact", key)?.to_owned(), value });
            }
        }
        if !told.is_empty() {
            let heading = source.messages.text("block", name)?.to_owned();
            blocks.insert(name, Block { heading, facts: told });
        }
    }
    Ok(blocks)
}

fn item<'a>(source: &Source<'_>) -> Result<Facts<'a>, MissingMessage> {
    let (item, print) = (&source.request.item, source.print);
    let scale = source.sensor.points.first().map(|point| SensitivityScale::of(point.sensitivity_unit));
    let said = |si: f64, scale: SensitivityScale| {
        let (per_g, per_mps2) =
            (print.informative(Some(scale.per_g(si)), 5), print.informative(Some(scale.per_mps2(si)), 5));
        format!("{per_g} {}\n({per_mps2} {})", scale.unit_per_g, scale.unit_per_mps2)
    };
    let nominal = item.nominal_sensitivity.zip(scale).map(|(si, scale)| said(si, scale));
    let own = item.own.as_ref().zip(item.nominal_own);
    let own = own.map(|(own, si)| said(si, SensitivityScale::own(own.kind)));
    Ok(vec![
        ("object", Some(source.messages.text("kind", item.kind.word())?.to_owned())),
        ("make", Some(item.make.clone())),
        ("model", Some(item.model.clone())),
        ("serial", Some(item.serial.clone())),
        (if own.is_some() { "nominal_own" } else { "nominal" }, own.clone().or_else(|| nominal.clone())),
        ("nominal_volts", nominal.filter(|_| own.is_some())),
        ("condition", Some(source.messages.text("condition", item.condition.word())?.to_owned())),
    ])
}

fn customer<'a>(source: &Source<'_>) -> Facts<'a> {
    let customer = source.request.customer.as_ref();
    let address = customer.map(|c| c.address.join("\n")).filter(|address| !address.is_empty());
    vec![
        ("name", customer.map(|c| c.name.clone())),
        ("address", address),
        ("order", source.request.order.clone()),
    ]
}

fn calibration<'a>(source: &Source<'_>) -> Result<Facts<'a>, MissingMessage> {
    let (request, result) = (source.request, &source.request.result);
    let validated = if result.software.validated { "validated" } else { "not_validated" };
    let validated = source.messages.text("phrase", validated)?;
    let software = source.messages.filled(
        "phrase",
        "software",
        &[("version", &result.software.version), ("validated", validated)],
    )?;
    let ended = match result.ended {
        Some(time) => minute(time),
        None => source.messages.text("phrase", "not_known")?.to_owned(),
    };
    let place = match &request.laboratory.place_of_work {
        Some(place) => place.clone(),
        None => source.messages.text("phrase", "at_laboratory")?.to_owned(),
    };
    Ok(vec![
        ("replaces", request.replaces.clone()),
        ("received", request.received.clone()),
        ("started", Some(minute(result.started))),
        ("ended", Some(ended)),
        ("place", Some(place)),
        ("software", Some(software)),
    ])
}

fn minute(time: UtcTime) -> String {
    let civil = time.civil();
    format!("{} {:02}:{:02} UTC", civil.date(), civil.hour(), civil.minute())
}

fn conditions<'a>(source: &Source<'_>) -> Result<Facts<'a>, MissingMessage> {
    let not_known = source.messages.text("phrase", "not_known")?;
    let Some(ambient) = &source.request.result.ambient else {
        return Ok(vec![
            ("temperature", Some(not_known.to_owned())),
            ("humidity", Some(not_known.to_owned())),
        ]);
    };
    let span = |values: [Option<f64>; 4], decimals: usize, unit: &str| -> Result<String, MissingMessage> {
        let [Some(min), Some(max), Some(start), Some(end)] =
            values.map(|v| v.map(|v| format!("{} {unit}", source.print.number(&format!("{v:.decimals$}")))))
        else {
            return Ok(not_known.to_owned());
        };
        let values = [("min", min), ("max", max), ("start", start), ("end", end)];
        let values = values.each_ref().map(|(name, value)| (*name, value.as_str()));
        source.messages.filled("phrase", "span", &values)
    };
    let temperature = [
        ambient.temperature_degc_min,
        ambient.temperature_degc_max,
        ambient.temperature_degc_start,
        ambient.temperature_degc_end,
    ];
    let humidity = [
        ambient.humidity_percent_min,
        ambient.humidity_percent_max,
        ambient.humidity_percent_start,
        ambient.humidity_percent_end,
    ];
    Ok(vec![
        ("temperature", Some(span(temperature, 1, "°C")?)),
        ("humidity", Some(span(humidity, 0, "%")?)),
        ("ambient_sensor", ambient.sensor.clone()),
    ])
}

fn mounting<'a>(source: &Source<'_>) -> Result<Facts<'a>, MissingMessage> {
    let sheet = source.request.mounting.as_ref();
    let how = sheet.map(|m| source.messages.text("mounting", m.how.word())).transpose()?;
    let arrow = sheet.map(|m| source.messages.text("arrow", m.arrow.word())).transpose()?;
    let polarity = source.sensor.polarity.map(|p| source.messages.text("polarity", p.word())).transpose()?;
    Ok(vec![
        ("mounting", how.map(str::to_owned)),
        ("torque", sheet.and_then(|m| m.torque.clone())),
        ("torque_wrench", sheet.and_then(|m| m.torque_wrench.clone())),
        ("fixture", sheet.and_then(|m| m.fixture.clone())),
        ("position", sheet.and_then(|m| m.position.clone())),
        ("arrow", arrow.map(str::to_owned)),
        ("adapter", sheet.and_then(|m| m.adapter.clone())),
        ("adapter_mass", sheet.and_then(|m| m.adapter_mass.clone())),
        ("cable_tied_at", sheet.and_then(|m| m.cable_tied_at.clone())),
        ("mounting_remark", sheet.and_then(|m| m.remark.clone())),
        ("excitation", excitation(source)?),
        ("bias", source.sensor.bias_v.map(|v| source.print.volts(v))),
        ("zero_before", source.sensor.zero_offset_v_before.map(|v| source.print.volts(v))),
        ("zero_after", source.sensor.zero_offset_v_after.map(|v| source.print.volts(v))),
        ("polarity", polarity.map(str::to_owned)),
    ])
}

/// Supply or excitation as measured; where nothing measured it, as the register states it, marked so.
fn excitation(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    if let Some(measured) = source.sensor.excitation_v {
        return Ok(Some(source.print.volts(measured)));
    }
    let Some(nominal) = source.request.item.supply_nominal_v else { return Ok(None) };
    let value = source.print.volts(nominal);
    source.messages.filled("phrase", "nominal_supply", &[("value", &value)]).map(Some)
}

fn reference<'a>(source: &Source<'_>) -> Result<Facts<'a>, MissingMessage> {
    let reference = &source.request.reference;
    Ok(vec![
        ("make", Some(reference.make.clone())),
        ("model", Some(reference.model.clone())),
        ("serial", Some(reference.serial.clone())),
        ("certificate", Some(reference.certificate.clone())),
        ("laboratory", Some(reference.laboratory.clone())),
        ("laboratory_accreditation", reference.accreditation.clone()),
        ("calibrated", reference.calibrated.clone()),
        ("due", reference.due.clone()),
        ("channel_ratio", channel_ratio(source)?),
    ])
}

/// What one voltage in all channels showed of this sensor's; nothing where the run did not measure it.
fn channel_ratio(source: &Source<'_>) -> Result<Option<String>, MissingMessage> {
    let measured = source.request.result.channel_ratio.as_ref();
    let Some(of_sensor) = measured.and_then(|m| m.of_serial(&source.sensor.serial)) else {
        return Ok(None);
    };
    let tone = |tone: &ToneRatio| {
        let (ratio, phase) = tone.shown.ratio.zip(tone.shown.phase_deg)?;
        let ratio = source.print.number(&format!("{ratio:.5}"));
        let phase = source.print.number(&format!("{phase:.3}"));
        Some(format!("{} Hz: {ratio}, {phase}°", source.print.written(tone.frequency_hz)))
    };
    let before = of_sensor.tones.iter().filter(|t| t.before);
    let tones = before.filter_map(tone).collect::<Vec<_>>().join("\n");
    let mut text = source.messages.filled("phrase", "channel_ratio", &[("tones", &tones)])?;
    if source.sensor.points.iter().any(|p| p.channel_ratio == Some(BudgetSource::RigFile)) {
        text.push('\n');
        text.push_str(source.messages.text("phrase", "channel_ratio_outside")?);
    }
    Ok(Some(text))
}
