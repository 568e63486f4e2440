//! `calwright certificate`: drafts from a run directory.

use super::approve::failed;
use super::{Context, Exit, say};
use crate::certificate::data::CertificateRequest;
use crate::certificate::issue;
use crate::files::{Disk, Files};
use crate::release::approve::{ApproveError, verified};
use crate::release::as_found;
use std::path::Path;

/// `calwright certificate`: from a run directory, with the run as found beside it where one is named.
pub(super) fn run(context: &Context, directory: &Path, out: &Path, before: Option<&Path>) -> Exit {
    let requests = match requests(context, directory, before) {
        Ok(requests) => requests,
        Err(error @ ApproveError::CutOff(_)) => {
            say::error(&format!("error: {error}"));
            return Exit::Cancelled;
        }
        Err(error) => return failed(&error),
    };
    if let Err(error) = Disk.create_dir(out) {
        say::error(&format!("error: {} can't be made: {error}", out.display()));
        return Exit::Environment;
    }
    match issue::write(&context.settings, &requests, out) {
        Ok(rendered) => {
            for one in &rendered {
                say::out(&one.path.display().to_string());
                one.warnings.iter().for_each(|warning| say::error(&format!("warning: {warning}")));
            }
            Exit::Done
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            Exit::Environment
        }
    }
}

fn requests(
    context: &Context,
    directory: &Path,
    before: Option<&Path>,
) -> Result<Vec<CertificateRequest>, ApproveError> {
    let run = verified(directory)?;
    let mut requests = issue::requests(&context.settings, &run.job, &run.result);
    if let Some(before) = before {
        as_found::put_beside(&mut requests, before)?;
    }
    Ok(requests)
}
