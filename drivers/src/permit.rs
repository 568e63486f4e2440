//! Leave to drive: a permit with a generation and a ceiling, and the gate that refuses a stale or exceeded one.
//!
//! Invariant: a permit can only be made by an issuer, and it is good only while its generation is the gate's.
//! The compiler stops code that forgets the permit; the gate stops code that kept one too long.

use crate::error::{DriverError, ErrorKind};
use plan_schema::units::{Peak, Volts};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Leave to drive the source up to a ceiling. Not `Clone`: it is handed on by reference.
#[derive(Debug)]
pub struct DrivePermit {
    generation: u64,
    ceiling: Volts<Peak>,
}

impl DrivePermit {
    /// Largest drive that this permit allows.
    #[must_use]
    pub fn ceiling(&self) -> Volts<Peak> {
        self.ceiling
    }

    /// A permit that came over the wire, once the host has checked its generation and ceiling.
    pub(crate) fn from_wire(generation: u64, ceiling: Volts<Peak>) -> Self {
        Self { generation, ceiling }
    }

    /// Number of the leave it belongs to.
    #[must_use]
    pub fn generation(&self) -> u64 {
        self.generation
    }
}

/// Issues permits and withdraws them. There is one, and the station holds it.
#[derive(Debug)]
pub struct PermitIssuer {
    current: Arc<AtomicU64>,
    next: u64,
}

/// No leave is given.
const WITHDRAWN: u64 = 0;

impl PermitIssuer {
    /// An issuer that has given no leave, and the gate that its permits are checked at.
    #[must_use]
    pub fn new() -> (Self, PermitGate) {
        let current = Arc::new(AtomicU64::new(WITHDRAWN));
        (Self { current: current.clone(), next: 1 }, PermitGate { current })
    }

    /// Gives leave up to `ceiling`; earlier permits become stale.
    pub fn grant(&mut self, ceiling: Volts<Peak>) -> DrivePermit {
        let generation = self.next;
        self.next += 1;
        self.current.store(generation, Ordering::SeqCst);
        DrivePermit { generation, ceiling }
    }

    /// Takes leave away. Every permit is stale from now on.
    pub fn withdraw(&mut self) {
        self.current.store(WITHDRAWN, Ordering::SeqCst);
    }
}

/// Where a permit is checked before anything that moves the armature.
#[derive(Debug, Clone)]
pub struct PermitGate {
    current: Arc<AtomicU64>,
}

impl PermitGate {
    /// Lets a drive pass, or says why not.
    ///
    /// # Errors
    /// `out_of_range` for a stale permit, a drive above its ceiling, or one that is no number.
    pub fn check(
        &self,
        permit: &DrivePermit,
        drive: Volts<Peak>,
        instrument: &str,
    ) -> Result<(), DriverError> {
        let refuse =
            |detail: String| Err(DriverError::new(ErrorKind::OutOfRange, instrument, "set_tone", detail));
        let current = self.current.load(Ordering::SeqCst);
        if current == WITHDRAWN || permit.generation != current {
            return refuse(format!("leave {} to drive was withdrawn", permit.generation));
        }
        if !drive.is_finite() || drive.si() < 0.0 || drive > permit.ceiling {
            return refuse(format!(
                "{} V pk is beyond the ceiling of {} V pk",
                drive.si(),
                permit.ceiling.si()
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_permit_is_good_until_the_next_or_the_withdrawal() {
        let (mut issuer, gate) = PermitIssuer::new();
        let first = issuer.grant(Volts::new(1.0));
        assert!(gate.check(&first, Volts::new(1.0), "source").is_ok());
        for bad in [1.000_001, -0.1, f64::NAN, f64::INFINITY] {
            assert!(gate.check(&first, Volts::new(bad), "source").is_err(), "{bad}");
        }
        let second = issuer.grant(Volts::new(2.0));
        assert!(gate.check(&first, Volts::new(0.1), "source").is_err());
        assert!(gate.check(&second, Volts::new(2.0), "source").is_ok());
        issuer.withdraw();
        assert!(gate.check(&second, Volts::new(0.0), "source").is_err());
    }
}
