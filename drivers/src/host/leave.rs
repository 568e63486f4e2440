//! Leave to drive as it comes over the wire, and whether a heartbeat is believed.
//!
//! Invariant: a generation that was left behind, taken back or made safe never comes back, and its ceiling never rises.

use crate::permit::DrivePermit;
use crate::protocol::{Heartbeat, PermitParams};
use plan_schema::units::Volts;

/// What the host knows of leave.
#[derive(Debug, Default)]
pub(super) struct Leave {
    /// Highest generation that was heard of.
    highest: u64,
    /// The ceiling of the highest, once a permit of it came.
    ceiling: Option<f64>,
    /// Every generation up to this one is void.
    void: u64,
    /// Sample after the last that was judged.
    judged: Option<u64>,
}

impl Leave {
    /// Takes a permit for a drive, if there is one, or says why not.
    pub(super) fn check(&mut self, permit: PermitParams, drive: Option<f64>) -> Result<DrivePermit, String> {
        let PermitParams { generation, ceiling_v_peak: ceiling } = permit;
        if !ceiling.is_finite() || ceiling < 0.0 {
            return Err(format!("a ceiling of {ceiling} V pk is none"));
        }
        if generation <= self.void || generation < self.highest {
            return Err(format!("leave {generation} to drive was withdrawn"));
        }
        if generation > self.highest {
            (self.highest, self.ceiling) = (generation, None);
        }
        let first = *self.ceiling.get_or_insert(ceiling);
        if ceiling > first {
            return Err(format!(
                "leave {generation} was given up to {first} V pk and can't rise to {ceiling} V pk"
            ));
        }
        if let Some(drive) = drive
            && !(drive.is_finite() && drive >= 0.0 && drive <= ceiling)
        {
            return Err(format!("{drive} V pk is beyond the ceiling of {ceiling} V pk"));
        }
        Ok(DrivePermit::from_wire(generation, Volts::new(ceiling)))
    }

    /// Takes leave away; what comes later under the same number is refused.
    pub(super) fn withdraw(&mut self) {
        self.void = self.highest;
    }

    /// True if the leave of this number still stands.
    pub(super) fn stands(&self, generation: u64) -> bool {
        generation > self.void && generation >= self.highest
    }

    /// Hears a heartbeat; true if it is believed.
    pub(super) fn hear(&mut self, beat: Heartbeat) -> bool {
        if beat.generation == 0 {
            self.withdraw();
        } else if beat.generation > self.highest {
            (self.highest, self.ceiling) = (beat.generation, None);
        }
        let advanced = beat.judged_samples > self.judged;
        self.judged = beat.judged_samples.max(self.judged);
        advanced || self.highest <= self.void
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn permit(generation: u64, ceiling_v_peak: f64) -> PermitParams {
        PermitParams { generation, ceiling_v_peak }
    }

    #[test]
    fn a_permit_is_good_until_the_next_the_withdrawal_or_a_heartbeat_without_leave() {
        let mut leave = Leave::default();
        assert!(leave.check(permit(0, 1.0), Some(0.5)).is_err());
        assert!(leave.check(permit(3, 1.0), Some(1.0)).is_ok());
        for bad in [1.000_001, -0.1, f64::NAN, f64::INFINITY] {
            assert!(leave.check(permit(3, 1.0), Some(bad)).is_err(), "{bad}");
        }
        assert!(leave.check(permit(3, 2.0), Some(1.5)).unwrap_err().contains("can't rise"));
        assert!(leave.check(permit(4, 2.0), None).is_ok());
        assert!(leave.check(permit(3, 1.0), Some(0.1)).unwrap_err().contains("withdrawn"));
        leave.withdraw();
        assert!(leave.check(permit(4, 2.0), None).is_err());
        assert!(leave.check(permit(5, 2.0), None).is_ok());
        leave.hear(Heartbeat { generation: 0, judged_samples: None });
        assert!(leave.check(permit(5, 2.0), None).is_err() && !leave.stands(5));
        leave.hear(Heartbeat { generation: 7, judged_samples: None });
        assert!(leave.check(permit(6, 2.0), None).is_err() && leave.stands(7));
        // A late heartbeat of leave long gone takes nothing away and gives nothing back.
        leave.hear(Heartbeat { generation: 6, judged_samples: None });
        assert!(leave.check(permit(7, 2.0), None).is_ok() && leave.check(permit(6, 2.0), None).is_err());
    }

    #[test]
    fn under_leave_a_heartbeat_is_believed_only_while_judgement_advances() {
        let mut leave = Leave::default();
        let beat = |generation, judged_samples| Heartbeat { generation, judged_samples };
        assert!(leave.hear(beat(0, None)) && leave.hear(beat(0, None)));
        assert!(leave.hear(beat(0, Some(10))) && leave.hear(beat(0, Some(10))));
        assert!(leave.check(permit(1, 1.0), None).is_ok());
        assert!(
            !leave.hear(beat(1, Some(10))) && !leave.hear(beat(1, None)) && !leave.hear(beat(1, Some(9)))
        );
        assert!(leave.hear(beat(1, Some(11))) && !leave.hear(beat(1, Some(11))));
        leave.withdraw();
        assert!(leave.hear(beat(1, Some(11))));
    }
}
