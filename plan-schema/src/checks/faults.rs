//! Checks of a file of faults, by itself and against the job that it strikes.

use super::Checker;
use crate::faults::{Fault, FaultKind, Faults, Moment};
use crate::read::{Diagnostics, Document, Report};
use crate::resolve::{ResolvedJob, list};

/// Checks faults against the job that they are to strike.
///
/// # Errors
/// Everything that would keep a fault from striking as it is written, at once.
pub fn check_faults(document: &Document<Faults>, job: &ResolvedJob) -> Result<(), Report> {
    let mut checker = Checker::new(document);
    for (n, fault) in document.value.faults.iter().enumerate() {
        let path = format!("fault[{n}]");
        moment(&mut checker, &path, fault, job);
        channel(&mut checker, &path, fault, job);
        size(&mut checker, &path, fault);
        heat(&mut checker, &path, fault, job);
        checker.positive_if_any(&format!("{path}.lasts"), fault.lasts.map(|t| t.si()));
    }
    if checker.found.is_empty() { Ok(()) } else { Err(Report(Diagnostics(checker.found))) }
}

fn moment(checker: &mut Checker<'_, Faults>, path: &str, fault: &Fault, job: &ResolvedJob) {
    match &fault.at {
        Moment::Time(time) => checker.not_negative(&format!("{path}.at"), time.si()),
        Moment::Point(moment) => {
            let points = job.points.len();
            let exists = usize::try_from(moment.point).is_ok_and(|p| (1..=points).contains(&p));
            if !exists {
                let message = format!("the plan has no point {}", moment.point);
                checker.error(
                    &format!("{path}.at.point"),
                    message,
                    format!("its points are numbered from 1 to {points}"),
                );
            }
        }
    }
}

fn channel(checker: &mut Checker<'_, Faults>, path: &str, fault: &Fault, job: &ResolvedJob) {
    if Fault::needs_permissive(fault.kind) {
        return permissive(checker, path, fault, job);
    }
    let kind = fault.kind.word();
    let used = || list(job.columns.iter().map(|c| c.name.as_str()));
    match &fault.channel {
        None if Fault::needs_channel(fault.kind) => {
            checker.error(
                &format!("{path}.kind"),
                format!("{kind} strikes a channel, but none is named"),
                format!("add channel = … with one of {}", used()),
            );
        }
        Some(name) if !Fault::needs_channel(fault.kind) => {
            checker.error(
                &format!("{path}.channel"),
                format!("{kind} strikes no channel, but '{name}' is named"),
                "remove the channel",
            );
        }
        Some(name) if !job.columns.iter().any(|c| &c.name == name) => {
            checker.error(
                &format!("{path}.channel"),
                format!("the job uses no channel '{name}'"),
                format!("it uses {}", used()),
            );
        }
        Some(name) if Fault::needs_sensor(fault.kind) && !sensors(job).any(|sensor| sensor == name) => {
            let second = job.rig.second_reference.as_ref().is_some_and(|second| &second.channel == name);
            let carried = match name {
                name if name == &job.rig.reference.channel => "the reference",
                _ if second => "the second reference",
                _ => "a supply",
            };
            checker.error(
                &format!("{path}.channel"),
                format!("{kind} strikes a sensor, but '{name}' carries {carried}"),
                format!("name one of {}", list(sensors(job))),
            );
        }
        _ => {}
    }
}

/// A fault of a permissive names it where others name their channel.
fn permissive(checker: &mut Checker<'_, Faults>, path: &str, fault: &Fault, job: &ResolvedJob) {
    let there = job.rig.permissives_in_force();
    let remedy = if there.is_empty() {
        "add a table [[permissive]] to the rig file".to_owned()
    } else {
        format!("write channel = … with one of {}", list(there.iter().map(|p| p.name.as_str())))
    };
    match &fault.channel {
        None => {
            let message = format!("{} strikes a permissive, but none is named", fault.kind.word());
            checker.error(&format!("{path}.kind"), message, remedy);
        }
        Some(name) if !there.iter().any(|p| &p.name == name) => {
            let message = format!("the rig has no permissive '{name}'");
            checker.error(&format!("{path}.channel"), message, remedy);
        }
        Some(_) => {}
    }
}

/// The channels of sensors and check standards.
fn sensors(job: &ResolvedJob) -> impl Iterator<Item = &str> {
    let mounted = job.sensors.iter().chain(&job.check_standards);
    mounted.filter_map(|s| job.columns.get(s.column)).map(|c| c.name.as_str())
}

fn size(checker: &mut Checker<'_, Faults>, path: &str, fault: &Fault) {
    if let Err(error) = fault.sized() {
        let key = if fault.value.is_some() { "value" } else { "kind" };
        checker.error(&format!("{path}.{key}"), error.message, error.remedy);
    }
}

/// A coil can only become too warm where the rig says how warm it gets and what is too much.
fn heat(checker: &mut Checker<'_, Faults>, path: &str, fault: &Fault, job: &ResolvedJob) {
    let shaker = &job.rig.shaker;
    let known = shaker.coil_heat_capacity.is_some()
        && shaker.coil_heat_resistance.is_some()
        && shaker.coil_temperature_limit.is_some();
    if fault.kind == FaultKind::CoilOverheating && !known {
        checker.error(
            &format!("{path}.kind"),
            "the rig does not say when its coil is too warm",
            "write shaker.coil_heat_capacity, coil_heat_resistance and coil_temperature_limit in the rig file",
        );
    }
}
