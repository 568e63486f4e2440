//! A run that goes on where another one was cut off: what was measured is not measured again as if it were new.
//!
//! It opens as every run does, then looks at the first point of the other run once more. Where that agrees within the plan's
//! limit of drift, the first missing point follows; where it does not, somebody has to look.

use super::Run;
use super::points::Goal;
use crate::evaluate::moved;
use crate::sequence::input::Action;
use crate::sequence::measure::{Measurement, PointEnd};
use std::collections::BTreeSet;

/// What an earlier run of the same job left behind.
#[derive(Debug, Clone, PartialEq)]
pub struct Resumed {
    /// Name of that run.
    pub run: String,
    /// Numbers of the points that are complete, from 0.
    pub done: BTreeSet<usize>,
    /// What was measured first, without its samples: what is looked at once more.
    pub first: Measurement,
    /// Sensors that its first motion sent out of the run.
    pub excluded: Vec<bool>,
}

impl Run {
    /// The first position of the order, from this one on, at which somebody takes a point that is still missing.
    pub(super) fn missing_from(&self, position: usize) -> Option<usize> {
        let done = |position: &usize| {
            let number = self.setup.order.get(*position);
            number.is_some_and(|n| self.setup.resumed.as_ref().is_some_and(|r| r.done.contains(n)))
        };
        let mut next = self.taken_from(position);
        while let Some(at) = next.filter(done) {
            next = self.taken_from(at + 1);
        }
        next
    }

    /// The position of the point that is measured first, or was.
    pub(super) fn first_position(&self) -> Option<usize> {
        match &self.setup.resumed {
            Some(resumed) => self.setup.order.iter().position(|n| *n == resumed.first.point),
            None => self.taken_from(0),
        }
    }

    /// Where the run goes once the plant is known.
    pub(super) fn first_goal(&self) -> Goal {
        if self.substitutes {
            return self.taken_from(0).map_or(Goal::Return, Goal::Substitute);
        }
        match &self.setup.resumed {
            Some(_) => Goal::Closing,
            None => self.taken_from(0).map_or(Goal::Rest, Goal::Point),
        }
    }

    /// True while the first point of the other run has still to be looked at once more.
    pub(super) fn is_verifying(&self) -> bool {
        self.setup.resumed.is_some() && !self.verified
    }

    /// What speaks against going on; `None` where nothing does.
    pub(super) fn speaks_against(&self, end: &PointEnd) -> Option<String> {
        let resumed = self.setup.resumed.as_ref()?;
        let last = match end {
            PointEnd::Measured(last) => last,
            PointEnd::Unreached { finding, .. } => {
                return Some(format!("the first point could not be measured again: {}", finding.message));
            }
        };
        let against = (0..self.setup.job.sensors.len()).filter(|n| self.excluded.get(*n) != Some(&true));
        let found = against.filter_map(|n| moved(&self.setup, &resumed.first, last, n)).next()?;
        Some(format!("run {} can't be gone on with: {}", resumed.run, found.message))
    }

    /// The look at the first point is on the disk: on to what is missing, or to a person.
    pub(super) fn verified(&mut self, out: &mut Vec<Action>) -> Option<Goal> {
        self.verified = true;
        if let Some(why) = self.disagrees.take() {
            self.hold_for(why, out);
            return None;
        }
        Some(self.missing_from(0).map_or(Goal::Rest, Goal::Point))
    }

    /// The sensors in this run have to be those of the other one.
    pub(super) fn others_excluded(&self) -> Option<String> {
        let resumed = self.setup.resumed.as_ref()?;
        (resumed.excluded != self.excluded).then(|| {
            format!(
                "the first motion finds other sensors wanting than that of run {}: look at cables",
                resumed.run
            )
        })
    }
}
