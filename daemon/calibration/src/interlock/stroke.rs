//! The stroke monitor: what watches the displacement of the armature, from the first leave to the end of the last brake.
//!
//! Owns: which ceiling of stroke is in force at which sample ([`Ceilings`]), and the order of looking. Where the rig has a
//! displacement channel every sample of it is judged ([`DisplacementChannel`]). Must not: hold leave, or know what a
//! point is.

use super::displacement::DisplacementChannel;
use super::trip::Trip;
use crate::block::BlockView;
use plan_schema::units::{Displacement, Peak, SampleIndex};

/// Watches the displacement. One per run.
#[derive(Debug, Clone)]
pub struct StrokeMonitor {
    channel: Option<DisplacementChannel>,
    ceilings: Ceilings,
    braking: bool,
}

impl StrokeMonitor {
    /// A monitor that has seen nothing. `rest` is how far the armature may lie off its centre without any drive.
    #[must_use]
    pub fn new(channel: Option<DisplacementChannel>, rest: Displacement<Peak>) -> Self {
        Self { channel, ceilings: Ceilings::new(rest), braking: false }
    }

    /// Leave was given up to a ceiling of stroke, static part and all. A larger one that is in force stays so until the
    /// setting that was asked for under the new one is in effect.
    pub fn allow(&mut self, ceiling: Displacement<Peak>) {
        self.ceilings.ask(ceiling);
        self.braking = false;
    }

    /// A setting is in full effect, and the armature has followed, from this sample on.
    pub fn applied(&mut self, from: SampleIndex) {
        self.ceilings.applied(from);
    }

    /// A stop brakes from now on: the armature coasts as was foreseen of it.
    pub fn brakes(&mut self) {
        self.braking = true;
    }

    /// Looks at a block; a trip at the first sample that shows too much.
    pub fn look(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        self.ceilings.advance(block.first_sample);
        let channel = self.channel.as_ref()?;
        channel.look(block, self.ceilings.now, self.braking)
    }
}

/// The ceiling of stroke from sample to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ceilings {
    rest: Displacement<Peak>,
    now: Displacement<Peak>,
    next: Displacement<Peak>,
    /// From this sample on the next one is in force.
    from: Option<SampleIndex>,
}

impl Ceilings {
    fn new(rest: Displacement<Peak>) -> Self {
        Self { rest, now: rest, next: rest, from: None }
    }

    fn ask(&mut self, ceiling: Displacement<Peak>) {
        self.next = ceiling.max(self.rest);
        self.now = self.now.max(self.next);
        self.from = None;
    }

    fn applied(&mut self, from: SampleIndex) {
        self.from = Some(from);
    }

    fn advance(&mut self, now: SampleIndex) {
        if self.from.is_some_and(|from| now >= from) {
            self.now = self.next;
            self.from = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::TripReason;
    use plan_schema::units::SampleCount;

    fn monitor() -> StrokeMonitor {
        let channel = DisplacementChannel {
            column: 0,
            name: "stroke".into(),
            volts_per_metre: -1000.0,
            trip: Displacement::new(5.6e-3),
            coast: Displacement::new(6.0e-3),
        };
        StrokeMonitor::new(Some(channel), Displacement::new(0.3e-3))
    }

    fn look(monitor: &mut StrokeMonitor, first: u64, volts: &[f32]) -> Option<(TripReason, u64)> {
        let channels = [volts];
        let block = BlockView {
            first_sample: SampleIndex(first),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[false],
        };
        monitor.look(&block).map(|t| (t.reason, t.at_sample.unwrap().0))
    }

    /// Every sample counts, to either side, against the point's own ceiling, the trip stroke and the coast.
    #[test]
    fn each_sample_is_judged_by_the_limit_in_force() {
        let stroke = |at| Some((TripReason::StrokeLimit, at));
        let mut monitor = monitor();
        assert_eq!(look(&mut monitor, 0, &[0.2, -0.31]), None);
        assert_eq!(look(&mut monitor, 2, &[0.32]), stroke(2));
        monitor.allow(Displacement::new(2e-3));
        assert_eq!(look(&mut monitor, 10, &[2.09, -2.09]), None);
        assert_eq!(look(&mut monitor, 10, &[2.09, -2.11]), stroke(11));
        monitor.allow(Displacement::new(5.5e-3));
        assert_eq!(look(&mut monitor, 20, &[5.59, -5.59]), None);
        assert_eq!(look(&mut monitor, 20, &[5.61]), stroke(20));
        monitor.brakes();
        assert_eq!(look(&mut monitor, 30, &[5.99]), None);
        assert_eq!(look(&mut monitor, 30, &[6.01]), stroke(30));
        assert_eq!(look(&mut monitor, 30, &[f32::NAN]), stroke(30));
    }

    /// On the way from a large motion to a small one the larger ceiling stays until the small one is there.
    #[test]
    fn the_larger_ceiling_stays_until_the_new_setting_is_in_effect() {
        let mut monitor = monitor();
        monitor.allow(Displacement::new(4e-3));
        monitor.allow(Displacement::new(1e-3));
        assert_eq!(look(&mut monitor, 0, &[4.0]), None);
        monitor.applied(SampleIndex(100));
        assert_eq!(look(&mut monitor, 99, &[4.0]), None);
        assert!(look(&mut monitor, 100, &[4.0]).is_some());
        assert_eq!(look(&mut monitor, 101, &[1.0]), None);
    }
}
