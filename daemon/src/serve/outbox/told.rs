//! What was told last, kept on the disk: a daemon that starts again neither repeats a notice nor forgets one that came to be
//! while it was down.

use crate::files::Files;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Its file in the outbox' folder; no notice, whose files end in `.json`.
const NAME: &str = "told";

/// What was told last.
pub(super) struct Told {
    state: State,
    kept: State,
    path: PathBuf,
    files: Arc<dyn Files>,
}

/// In words, as it was told; null where there is nothing.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
struct State {
    tripped: Option<String>,
    needs_person: Option<String>,
    /// Runs that ended lately, each with how; null before anybody was told of any.
    ended: Option<BTreeMap<String, String>>,
}

impl fmt::Debug for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.state.fmt(f)
    }
}

impl Told {
    /// What the folder says. Where it says nothing that can be read, nothing was told.
    pub(super) fn read(folder: &Path, files: Arc<dyn Files>) -> Self {
        let path = folder.join(NAME);
        let state: State =
            files.read(&path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default();
        Self { kept: state.clone(), state, path, files }
    }

    /// What nobody was told of yet: kind and message. From now on it counts as told.
    pub(super) fn fresh(
        &mut self,
        tripped: Option<String>,
        needs_person: Option<String>,
    ) -> Vec<(&'static str, String)> {
        let ended = self.state.ended.take();
        let before = std::mem::replace(&mut self.state, State { tripped, needs_person, ended });
        let (now, mut fresh) = (&self.state, Vec::new());
        fresh.extend(now.tripped.clone().filter(|_| now.tripped != before.tripped).map(|m| ("tripped", m)));
        let needs = now.needs_person.clone().filter(|_| now.needs_person != before.needs_person);
        fresh.extend(needs.map(|m| ("needs_person", m)));
        fresh
    }

    /// Of runs that ended, each with how, those that nobody was told of, in the order given. From now on they count as told.
    /// A run that goes on after it was cut off ends twice, and is told twice. Whoever was told of no run yet is not told of
    /// those that `old` says ended before it was there.
    pub(super) fn fresh_ends<'a>(&mut self, ends: &[(&'a str, &str)], old: bool) -> Vec<&'a str> {
        let first = self.state.ended.is_none();
        let ended = self.state.ended.get_or_insert_default();
        let mut fresh = Vec::new();
        for (run, how) in ends {
            let before = ended.insert((*run).to_owned(), (*how).to_owned());
            if before.as_deref() != Some(*how) && !(first && old) {
                fresh.push(*run);
            }
        }
        fresh
    }

    /// Of the runs that ended only these are remembered.
    pub(super) fn remember(&mut self, runs: &BTreeSet<&str>) {
        if let Some(ended) = &mut self.state.ended {
            ended.retain(|run, _| runs.contains(run.as_str()));
        }
    }

    /// Keeps what was told, where it changed.
    pub(super) fn keep(&mut self) {
        if self.kept == self.state {
            return;
        }
        let written = serde_json::to_vec_pretty(&self.state)
            .map_err(std::io::Error::from)
            .and_then(|bytes| self.files.write(&self.path, &bytes));
        match written {
            Ok(()) => self.kept = self.state.clone(),
            Err(error) => {
                tracing::warn!(%error, "what was told can't be kept; after a restart it is told again")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::Disk;

    #[test]
    fn a_restart_neither_repeats_nor_forgets() {
        let dir = tempfile::tempdir().unwrap();
        let words = |text: &str| Some(text.to_owned());
        let mut told = Told::read(dir.path(), Arc::new(Disk));
        assert_eq!(
            told.fresh(None, words("job 3: mount it")),
            [("needs_person", "job 3: mount it".to_owned())]
        );
        assert_eq!(told.fresh(None, words("job 3: mount it")), []);
        told.keep();
        // The next daemon finds the same, and a trip from when the one before was cut off.
        let mut told = Told::read(dir.path(), Arc::new(Disk));
        let fresh = told.fresh(words("cut off"), words("job 3: mount it"));
        assert_eq!(fresh, [("tripped", "cut off".to_owned())]);
        told.keep();
        // Acknowledged, and the same again: that is news.
        let mut told = Told::read(dir.path(), Arc::new(Disk));
        assert_eq!(told.fresh(None, None), []);
        assert_eq!(told.fresh(words("cut off"), None).len(), 1);
        // Runs: nobody is told of the past, everybody once of what ends, and again where it goes on and ends anew.
        let mut told = Told::read(dir.path(), Arc::new(Disk));
        assert_eq!(told.fresh_ends(&[("one", "done")], true), Vec::<&str>::new());
        assert_eq!(told.fresh_ends(&[("one", "done"), ("two", "interrupted")], true), ["two"]);
        told.keep();
        let mut told = Told::read(dir.path(), Arc::new(Disk));
        assert_eq!(
            told.fresh_ends(&[("one", "done"), ("two", "done"), ("three", "done")], true),
            ["two", "three"]
        );
        told.remember(&BTreeSet::from(["three"]));
        assert_eq!(told.fresh_ends(&[("three", "done")], false), Vec::<&str>::new());
        assert_eq!(told.fresh_ends(&[("one", "done")], false), ["one"]);
        // One that can't be read says nothing was told.
        std::fs::write(dir.path().join(NAME), "{").unwrap();
        assert_eq!(Told::read(dir.path(), Arc::new(Disk)).fresh(None, words("x")).len(), 1);
    }
}
