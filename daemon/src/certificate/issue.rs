//! Certificates of a run: requests filled from what was known before it and what came out, and their files.
//!
//! Owns which record fills which field of a request. Must not: compute a result, or decide what is released.

use super::data::{
    AsFound, CertificateRequest, Condition, Customer, Equipment, EquipmentRole, Item, JudgedPoint, Judgement,
    MountingSheet, OwnKind, OwnOutput, Reference, RequestSchema,
};
use super::job::Failure;
use super::{Limits, RenderError, Rendered, csv, dcc, file_name, render};
use crate::files::{Disk, Files};
use crate::record::ResultRecord;
use crate::record::words::PointStatus;
use crate::settings::Settings;
use plan_schema::registers::OutputKind;
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::rig::{Channel, instrument_of};
use plan_schema::units::Fraction;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

/// The request of every sensor of a run, in the order of the job.
#[must_use]
pub fn requests(settings: &Settings, job: &ResolvedJob, result: &ResultRecord) -> Vec<CertificateRequest> {
    job.sensors.iter().map(|sensor| request(settings, job, sensor, result)).collect()
}

/// Writes certificates as PDF, XML and CSV into a folder that exists.
///
/// # Errors
/// See [`RenderError`]; what was written before stays.
pub fn write(
    settings: &Settings,
    requests: &[CertificateRequest],
    out: &Path,
) -> Result<Vec<Rendered>, RenderError> {
    let limits = Limits {
        time: Duration::from_secs(u64::from(settings.certificate.render_s_max)),
        memory_bytes: u64::from(settings.certificate.memory_mib_max) << 20,
    };
    let mut rendered = render(requests, out, &limits)?;
    for request in requests {
        for (extension, bytes) in as_data(settings, request)? {
            let path = out.join(file_name(&request.item.serial, extension));
            Disk.write(&path, &bytes).map_err(|error| {
                let detail = error.to_string();
                failed(request, Failure::Write { path: path.clone(), detail })
            })?;
            rendered.push(Rendered { path, warnings: Vec::new() });
        }
    }
    Ok(rendered)
}

/// The same certificate as XML and CSV.
fn as_data(
    settings: &Settings,
    request: &CertificateRequest,
) -> Result<[(&'static str, Vec<u8>); 2], RenderError> {
    let program = |detail: String| failed(request, Failure::Program(detail));
    let xml = dcc::write(request).map_err(|error| program(error.to_string()))?;
    let csv = csv::write(request, settings.certificate.csv).map_err(|error| program(error.to_string()))?;
    Ok([("xml", xml), ("csv", csv)])
}

fn failed(request: &CertificateRequest, failure: Failure) -> RenderError {
    RenderError::Failed { serial: request.item.serial.clone(), failure }
}

fn request(
    settings: &Settings,
    job: &ResolvedJob,
    sensor: &MountedSensor,
    result: &ResultRecord,
) -> CertificateRequest {
    let item = &sensor.sensor;
    let taken = job.points.iter().enumerate().filter(|(n, _)| sensor.takes(*n));
    let tolerances = taken.map(|(_, p)| sensor.tolerance_at(p).map(|t| t.percent()));
    CertificateRequest {
        schema: RequestSchema::V1,
        language: settings.certificate.language,
        number: None,
        replaces: None,
        issued: None,
        with_budgets: settings.certificate.budgets,
        fonts_path: settings.certificate.fonts.clone(),
        template_path: settings.certificate.template.clone(),
        laboratory: settings.laboratory.clone(),
        customer: job
            .job
            .customer
            .as_ref()
            .map(|c| Customer { name: c.name.clone(), address: c.address.clone() }),
        order: job.job.order.clone(),
        received: job.job.received.map(|day| day.to_string()),
        item: item_of(job, sensor, result),
        mounting: Some(sheet(sensor)),
        reference: reference_of(job),
        equipment: equipment(job, sensor),
        method_text: None,
        judgement: Judgement {
            rule: Some(job.plan.decision.rule.into()),
            by_point: judged(job, sensor),
            risk_percent: job.plan.decision.risk.map(|r| r.percent()),
            rule_text: None,
            deviation_from: job.plan.decision.deviation_from.into(),
            reference_frequency_hz: job.plan.reference_frequency.map(|f| f.si()),
            tolerance_percent: tolerances.collect(),
        },
        operator: Some(job.job.operator.clone()),
        authorised_by: None,
        amendment: None,
        remarks: Vec::new(),
        as_found: None,
        result: of_one(result, &item.serial),
    }
}

fn item_of(job: &ResolvedJob, sensor: &MountedSensor, result: &ResultRecord) -> Item {
    let item = &sensor.sensor;
    Item {
        make: item.make.clone(),
        model: item.model.clone(),
        serial: item.serial.clone(),
        kind: item.kind.into(),
        nominal_sensitivity: Some(sensor.nominal.si()),
        nominal_own: Some(item.nominal_sensitivity.si()),
        own: own_output(sensor, result),
        supply_nominal_v: item.supply.map(|v| v.si()),
        condition: job.job.condition.into(),
    }
}

fn sheet(sensor: &MountedSensor) -> MountingSheet {
    let mounted = &sensor.mounted;
    MountingSheet {
        how: mounted.mounting.into(),
        torque: mounted.torque.map(|t| format!("{} N·m", t.si())),
        torque_wrench: mounted.torque_wrench.clone(),
        fixture: mounted.fixture.clone(),
        position: mounted.position.clone(),
        arrow: mounted.arrow.into(),
        adapter: mounted.adapter.clone(),
        adapter_mass: Some(plan_schema::units::engineering(mounted.adapter_mass.si() * 1e3, "g")),
        cable_tied_at: mounted.cable_tied_at.map(|l| plan_schema::units::engineering(l.si(), "m")),
        remark: mounted.remark.clone(),
    }
}

fn reference_of(job: &ResolvedJob) -> Reference {
    let reference = &job.reference;
    Reference {
        make: reference.reference.make.clone(),
        model: reference.reference.model.clone(),
        serial: reference.reference.serial.clone(),
        certificate: reference.calibration.certificate.clone(),
        laboratory: reference.calibration.laboratory.clone(),
        accreditation: reference.calibration.accreditation.clone(),
        calibrated: Some(reference.calibration.date.to_string()),
        due: Some(reference.calibration.due.to_string()),
    }
}

/// What leaves a sensor where that is no voltage. A bridge's excitation counts as measured where it was, else as stated.
fn own_output(sensor: &MountedSensor, result: &ResultRecord) -> Option<OwnOutput> {
    let measured = result.sensor(&sensor.sensor.serial).and_then(|s| s.excitation_v);
    let (kind, volts) = match sensor.sensor.nominal_sensitivity.kind() {
        OutputKind::Voltage => return None,
        OutputKind::Charge => (OwnKind::Charge, sensor.volts),
        OutputKind::Current => (OwnKind::Current, sensor.volts),
        OutputKind::Ratio => (OwnKind::Ratio, measured.unwrap_or(sensor.volts)),
    };
    Some(OwnOutput { kind, volts })
}

/// What lies between motion and numbers, as the rig file states it.
fn equipment(job: &ResolvedJob, sensor: &MountedSensor) -> Vec<Equipment> {
    use EquipmentRole::{
        Acquisition, Ambient, ItemChannel, ItemConditioner, ReferenceChannel, ReferenceConditioner,
    };
    // A share in percent as it was written, without what binary fractions add.
    let share = |u: Fraction| format!("{} %", (u.percent() * 1e6).round() / 1e6);
    let conditioner = |role, channel: &Channel| {
        let is_there = channel.conditioner.is_some() || channel.conditioner_gain.is_some();
        is_there.then(|| Equipment {
            role,
            name: None,
            serial: channel.conditioner.clone(),
            gain: channel.conditioner_gain.map(|g| g.in_words()),
            u: channel.conditioner_gain.map(|_| channel.conditioner_u).filter(|u| u.si() > 0.0).map(share),
            certificate: channel.conditioner_certificate.clone(),
            due: channel.conditioner_due.map(|day| day.to_string()),
            set: channel
                .conditioner_set_on
                .map(|day| day.to_string())
                .zip(channel.conditioner_set_by.clone()),
        })
    };
    let channel = |role, channel: &Channel| Equipment {
        role,
        name: Some(channel.name.clone()),
        serial: None,
        gain: channel.gain_in_use().map(|g| format!("{} V/V", g.gain.si())),
        u: channel.gain_in_use().map(|g| share(g.u)),
        certificate: channel.gain_in_use().and_then(|g| g.certificate.clone()),
        due: channel.gain_in_use().and_then(|g| g.due).map(|day| day.to_string()),
        set: None,
    };
    let instrument = |role, of: &str| {
        let name = instrument_of(of);
        let one = job.rig.instruments.iter().find(|i| i.name == name);
        Equipment {
            role,
            name: Some(name.to_owned()),
            serial: one.and_then(|i| i.serial.clone()),
            gain: None,
            u: None,
            certificate: one.and_then(|i| i.certificate.clone()),
            due: None,
            set: None,
        }
    };
    let (own, reference) = (job.columns.get(sensor.column), job.columns.get(job.reference.column));
    let conditioners = [
        reference.and_then(|c| conditioner(ReferenceConditioner, c)),
        own.and_then(|c| conditioner(ItemConditioner, c)),
        reference.map(|c| channel(ReferenceChannel, c)),
        own.map(|c| channel(ItemChannel, c)),
        Some(instrument(Acquisition, &job.rig.roles.acquisition)),
        job.rig.roles.ambient.as_ref().map(|of| instrument(Ambient, of)),
    ];
    conditioners.into_iter().flatten().collect()
}

/// How each point that a sensor takes was judged, where bands of the plan have rules of their own.
fn judged(job: &ResolvedJob, sensor: &MountedSensor) -> Vec<JudgedPoint> {
    let decision = &job.plan.decision;
    if decision.bands.is_empty() {
        return Vec::new();
    }
    let taken = job.points.iter().enumerate().filter(|(n, _)| sensor.takes(*n));
    let at = taken.map(|(_, point)| decision.at(point.frequency));
    at.map(|by| JudgedPoint {
        rule: by.rule.into(),
        risk_percent: (by.rule == plan_schema::plan::Rule::ChosenRisk).then(|| by.risk.percent()),
    })
    .collect()
}

/// Puts what each item showed before its adjustment beside what it shows now. `before` is a run that was verified, with the
/// job that it was a run of, and the numbers of its certificates by serial number.
///
/// # Errors
/// In words, where the two are no run before and no run after an adjustment of the same items.
pub fn put_beside(requests: &mut [CertificateRequest], before: &Before<'_>) -> Result<(), String> {
    let run = &before.result.run;
    if before.job.job.condition != plan_schema::job::Condition::AsFound {
        return Err(format!("run {run} is not of sensors as found, so it can't stand beside one as left"));
    }
    let mut found = 0;
    for request in requests.iter_mut() {
        let this = &request.result;
        if request.item.condition != Condition::AsLeft {
            return Err(format!(
                "run {} is not of sensors as left; write condition = \"as_left\" in its job",
                this.run
            ));
        }
        if this.simulated != before.result.simulated {
            return Err(format!("of runs {run} and {} one is simulated and the other is not", this.run));
        }
        if before.result.started >= this.started {
            return Err(format!("run {run} did not begin before run {}", this.run));
        }
        let Some(sensor) = before.result.sensor(&request.item.serial) else { continue };
        let mut sensor = sensor.clone();
        sensor.points.retain(|p| p.status != PointStatus::Skipped);
        found += 1;
        request.as_found = Some(AsFound {
            run: run.clone(),
            started: before.result.started,
            certificate: before.numbers.get(&request.item.serial).cloned(),
            sensor,
        });
    }
    if found == 0 {
        return Err(format!("no sensor of this run is in run {run}"));
    }
    Ok(())
}

/// A run before an adjustment.
#[derive(Debug)]
pub struct Before<'a> {
    /// What was known before it.
    pub job: &'a ResolvedJob,
    /// What it came to.
    pub result: &'a ResultRecord,
    /// Numbers of its certificates by serial number, where it was released.
    pub numbers: BTreeMap<String, String>,
}

/// The result of one sensor, without the points that it does not take: its certificate speaks of nothing else.
fn of_one(result: &ResultRecord, serial: &str) -> ResultRecord {
    let mut result = result.clone();
    result.sensors.retain(|s| s.serial == serial);
    for sensor in &mut result.sensors {
        sensor.points.retain(|p| p.status != PointStatus::Skipped);
    }
    result
}
