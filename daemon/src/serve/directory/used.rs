//! What a run was measured with, as its `run.json` states it.
//!
//! Must not make up versions: what the rig file or a register does not state has none.

use crate::serve::words::{UsedItem, UsedRole};
use plan_schema::registers::Date;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::instrument_of;
use std::collections::BTreeSet;

/// References, conditioners, channels, fixtures, the ambient sensor and check standards, each once.
pub(super) fn items(job: &ResolvedJob) -> Vec<UsedItem> {
    let item = |role, serial: &str, version| UsedItem { role, serial: serial.to_owned(), version };
    let mut items = BTreeSet::new();
    let references = [(UsedRole::Reference, Some(&job.reference))];
    let second = [(UsedRole::SecondReference, job.second_reference.as_ref())];
    for (role, mounted) in references.into_iter().chain(second) {
        let Some(mounted) = mounted else { continue };
        let certificate = mounted.calibration.certificate.clone();
        items.insert(item(role, &mounted.reference.serial, Some(certificate)));
        // A chain was calibrated with its conditioner: what is wrong with that certificate is wrong with this conditioner.
        if let Some(conditioner) = &mounted.calibration.conditioner {
            let certificate = mounted.calibration.certificate.clone();
            items.insert(item(UsedRole::Conditioner, conditioner, Some(certificate)));
        }
    }
    for channel in &job.columns {
        let gain = channel.gain_in_use();
        let version = gain.and_then(|g| g.certificate.clone().or(g.due.map(until)));
        items.insert(item(UsedRole::Channel, &channel.name, version));
        if let Some(conditioner) = &channel.conditioner {
            let version = channel.conditioner_certificate.clone().or(channel.conditioner_due.map(until));
            items.insert(item(UsedRole::Conditioner, conditioner, version));
        }
    }
    for mounted in job.sensors.iter().chain(&job.check_standards) {
        if let Some(fixture) = &mounted.mounted.fixture {
            let measured = job.rig.fixtures.iter().find(|f| f.name == *fixture);
            items.insert(item(UsedRole::Fixture, fixture, measured.and_then(|f| f.certificate.clone())));
        }
    }
    for standard in &job.check_standards {
        items.insert(item(UsedRole::CheckStandard, &standard.sensor.serial, None));
    }
    if let Some(role) = &job.rig.roles.ambient {
        let name = instrument_of(role);
        let sensor = job.rig.instruments.iter().find(|i| i.name == name);
        items.insert(item(UsedRole::Ambient, name, sensor.and_then(|i| i.certificate.clone())));
    }
    items.into_iter().collect()
}

/// A calibration by the day until which the rig file says it holds.
fn until(due: Date) -> String {
    format!("due {due}")
}
