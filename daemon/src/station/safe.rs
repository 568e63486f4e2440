//! Making source and amplifier safe and believing only what was read back.

use super::devices::{Safes, bounded};
use calibration::sequence::Target;
use drivers::{DriverError, ErrorKind, Registry, SafeProof, StopReason};
use plan_schema::rig::{Rig, instrument_of};
use plan_schema::units::Seconds;

impl Safes {
    /// Makes one of them safe within the time that its driver declared.
    ///
    /// # Errors
    /// Where it does not answer in time, or what it read back is no proof.
    pub(super) async fn make_safe(&self, target: Target, why: StopReason) -> Result<SafeProof, DriverError> {
        let (name, handle, within) = match target {
            Target::Source => &self.source,
            Target::Amplifier => &self.amplifier,
        };
        let limit = *within + Seconds::new(0.1);
        let proof = bounded(limit, name, "make_safe", handle.make_safe(why)).await?;
        let read_back = match target {
            Target::Source => proof.drive.is_some(),
            Target::Amplifier => proof.muted.is_some(),
        };
        if read_back && proof.is_safe() {
            return Ok(proof);
        }
        let detail = format!(
            "read back drive {:?} and muted {:?}, which proves nothing safe",
            proof.drive, proof.muted
        );
        Err(DriverError::new(ErrorKind::BadData, name, "make_safe", detail))
    }

    /// Makes both safe at once, source first, whatever becomes of either: one that does not answer holds up nobody.
    pub(super) async fn make_all_safe(&self, why: StopReason) -> Result<(), DriverError> {
        let (source, amplifier) =
            tokio::join!(self.make_safe(Target::Source, why), self.make_safe(Target::Amplifier, why));
        source.and(amplifier).map(|_| ())
    }
}

/// Opens source and amplifier of a rig only to make them safe, and lets go of them: a station that starts does not know what
/// was before. Both are tried, whatever becomes of either.
///
/// # Errors
/// The first that could not be opened or made safe.
pub async fn safe_at_start(rig: &Rig, registry: &Registry) -> Result<(), DriverError> {
    let mut first = Ok(());
    let mut done: Option<&str> = None;
    for role in [&rig.roles.source, &rig.roles.amplifier] {
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
