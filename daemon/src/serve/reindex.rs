//! The index made again from the run directories, which are the record.

use super::store::{Store, StoreError};
use super::{directory, names};
use std::collections::BTreeSet;
use std::path::Path;

/// What was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reindexed {
    /// Runs that are in the index now.
    pub runs: usize,
    /// Folders that can't be read as runs, and why.
    pub unreadable: Vec<(String, String)>,
    /// Runs that the index held and whose folders are gone.
    pub gone: Vec<String>,
}

/// So many runs go into the index in one change.
const AT_ONCE: usize = 500;

/// Makes the index again. Runs that go on are left alone.
///
/// # Errors
/// Of the database; what was done before stays done.
pub async fn reindex(store: &Store, runs: &Path) -> Result<Reindexed, StoreError> {
    let going_on: BTreeSet<String> = store.running_runs().await?.into_iter().collect();
    let mut done = Reindexed::default();
    let mut there = going_on.clone();
    let folders: Vec<String> = names::folders(runs).into_iter().filter(|f| !going_on.contains(f)).collect();
    let folders = directory::by_beginning(runs, folders);
    for some in folders.chunks(AT_ONCE) {
        let mut found = Vec::new();
        for folder in some {
            match directory::indexed(&runs.join(folder)) {
                Ok(run) if run.run == *folder => found.push(run),
                Ok(run) => done.unreadable.push((folder.clone(), format!("it holds run {}", run.run))),
                Err(why) => done.unreadable.push((folder.clone(), why)),
            }
        }
        store.index_all(&found).await?;
        done.runs += found.len();
        there.extend(some.iter().cloned());
    }
    for run in store.indexed().await? {
        if !there.contains(&run) {
            store.forget(&run).await?;
            done.gone.push(run);
        }
    }
    store.reindexed().await?;
    Ok(done)
}
