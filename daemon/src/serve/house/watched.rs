//! What the house counts for whatever watches it.

use super::House;
use crate::serve::counts::Watched;
use crate::serve::crier::PAUSE;
use crate::serve::outbox;
use crate::serve::store::IndexedRun;
use rustix::fs::statvfs;
use std::sync::PoisonError;

impl House {
    /// A run came to its end.
    pub(in crate::serve) fn count(&self, run: &IndexedRun) {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner).run(run);
    }

    pub(super) fn watched_now(&self) -> Watched {
        let told = !self.settings.outbox.receivers.is_empty();
        let disk = statvfs(&self.runs).ok();
        let (paused, not_safe) = {
            let now = self.now();
            (now.warnings.contains_key(PAUSE), now.warnings.contains_key("safe"))
        };
        Watched {
            started: self.started,
            counts: self.counts.lock().unwrap_or_else(PoisonError::into_inner).clone(),
            paused,
            not_safe,
            free_bytes: disk.map(|disk| disk.f_bavail.saturating_mul(disk.f_frsize)),
            notices: told.then(|| outbox::waiting(&self.settings.state_dir())),
        }
    }
}
