//! What the reference, the tone and the other channels were lately, group by group.
//!
//! Owns: a memory of fixed length, for naming what went wrong once something did. Must not: judge.

use crate::interlock::observer::Foretold;
use plan_schema::units::SampleIndex;
use std::collections::VecDeque;

/// Groups that are kept: two thirds of a cycle, or up to 64 ms.
const KEPT: usize = 128;

/// A group of samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Group {
    /// Its last sample.
    pub(super) at: f64,
    /// What the reference showed, m/s².
    pub(super) seen: f64,
    /// What it should have shown.
    pub(super) tone: Foretold,
    /// What the other channels showed, by the median of them; `None` without any.
    pub(super) others: Option<f64>,
}

/// The newest groups.
#[derive(Debug, Clone)]
pub(super) struct Recent {
    kept: VecDeque<Group>,
    sum: f64,
    count: f64,
}

impl Recent {
    pub(super) fn new() -> Self {
        Self { kept: VecDeque::with_capacity(KEPT), sum: 0.0, count: 0.0 }
    }

    /// Takes a sample; every so many make a group.
    #[inline]
    pub(super) fn take(
        &mut self,
        group: f64,
        at: SampleIndex,
        seen: f64,
        tone: impl FnOnce() -> Option<Foretold>,
        others: impl FnOnce() -> Option<f64>,
    ) {
        self.sum += seen;
        self.count += 1.0;
        if self.count < group {
            return;
        }
        let seen = self.sum / self.count;
        (self.sum, self.count) = (0.0, 0.0);
        let Some(tone) = tone() else {
            self.kept.clear();
            return;
        };
        if self.kept.len() == KEPT {
            self.kept.pop_front();
        }
        #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
        let at = at.0 as f64;
        self.kept.push_back(Group { at, seen, tone, others: others() });
    }

    /// The groups, the oldest first.
    pub(super) fn groups(&self) -> &VecDeque<Group> {
        &self.kept
    }
}
