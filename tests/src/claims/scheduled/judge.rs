//! Whether a run answered a fault as it must: what it must not have done, and how wrong what it accepted is.

use super::contract::{CONTRACT, Wanted};
use super::place::Place;
use crate::quick::Ran;
use calwright::record::result::PointRecord;
use calwright::record::words::PointStatus;
use plan_schema::faults::Fault;

/// What a run did that it must not have done; `None` for one that is as it has to be.
pub(super) fn wrong(place: &Place, row: usize, fault: &Fault, ran: &Ran) -> Option<String> {
    let (_, _, wanted, _) = CONTRACT.get(row).copied()?;
    let trip = ran.trip();
    if ran.truth.stop_hits > 0 {
        return Some(format!("the armature touched a stop {} times (trip {trip:?})", ran.truth.stop_hits));
    }
    if !ran.at_rest {
        return Some("the rig was left with drive on".to_owned());
    }
    let tripped = |reasons: &[&str]| trip.is_some_and(|t| reasons.contains(&t));
    let of_sensor = |findings: &[&str]| rejected(place, fault, ran, findings);
    let right = match wanted {
        Wanted::Trip(reasons) => tripped(reasons),
        Wanted::Reject(findings, reasons) => tripped(reasons) || of_sensor(findings),
        Wanted::RejectOrRight(findings, reasons) => {
            tripped(reasons)
                || (trip.is_none()
                    && (of_sensor(findings) || worst_error(ran).is_none_or(|e| e.excess <= 0.0)))
        }
    };
    let points = ran.result.sensors.iter().flat_map(|s| &s.points);
    let points: Vec<String> = points
        .map(|p| {
            let findings: Vec<&str> = p.findings.iter().map(|f| f.kind.word()).collect();
            format!("{} {findings:?}", p.status)
        })
        .collect();
    (!right).then(|| format!("trip {trip:?}, {:?}, {}", ran.report.outcome, points.join(", ")))
}

/// True if the sensor on the fault's channel is not accepted, with one of these findings, and no other one suffers.
fn rejected(place: &Place, fault: &Fault, ran: &Ran, findings: &[&str]) -> bool {
    let job = &place.setup.job;
    let column = job.columns.iter().position(|c| Some(&c.name) == fault.channel.as_ref());
    let sensor = job.sensors.iter().find(|s| Some(s.column) == column);
    let Some(record) = sensor.and_then(|s| ran.result.sensor(&s.sensor.serial)) else { return false };
    ran.trip().is_none()
        && record.points.iter().all(|p| {
            p.status != PointStatus::Accepted && p.findings.iter().any(|f| findings.contains(&f.kind.word()))
        })
}

/// The points that were accepted: serial number of the sensor, and the record.
pub(super) fn accepted(ran: &Ran) -> impl Iterator<Item = (&str, &PointRecord)> {
    let points = ran.result.sensors.iter().flat_map(|s| s.points.iter().map(|p| (s.serial.as_str(), p)));
    points.filter(|(_, p)| p.status == PointStatus::Accepted)
}

/// The error of an accepted point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointError {
    /// Relative, in percent.
    pub percent: f64,
    /// How far it is beyond twice its expanded uncertainty and beyond 1 %, in percent; below zero within either.
    pub excess: f64,
}

/// The worst error of the accepted points of a run; `None` where none was accepted.
#[must_use]
pub fn worst_error(ran: &Ran) -> Option<PointError> {
    let error = |(serial, point): (&str, &PointRecord)| {
        let truth = ran.truth.sensors.iter().find(|s| s.serial == serial)?;
        let near = |p: &&calwright::record::truth::TruePoint| {
            (p.frequency_hz / point.frequency_hz - 1.0).abs() < 1e-9
        };
        let right = truth.points.iter().find(near)?.sensitivity;
        let percent = (point.sensitivity? / right - 1.0).abs() * 100.0;
        Some(PointError { percent, excess: percent - (2.0 * point.u_rel_percent?).max(1.0) })
    };
    accepted(ran).filter_map(error).max_by(|a, b| a.excess.total_cmp(&b.excess))
}
