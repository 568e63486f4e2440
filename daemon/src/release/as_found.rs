//! The run before an adjustment, for the certificate after it.
//!
//! Owns how it is found and trusted: it is derived again like the run itself, and a release keeps what it rested on.

use super::approve::{ApproveError, earlier_releases, verified};
use super::record::AsFoundRun;
use crate::certificate::data::CertificateRequest;
use crate::certificate::issue::{self, Before};
use std::path::Path;

/// Verifies the run as found and puts it beside the requests of the run as left.
///
/// # Errors
/// Where its records are not as they were written, or it is no run before an adjustment of the same sensors.
pub fn put_beside(requests: &mut [CertificateRequest], run: &Path) -> Result<AsFoundRun, ApproveError> {
    let before = verified(run)?;
    // A certificate of it counts if it was issued; an amended one counts in place of the earlier.
    let released = earlier_releases(run)?.into_iter().flatten().next_back();
    let numbers = released.into_iter().flat_map(|r| r.certificates).map(|c| (c.serial, c.number)).collect();
    issue::put_beside(requests, &Before { job: &before.job, result: &before.result, numbers })
        .map_err(ApproveError::Asked)?;
    Ok(AsFoundRun { run: before.result.run, journal_head: before.journal_head })
}
