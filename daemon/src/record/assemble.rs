//! The result of a run, put together from what was known before it, what it measured, and how it ended.
//!
//! A live run and a recomputed one come through here, so that they agree to the bit.

use super::channel_ratio::ChannelRatioRecord;
use super::convert;
use super::journal::FinishedEntry;
use super::result::{ReferenceRecord, ResultRecord, ResultSchema, ScopeRecord};
use super::run::RunRecord;
use super::substitution::SubstitutionRecord;
use super::time::UtcTime;
use super::words::{Decision, Method, Outcome, State};
use calibration::evaluate::{Circumstances, RunFacts, evaluate, hold, measured_time, witnesses};
use calibration::sequence::Setup;
use calibration::uncertainty::UncertaintyError;
use jiff::civil;
use plan_schema::units::Seconds;

/// Puts the result together.
///
/// # Errors
/// Where a figure of the files can't enter a budget.
pub fn assemble(
    record: &RunRecord,
    setup: &Setup,
    facts: &RunFacts,
    end: &FinishedEntry,
) -> Result<ResultRecord, UncertaintyError> {
    let circumstances = circumstances(setup, record.started);
    let sensors = evaluate(setup, facts, &circumstances)?;
    let harmonics = setup.job.plan.harmonics;
    let substitutes = setup.substitution().is_some();
    let channels = setup.job.plan.channel_ratio.is_some() || substitutes;
    let mut sensors: Vec<_> = sensors.iter().map(|s| convert::sensor(s, harmonics, channels)).collect();
    if end.outcome != Outcome::Done {
        // Nobody looked again at the end: what was measured stays undecided, what failed has failed.
        let passes = [Decision::Pass, Decision::ConditionalPass];
        sensors.iter_mut().filter(|s| passes.contains(&s.decision)).for_each(|s| s.decision = Decision::None);
    }
    let witnesses = witnesses(setup, facts, &circumstances);
    Ok(ResultRecord {
        schema: ResultSchema::V1,
        run: record.run.clone(),
        state: State::Draft,
        simulated: record.simulated,
        seed: record.seed,
        software: record.software.clone(),
        started: end.started,
        ended: Some(end.ended),
        rig_s: end.rig_s,
        measured_s: measured_time(setup, facts).si(),
        foreseen_wait_s: end.foreseen_wait_s,
        waited_s: end.waited_s,
        outcome: end.outcome,
        method: match sensors.len() {
            _ if substitutes => Method::Substitution,
            0 | 1 => Method::Single,
            _ => Method::Multi,
        },
        trip: end.trip.clone(),
        hold: end.hold.clone().or_else(|| hold(&witnesses)),
        ambient: end.ambient.clone(),
        reference: ReferenceRecord {
            serial: setup.job.reference.reference.serial.clone(),
            calibration: setup.job.reference.calibration.certificate.clone(),
        },
        channel_ratio: ChannelRatioRecord::of(&setup.job, facts),
        substitution: SubstitutionRecord::of(setup, facts),
        scope: setup.job.scope.as_ref().map(|scope| ScopeRecord {
            accreditation: scope.accreditation.clone(),
            granted_by: scope.granted_by.clone(),
            valid_until: scope.valid_until.to_string(),
            in_force: circumstances.scope_in_force,
        }),
        witnesses: witnesses.iter().map(convert::witness).collect(),
        sensors,
    })
}

/// What is known beside samples and files: how old the reference's calibration is on the day of the run, and whether the
/// laboratory's scope holds on it.
#[must_use]
pub fn circumstances(setup: &Setup, started: UtcTime) -> Circumstances {
    let date = setup.job.reference.calibration.date;
    let year = i16::try_from(date.year).unwrap_or(i16::MAX);
    let day = |part: u8| i8::try_from(part).unwrap_or(1);
    let age = civil::Date::new(year, day(date.month), day(date.day))
        .ok()
        .map(|calibrated| started.civil().date().duration_since(calibrated).as_secs_f64());
    Circumstances {
        since_calibration: Seconds::new(age.unwrap_or(0.0).max(0.0)),
        scope_in_force: setup.job.scope.as_ref().is_some_and(|scope| scope.in_force(started.day())),
    }
}
