//! Making source and amplifier safe and believing only what was read back.

use super::devices::{Safes, bounded};
use calibration::sequence::Target;
use drivers::{DriverError, ErrorKind, SafeProof, StopReason};
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
