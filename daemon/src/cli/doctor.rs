//! `calwright doctor`: what this machine lacks, before a night depends on it.

use super::{Context, Exit, check, say};
use crate::doctor::{Finding, State, examine};
use crate::load;
use plan_schema::rig::Rig;
use std::path::PathBuf;

pub(super) fn run(context: &Context, rigs: &[PathBuf]) -> Exit {
    let loaded: Result<Vec<Rig>, _> =
        rigs.iter().map(|path| load::rig(path).map(|(rig, _)| rig.value)).collect();
    let rigs = match loaded {
        Ok(rigs) => rigs,
        Err(error) => return check::refuse(&error),
    };
    let found = examine(&context.settings, &rigs);
    if context.json {
        say::out(&serde_json::to_string_pretty(&found).unwrap_or_default());
    } else {
        say::out(&found.iter().map(line).collect::<String>());
    }
    if found.iter().any(|f| f.state == State::Wrong) { Exit::Environment } else { Exit::Done }
}

fn line(finding: &Finding) -> String {
    let word = match finding.state {
        State::Ok => "ok",
        State::Remark => "remark",
        State::Wrong => "WRONG",
    };
    let remedy = finding.remedy.as_ref().map(|r| format!("        {r}\n")).unwrap_or_default();
    format!("{word:7} {}: {}\n{remedy}", finding.what, finding.seen)
}
