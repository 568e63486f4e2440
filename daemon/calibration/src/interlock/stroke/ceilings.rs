//! The ceiling of stroke from sample to sample.

use plan_schema::units::{Displacement, Peak, SampleIndex};

/// Which ceiling is in force, and which will be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Ceilings {
    rest: Displacement<Peak>,
    now: Displacement<Peak>,
    next: Displacement<Peak>,
    /// From this sample on the next one is in force.
    from: Option<SampleIndex>,
}

impl Ceilings {
    /// At rest.
    pub(super) fn new(rest: Displacement<Peak>) -> Self {
        Self { rest, now: rest, next: rest, from: None }
    }

    /// The one in force.
    pub(super) fn now(&self) -> Displacement<Peak> {
        self.now
    }

    /// Another one was asked for: a larger one is in force at once, a smaller one once its setting is in effect.
    pub(super) fn ask(&mut self, ceiling: Displacement<Peak>) {
        self.next = ceiling.max(self.rest);
        self.now = self.now.max(self.next);
        self.from = None;
    }

    /// The setting is in effect from this sample on.
    pub(super) fn applied(&mut self, from: SampleIndex) {
        self.from = Some(from);
    }

    /// Time has come to a sample.
    pub(super) fn advance(&mut self, now: SampleIndex) {
        if self.from.is_some_and(|from| now >= from) {
            self.now = self.next;
            self.from = None;
        }
    }
}
