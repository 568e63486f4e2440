//! Making the host's instrument safe, on request and at the end.

use super::leave::Leave;
use crate::error::{DriverError, ErrorKind};
use crate::safe::{SafeHandle, SafeProof, StopReason};
use plan_schema::units::Seconds;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock};
use std::time::Duration;

/// What is shared by reader, roles and watch.
pub(super) struct Shared {
    /// Name of the instrument.
    pub(super) name: String,
    leave: Mutex<Leave>,
    safe: OnceLock<(Arc<dyn SafeHandle>, Seconds)>,
}

impl Shared {
    pub(super) fn new(name: String) -> Self {
        Self { name, leave: Mutex::default(), safe: OnceLock::new() }
    }

    pub(super) fn leave(&self) -> MutexGuard<'_, Leave> {
        self.leave.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// From now on the instrument can be made safe.
    pub(super) fn opened(&self, safe: Arc<dyn SafeHandle>, within: Seconds) {
        // Set once: an instrument is opened once in the life of a host.
        let _ = self.safe.set((safe, within));
    }

    /// How long making safe may take.
    pub(super) fn safe_within(&self) -> Option<Duration> {
        self.safe.get().map(|(_, within)| duration(*within))
    }

    /// Withdraws leave, then makes the instrument safe within the time that its driver declared.
    pub(super) async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError> {
        self.leave().withdraw();
        let Some((safe, within)) = self.safe.get() else {
            let detail = "the instrument is not open yet; say hello first";
            return Err(DriverError::new(ErrorKind::Protocol, &self.name, "make_safe", detail));
        };
        match tokio::time::timeout(duration(*within), safe.make_safe(why)).await {
            Ok(proof) => proof,
            Err(_) => {
                let detail = format!("the driver did not end within the {within} that it declares");
                Err(DriverError::new(ErrorKind::Timeout, &self.name, "make_safe", detail))
            }
        }
    }
}

/// A time as the system has it; at least a millisecond, so that nothing is given up before it was begun.
pub(super) fn duration(time: Seconds) -> Duration {
    Duration::from_secs_f64(time.si().clamp(0.001, 3600.0))
}
