//! `calwright check`: feasible or not, point by point.

mod foresee;
mod one_point;
mod table;

use super::{Context, DAY_OF_DRY_RUNS, Exit, arm, say};
use crate::driver_settings;
use crate::execution::{obstacles, overdue, tight};
use crate::load::{self, LoadError, Loaded};
use crate::record::check::CheckRecord;
use crate::record::problems::ProblemsRecord;
use crate::record::time::UtcTime;
use crate::wiring::SIMULATED;
use calibration::sequence::Setup;
use plan_schema::read::Report;
use plan_schema::resolve::ResolvedJob;
use serde::Serialize;
use std::path::Path;

pub(super) fn run(context: &Context, path: &Path, at: Option<UtcTime>, point: Option<usize>) -> Exit {
    match load::job(path) {
        Ok(mut loaded) => {
            match context.settings.scope.as_deref().map(load::scope).transpose() {
                Ok(scope) => loaded.job.scope = scope,
                Err(error) => return not_usable(context, &error),
            }
            let day = at.or_else(|| day_of(&loaded.job)).unwrap_or_else(UtcTime::now);
            checked(context, &loaded, day, point)
        }
        Err(error) => not_usable(context, &error),
    }
}

/// A rig of which every instrument is simulated lives on the day of dry runs.
fn day_of(job: &ResolvedJob) -> Option<UtcTime> {
    let simulated = job.rig.instruments.iter().all(|i| i.driver == SIMULATED);
    simulated.then(|| DAY_OF_DRY_RUNS.parse().ok()).flatten()
}

fn checked(context: &Context, loaded: &Loaded, day: UtcTime, wanted: Option<usize>) -> Exit {
    say::error(&loaded.warnings.render(say::colour()));
    let settings = driver_settings::problems(&loaded.rig);
    if !settings.is_usable() {
        return not_usable(context, &LoadError::Input(Report(settings)));
    }
    let unwarned = arm::unwarned(&loaded.rig);
    if !unwarned.0.is_empty() {
        say::error(&unwarned.render(say::colour()));
    }
    if let Some(remark) = arm::remark(context, &loaded.job) {
        say::error(&remark);
    }
    if let Some(remark) = lapsed_scope(&loaded.job, day) {
        say::error(&remark);
    }
    if let Some(overdue) = overdue(loaded, day) {
        return not_usable(context, &LoadError::Input(Report(overdue)));
    }
    let setup = Setup::new(loaded.job.clone());
    let record = foresee::record(&setup, day);
    if context.json {
        return json(&record, exit_of(&record));
    }
    let paint = table::Paint(say::colour_out());
    if let Some(number) = wanted {
        let Some(point) = number.checked_sub(1).and_then(|n| record.points.get(n)) else {
            say::error(&format!(
                "error: there is no point {number}; the plan makes {}, numbered from 1",
                record.points.len()
            ));
            return Exit::Input;
        };
        say::out(&one_point::point(&record, number, point, paint));
    } else {
        say::out(&table::report(&record, paint));
        let mut found = obstacles(loaded, &setup);
        found.0.extend(tight::found(loaded, &setup, day).0);
        if !found.0.is_empty() {
            say::error(&found.render(say::colour()));
        }
    }
    exit_of(&record)
}

/// That the accreditation does not hold on the day of the measurement.
pub(super) fn lapsed_scope(job: &ResolvedJob, day: UtcTime) -> Option<String> {
    let scope = job.scope.as_ref().filter(|scope| !scope.in_force(day.day()))?;
    Some(format!(
        "warning: accreditation {} is valid until {}, and the measurement is on {}: no result will be accredited, and the \
         best capability of the scope still bounds what is stated. Name the scope in force in the settings",
        scope.accreditation,
        scope.valid_until,
        day.day()
    ))
}

/// Prints a record as JSON.
fn json(record: &impl Serialize, exit: Exit) -> Exit {
    match serde_json::to_string_pretty(record) {
        Ok(text) => {
            say::out(&text);
            exit
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}

/// As [`refuse`], and on standard output for a program where one asked.
fn not_usable(context: &Context, error: &LoadError) -> Exit {
    let exit = refuse(error);
    if !context.json {
        return exit;
    }
    let record = match error {
        LoadError::Input(Report(found)) => ProblemsRecord::of(found),
        LoadError::File { path, detail } => ProblemsRecord::of_file(&path.display().to_string(), detail),
    };
    json(&record, exit)
}

/// Whether what was asked for can be done.
fn exit_of(record: &CheckRecord) -> Exit {
    if record.feasible && record.can_pass != Some(false) { Exit::Done } else { Exit::Input }
}

/// Prints what is wrong with the written input.
pub(super) fn refuse(error: &LoadError) -> Exit {
    match error {
        LoadError::Input(Report(diagnostics)) => say::error(&diagnostics.render(say::colour())),
        LoadError::File { .. } => say::error(&error.to_string()),
    }
    Exit::Input
}
