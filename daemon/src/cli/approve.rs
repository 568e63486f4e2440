//! `calwright approve`: the review of a draft, and its release.

use super::{Context, Exit, say};
use crate::load;
use crate::record::{RunRecord, UtcTime};
use crate::release::approve::{ApproveError, Asked, approve, verified};
use crate::release::record::Exclusion;
use crate::release::{exclusion, review};
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The run directory.
    run: PathBuf,
    /// Your name: releases the run. Without it the review is shown and nothing else happens.
    #[arg(long)]
    name: Option<String>,
    /// The private key; without it the one of the settings.
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
    /// Number of a certificate, once for each sensor; without it the next ones by the settings.
    #[arg(long, value_name = "NUMBER")]
    number: Vec<String>,
    /// Take a point out, as SERIAL:POINT=REASON; printed on the certificate with your name.
    #[arg(long, value_name = "POINT", value_parser = exclusion::parse)]
    exclude: Vec<Exclusion>,
    /// Replace the certificates of this run's last release, for this reason.
    #[arg(long, value_name = "REASON")]
    amend: Option<String>,
    /// The run of the same sensors as found: its results stand beside those as left. It is verified too.
    #[arg(long, value_name = "RUN")]
    as_found: Option<PathBuf>,
    /// Date of issue; without it now.
    #[arg(long)]
    at: Option<UtcTime>,
}

pub(super) fn run(context: &Context, arguments: &Arguments) -> Exit {
    let Some(name) = &arguments.name else {
        return match verified(&arguments.run) {
            Ok(run) => {
                if let Some(remark) = other_scope(context, &arguments.run) {
                    say::error(&remark);
                }
                say::out(&review::text(&run));
                say::out("Look at the certificates too. To release them, add --name.");
                Exit::Done
            }
            Err(error) => failed(&error),
        };
    };
    let Some(key) = arguments.key.as_ref().or(context.settings.release.key.as_ref()) else {
        say::error(
            "error: no key to sign with; make one with keygen and name it with --key or the setting release.key",
        );
        return Exit::Input;
    };
    if let Some(remark) = other_scope(context, &arguments.run) {
        say::error(&remark);
    }
    let asked = Asked {
        run: &arguments.run,
        name,
        at: arguments.at.unwrap_or_else(UtcTime::now),
        key,
        numbers: &arguments.number,
        exclusions: &arguments.exclude,
        as_found: arguments.as_found.as_deref(),
        amendment: arguments.amend.as_deref(),
    };
    match approve(&context.settings, &asked) {
        Ok(folder) => {
            say::out(&format!("Released: {}", folder.display()));
            Exit::Done
        }
        Err(error) => failed(&error),
    }
}

/// That the settings name another scope than the run was measured under: a release states the run's.
fn other_scope(context: &Context, run: &Path) -> Option<String> {
    let path = context.settings.scope.as_deref()?;
    let named = match load::scope(path) {
        Ok(scope) => scope,
        Err(error) => return Some(format!("warning: the scope of the settings can't be read: {error}")),
    };
    // What can't be read here is said by whatever verifies the run.
    let bytes = std::fs::read(run.join("run.json")).ok()?;
    let record: RunRecord = serde_json::from_slice(&bytes).ok()?;
    let own = record.job().ok()?.scope;
    if own.as_ref() == Some(&named) {
        return None;
    }
    let had = own.map_or("no scope".to_owned(), |scope| {
        format!("the scope of accreditation {}, valid until {}", scope.accreditation, scope.valid_until)
    });
    Some(format!(
        "warning: the settings name the scope {}, but the run was measured under {had}, and its certificates state that. \
         A scope counts from the run on: measure again under the other one",
        path.display()
    ))
}

pub(super) fn failed(error: &ApproveError) -> Exit {
    say::error(&format!("error: {error}"));
    match error {
        ApproveError::Asked(_) | ApproveError::CutOff(_) | ApproveError::Key(_) => Exit::Input,
        ApproveError::Records(_) => Exit::Records,
        ApproveError::Render(_) | ApproveError::Disk(..) => Exit::Environment,
    }
}
