//! Making source, amplifier and relay safe and believing only what was read back.

use super::devices::{Safes, bounded};
use calibration::sequence::Target;
use drivers::{DriverError, ErrorKind, Registry, SafeHandle, SafeProof, StopReason};
use plan_schema::rig::{Rig, instrument_of};
use plan_schema::units::Seconds;
use std::sync::Arc;

impl Safes {
    /// Makes one of them safe within the time that its driver declared.
    ///
    /// # Errors
    /// Where it does not answer in time, or what it read back is no proof.
    pub(super) async fn make_safe(&self, target: Target, why: StopReason) -> Result<SafeProof, DriverError> {
        match (target, &self.relay) {
            (Target::Source, _) => one(target, &self.source, why).await,
            (Target::Amplifier, None) => one(target, &self.amplifier, why).await,
            // Both are asked at once: one that does not answer must not keep the other from acting.
            (Target::Amplifier, Some(relay)) => {
                let (amplifier, relay) =
                    tokio::join!(one(target, &self.amplifier, why), one(target, relay, why));
                match (amplifier, relay) {
                    // Loud all the same: what failed will be relied on again. But who stands beside the rig has to know.
                    (Err(error), Ok(_)) => {
                        let detail = format!("{}; the relay beside it has cut the drive off", error.detail);
                        Err(DriverError { detail, ..error })
                    }
                    (amplifier, relay) => relay.and(amplifier),
                }
            }
        }
    }

    /// Makes both safe at once, source first, whatever becomes of either: one that does not answer holds up nobody.
    pub(super) async fn make_all_safe(&self, why: StopReason) -> Result<(), DriverError> {
        let (source, amplifier) =
            tokio::join!(self.make_safe(Target::Source, why), self.make_safe(Target::Amplifier, why));
        source.and(amplifier).map(|_| ())
    }
}

/// Makes one instrument safe in the role that it has.
async fn one(
    target: Target,
    (name, handle, within): &(String, Arc<dyn SafeHandle>, Seconds),
    why: StopReason,
) -> Result<SafeProof, DriverError> {
    let limit = *within + Seconds::new(0.1);
    let proof = bounded(limit, name, "make_safe", handle.make_safe(why)).await?;
    let read_back = match target {
        Target::Source => proof.drive.is_some(),
        Target::Amplifier => proof.muted.is_some(),
    };
    if read_back && proof.is_safe() {
        return Ok(proof);
    }
    let detail =
        format!("read back drive {:?} and muted {:?}, which proves nothing safe", proof.drive, proof.muted);
    Err(DriverError::new(ErrorKind::BadData, name, "make_safe", detail))
}

/// Opens source, amplifier and relay of a rig only to make them safe, and lets go of them: a station that starts does not know
/// what was before. All are tried, whatever becomes of one.
///
/// # Errors
/// The first that could not be opened or made safe.
pub async fn safe_at_start(rig: &Rig, registry: &Registry) -> Result<(), DriverError> {
    let mut first = Ok(());
    let mut done: Option<&str> = None;
    let roles = &rig.roles;
    for role in [Some(&roles.source), Some(&roles.amplifier), roles.relay.as_ref()].into_iter().flatten() {
        let name = instrument_of(role);
        // One instrument may fill both roles.
        if done.replace(name) != Some(name) {
            first = first.and(made_safe(rig, registry, name).await);
        }
    }
    first
}

async fn made_safe(rig: &Rig, registry: &Registry, name: &str) -> Result<(), DriverError> {
    let Some(instrument) = rig.instruments.iter().find(|i| i.name == name) else {
        return Err(DriverError::new(ErrorKind::Unsupported, name, "open", "the rig has no such instrument"));
    };
    let opening = registry.find(instrument)?.open(instrument);
    let opened = bounded(rig.timing.reply_limit * 10.0, name, "open", opening).await?;
    let limit = opened.safe_within + Seconds::new(0.1);
    let proof = bounded(limit, name, "make_safe", opened.safe.make_safe(StopReason::Start)).await?;
    if proof.is_safe() {
        return Ok(());
    }
    let detail = format!("read back drive {:?} and muted {:?}", proof.drive, proof.muted);
    Err(DriverError::new(ErrorKind::BadData, name, "make_safe", detail))
}
