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
                self.lets_through.end();
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

    /// Makes both safe at once, source first, whatever becomes of either: one that does not answer holds up nobody. Then the
    /// contacts: one of their outputs may lead the source's voltage to the amplifier.
    pub(super) async fn make_all_safe(&self, why: StopReason) -> Result<(), DriverError> {
        let (source, amplifier) =
            tokio::join!(self.make_safe(Target::Source, why), self.make_safe(Target::Amplifier, why));
        let contacts = self.outputs_off(why).await;
        source.and(amplifier).map(|_| ()).and(contacts)
    }

    /// Switches the outputs of the contacts off; of a host that was lost another one does so.
    pub(super) async fn outputs_off(&self, why: StopReason) -> Result<(), DriverError> {
        let Some((name, handle, within)) = &self.contacts else { return Ok(()) };
        let limit = *within + Seconds::new(0.1);
        bounded(limit, name, "make_safe", handle.make_safe(why)).await.map(drop)
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

/// Opens source, amplifier, relay and contacts of a rig only to make them safe, and lets go of them: a station that starts does
/// not know what was before. All are tried at once, whatever becomes of one.
///
/// # Errors
/// The first that could not be opened or made safe.
pub async fn safe_at_start(rig: &Rig, registry: &Registry) -> Result<(), DriverError> {
    let roles = &rig.roles;
    let written =
        [Some(&roles.source), Some(&roles.amplifier), roles.relay.as_ref(), roles.contacts.as_ref()];
    let names = written.map(|role| role.map(|role| instrument_of(role)));
    // One instrument may fill several roles.
    let once = |n: usize| {
        names.get(n).copied().flatten().filter(|name| !names.iter().take(n).any(|b| *b == Some(name)))
    };
    let safe = |n: usize| async move {
        match once(n) {
            Some(name) => made_safe(rig, registry, name).await,
            None => Ok(()),
        }
    };
    let (source, amplifier, relay, contacts) = tokio::join!(safe(0), safe(1), safe(2), safe(3));
    source.and(amplifier).and(relay).and(contacts)
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
