//! Checks of a plan and of a job by themselves.

use super::Checker;
use super::series::{series, twice};
use crate::job::{Job, MountedRole};
use crate::plan::{DeviationFrom, Plan, Planned, Rule};
use crate::read::{Diagnostic, Document};
use crate::units::{Fraction, Hertz, engineering};

/// What is wrong with a plan.
pub(crate) fn plan(document: &Document<Plan>) -> Vec<Diagnostic> {
    let mut checker = Checker::new(document);
    let plan = &document.value;
    checker.named("name", &plan.name);
    checker.proper_share("settle_band", plan.settle_band.si());
    checker.positive("settle_limit", plan.settle_limit.si());
    checker.positive_if_any("tolerance", plan.tolerance.map(|t| t.si()));
    checker.positive("distortion_limit", plan.distortion_limit.si());
    if !(1..=20).contains(&plan.harmonics) {
        checker.error(
            "harmonics",
            format!("{} harmonics can't be fitted", plan.harmonics),
            "write a number from 1 to 20",
        );
    }
    for (key, share) in [
        ("scatter_limit", plan.scatter_limit),
        ("drift_limit", plan.drift_limit),
        ("repeat_limit", plan.repeat_limit),
        ("hum_limit", plan.hum_limit),
    ] {
        checker.proper_share(key, share.si());
    }
    checker.positive("dwell_limit", plan.dwell_limit.si());
    soak(&mut checker, plan);
    super::channel_ratio::tones(&mut checker, plan);
    ambient(&mut checker, plan);
    points(&mut checker, plan);
    let planned = plan.planned();
    twice(&mut checker, &planned);
    reference_frequency(&mut checker, plan, &planned);
    decision(&mut checker, plan);
    checker.found
}

fn soak(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    let Some(soak) = &plan.soak else { return };
    checker.positive("soak.steady", soak.steady.si());
    checker.positive("soak.over", soak.over.si());
    if soak.over >= soak.longest {
        checker.error(
            "soak.longest",
            format!(
                "the waiting would end after {} s, before the temperature was looked at for {} s",
                soak.longest.si(),
                soak.over.si()
            ),
            "write a longest waiting well above 'over', such as \"30 min\"",
        );
    }
}

fn ambient(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    let Some(ambient) = &plan.ambient else { return };
    if ambient.temperature_min >= ambient.temperature_max {
        checker.error(
            "ambient.temperature_min",
            "no temperature lies between the lowest and the highest",
            "write a lowest temperature below the highest",
        );
    }
    if let Some(humidity) = ambient.humidity_max
        && (humidity.si() <= 0.0 || humidity.si() > 1.0)
    {
        checker.error(
            "ambient.humidity_max",
            "humidity lies outside 0 to 100 %",
            "write a share, such as \"75 %\"",
        );
    }
    checker.positive("ambient.pause_limit", ambient.pause_limit.si());
}

fn points(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    if plan.points.is_empty() && plan.series.is_empty() {
        checker.error(
            "point",
            "the plan has no points",
            "add a table [[point]] for each point, or a table [[series]]",
        );
    }
    for (n, point) in plan.points.iter().enumerate() {
        let path = |key: &str| format!("point[{n}].{key}");
        checker.positive(&path("frequency"), point.frequency.si());
        checker.positive(&path("amplitude"), point.amplitude.si());
        checker.positive_if_any(&path("tolerance"), point.tolerance.map(|t| t.si()));
        checker.positive_if_any(&path("distortion_limit"), point.distortion_limit.map(|d| d.si()));
        measured(checker, &path, point.repeats, point.dwell_cycles);
    }
    series(checker, plan);
}

/// How often and how long a point is measured.
pub(super) fn measured(
    checker: &mut Checker<'_, Plan>,
    path: &impl Fn(&str) -> String,
    repeats: u32,
    dwell_cycles: Option<u32>,
) {
    if repeats == 0 {
        checker.error(
            &path("repeats"),
            "a point is measured at least once",
            "write 1 or more, or remove the point",
        );
    }
    if dwell_cycles.is_some_and(|cycles| cycles < 2) {
        checker.error(&path("dwell_cycles"), "one cycle is too little to fit a sine to", "write 2 or more");
    }
}

fn reference_frequency(checker: &mut Checker<'_, Plan>, plan: &Plan, planned: &[Planned]) {
    let frequencies = || planned.iter().map(|p| p.point.frequency);
    match plan.reference_frequency {
        Some(wanted) if !frequencies().any(|f| f == wanted) => {
            let apart = |f: &Hertz| (f.si() / wanted.si()).ln().abs();
            let near = frequencies().filter(|f| apart(f) < 0.02).min_by(|a, b| apart(a).total_cmp(&apart(b)));
            let remedy = match near {
                Some(near) => format!("the nearest point has reference_frequency = \"{near}\""),
                None => "add a point at this frequency".to_owned(),
            };
            let message = format!("no point has the reference frequency {}", engineering(wanted.si(), "Hz"));
            checker.error("reference_frequency", message, remedy);
        }
        None if plan.decision.deviation_from == DeviationFrom::ReferenceFrequency => checker.error(
            "decision.deviation_from",
            "deviations refer to the reference frequency, but the plan names none",
            "add reference_frequency = \"16 Hz\" or another of its points at the top of the file",
        ),
        _ => {}
    }
}

fn decision(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    let decision = &plan.decision;
    risk(checker, "decision", decision.rule, decision.risk);
    checker.bands("decision.bands", decision.bands.iter().map(|band| (band.from, band.to)));
    for (n, band) in decision.bands.iter().enumerate() {
        let path = format!("decision.bands[{n}]");
        checker.positive(&format!("{path}.from"), band.from.si());
        checker.positive_if_any(&format!("{path}.tolerance"), band.tolerance.map(|t| t.si()));
        risk(checker, &path, band.rule.unwrap_or(decision.rule), band.risk.or(decision.risk));
    }
}

/// A chosen risk has to be chosen, and lies above 0 up to 50 %.
fn risk(checker: &mut Checker<'_, Plan>, table: &str, rule: Rule, risk: Option<Fraction>) {
    match risk.map(|r| r.si()) {
        None if rule == Rule::ChosenRisk => checker.error(
            table,
            "the guard band follows a chosen risk, but none is written",
            "add risk = \"2.5 %\" or another largest probability of a wrong pass",
        ),
        Some(risk) if !(risk > 0.0 && risk <= 0.5) => checker.error(
            &format!("{table}.risk"),
            "a risk lies above 0 %, and is 50 % at most",
            "write the largest probability of a wrong pass, such as \"2.5 %\"",
        ),
        _ => {}
    }
}

/// What is wrong with a job.
pub(crate) fn job(document: &Document<Job>) -> Vec<Diagnostic> {
    let mut checker = Checker::new(document);
    let job = &document.value;
    checker.named("operator", &job.operator);
    if let Some(customer) = &job.customer {
        checker.named("customer.name", &customer.name);
    }
    checker.not_negative("soaked", job.soaked.si());
    if job.mounted.is_empty() {
        checker.error("mounted", "no sensor is mounted", "add a table [[mounted]] for each sensor");
    } else if job.mounted.iter().all(|m| m.role == MountedRole::CheckStandard) {
        checker.error(
            "mounted",
            "nothing is to be calibrated: only check standards are mounted",
            "add a sensor, or write role = \"sensor\"",
        );
    }
    for (n, mounted) in job.mounted.iter().enumerate() {
        checker.not_negative(&format!("mounted[{n}].adapter_mass"), mounted.adapter_mass.si());
        checker.positive_if_any(&format!("mounted[{n}].torque"), mounted.torque.map(|t| t.si()));
        checker
            .positive_if_any(&format!("mounted[{n}].cable_tied_at"), mounted.cable_tied_at.map(|l| l.si()));
        for (key, text) in [
            ("position", &mounted.position),
            ("torque_wrench", &mounted.torque_wrench),
            ("adapter", &mounted.adapter),
        ] {
            if let Some(text) = text {
                checker.named(&format!("mounted[{n}].{key}"), text);
            }
        }
        if mounted.torque_wrench.is_some() && mounted.torque.is_none() {
            checker.error(
                &format!("mounted[{n}].torque_wrench"),
                "a wrench is named, but no torque",
                "add torque = \"2 N·m\" with the torque that was set, or remove the wrench",
            );
        }
    }
    checker.unique("mounted", "sensor", job.mounted.iter().map(|m| m.sensor.as_str()));
    checker.found
}
