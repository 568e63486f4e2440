//! Runs at the desk, and what a recall adds to them: the certificates that were issued.

use super::House;
use crate::release::approve::earlier_releases;
use crate::serve::desk::Refusal;
use crate::serve::directory;
use crate::serve::words::{IssuedCertificate, RunFilter, RunSummary};
use std::path::Path;

impl House {
    /// Runs. Where it is asked what used something, an answer that may lack runs is refused.
    pub(super) async fn listed(&self, filter: &RunFilter) -> Result<Vec<RunSummary>, Refusal> {
        if filter.used.is_none() {
            return Ok(self.store.list_runs(filter).await?);
        }
        if self.store.needs_reindex().await? {
            return Err(Refusal::State(
                "runs that an older program put into the index do not say yet what they were measured with, so the list \
                 would not be whole; let 'calwright reindex' make the index again, beside the daemon if need be"
                    .to_owned(),
            ));
        }
        let mut runs = self.store.list_runs(filter).await?;
        tokio::task::block_in_place(|| {
            for run in &mut runs {
                let folder = self.runs.join(&run.run);
                run.certificates = issued(&folder)?;
                // A release at the command line is known to the folder before it is to the index.
                if run.state != "running" {
                    directory::state(&folder).clone_into(&mut run.state);
                }
            }
            Ok(runs)
        })
    }
}

/// Every certificate that was issued for a run, those of its first release first.
fn issued(folder: &Path) -> Result<Vec<IssuedCertificate>, Refusal> {
    let releases = earlier_releases(folder).map_err(|error| Refusal::Environment(error.to_string()))?;
    let certificates = releases.into_iter().flatten().flat_map(|release| release.certificates);
    let certificates = certificates.map(|c| {
        let (serial, number, replaces) = (c.serial, c.number, c.replaces);
        IssuedCertificate { serial, number, replaces }
    });
    Ok(certificates.collect())
}
