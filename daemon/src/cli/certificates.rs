//! Certificates from a run: requests filled from what was known before it and what came out.

use super::{Context, Exit, say};
use crate::certificate::data::{
    CertificateRequest, Customer, Item, Judgement, MountingSheet, Reference, RequestSchema,
};
use crate::certificate::{Limits, RenderError, Rendered, render};
use crate::files::{Disk, Files};
use crate::record::words::PointStatus;
use crate::record::{ResultRecord, RunRecord};
use crate::settings::Settings;
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use std::path::Path;
use std::time::Duration;

/// `calwright certificate`: from a run directory.
pub(super) fn run(context: &Context, directory: &Path, out: &Path) -> Exit {
    let verified = match crate::recompute::recompute(directory, &Disk) {
        Ok(verified) => verified,
        Err(discrepancy) => {
            say::error(&format!(
                "error: {}: {discrepancy}; no certificate is made of it",
                directory.display()
            ));
            return Exit::Records;
        }
    };
    let Some(result) = verified.result else {
        say::error(&format!("error: run {} was cut off and has no result", verified.run));
        return Exit::Cancelled;
    };
    let record: Result<RunRecord, String> = Disk
        .read(&directory.join("run.json"))
        .map_err(|e| e.to_string())
        .and_then(|bytes| serde_json::from_slice(&bytes).map_err(|e| e.to_string()));
    let job = record.and_then(|r| r.job().map_err(|e| e.to_string()));
    let job = match job {
        Ok(job) => job,
        Err(error) => {
            say::error(&format!("error: {}: {error}", directory.join("run.json").display()));
            return Exit::Records;
        }
    };
    if let Err(error) = Disk.create_dir(out) {
        say::error(&format!("error: {} can't be made: {error}", out.display()));
        return Exit::Environment;
    }
    match make(&context.settings, &job, &result, out) {
        Ok(rendered) => {
            rendered.iter().for_each(|r| say::out(&r.path.display().to_string()));
            Exit::Done
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}

/// Makes the certificate of every sensor of a run.
pub(super) fn make(
    settings: &Settings,
    job: &ResolvedJob,
    result: &ResultRecord,
    out: &Path,
) -> Result<Vec<Rendered>, RenderError> {
    let requests: Vec<CertificateRequest> =
        job.sensors.iter().map(|sensor| request(settings, job, sensor, result)).collect();
    let limits = Limits {
        time: Duration::from_secs(u64::from(settings.certificate.render_s_max)),
        memory_bytes: u64::from(settings.certificate.memory_mib_max) << 20,
    };
    render(&requests, out, &limits)
}

fn request(
    settings: &Settings,
    job: &ResolvedJob,
    sensor: &MountedSensor,
    result: &ResultRecord,
) -> CertificateRequest {
    let item = &sensor.sensor;
    let mounted = &sensor.mounted;
    let reference = &job.reference;
    let taken = job.points.iter().enumerate().filter(|(n, _)| sensor.takes(*n));
    let tolerances = taken.map(|(_, p)| item.tolerance.or(p.tolerance).map(|t| t.percent()));
    CertificateRequest {
        schema: RequestSchema::V1,
        language: settings.certificate.language,
        number: None,
        replaces: None,
        issued: None,
        template_path: settings.certificate.template.clone(),
        laboratory: settings.laboratory.clone(),
        customer: job
            .job
            .customer
            .as_ref()
            .map(|c| Customer { name: c.name.clone(), address: c.address.clone() }),
        order: job.job.order.clone(),
        received: None,
        item: Item {
            make: item.make.clone(),
            model: item.model.clone(),
            serial: item.serial.clone(),
            kind: item.kind.into(),
            nominal_sensitivity: Some(sensor.nominal.si()),
            condition: job.job.condition.into(),
        },
        mounting: Some(MountingSheet {
            how: mounted.mounting.into(),
            torque: mounted.torque.map(|t| format!("{} N·m", t.si())),
            adapter_mass: Some(plan_schema::units::engineering(mounted.adapter_mass.si() * 1e3, "g")),
            remark: mounted.remark.clone(),
        }),
        reference: Reference {
            make: reference.reference.make.clone(),
            model: reference.reference.model.clone(),
            serial: reference.reference.serial.clone(),
            certificate: reference.calibration.certificate.clone(),
            laboratory: reference.calibration.laboratory.clone(),
            calibrated: Some(reference.calibration.date.to_string()),
            due: Some(reference.calibration.due.to_string()),
        },
        method_text: None,
        judgement: Judgement {
            rule: Some(job.plan.decision.rule.into()),
            rule_text: None,
            deviation_from: job.plan.decision.deviation_from.into(),
            reference_frequency_hz: job.plan.reference_frequency.map(|f| f.si()),
            tolerance_percent: tolerances.collect(),
        },
        operator: Some(job.job.operator.clone()),
        authorised_by: None,
        remarks: Vec::new(),
        result: of_taken_points(result),
    }
}

/// The result without the points that a sensor does not take: its certificate does not speak of them.
fn of_taken_points(result: &ResultRecord) -> ResultRecord {
    let mut result = result.clone();
    for sensor in &mut result.sensors {
        sensor.points.retain(|p| p.status != PointStatus::Skipped);
    }
    result
}
