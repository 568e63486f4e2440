//! What comes before a motion: every permissive permits, the room is within its limits, then the warning has been on for its
//! time.
//!
//! Judged in time of liveness. Where the rig declares neither, the motion begins in the same step.

use super::points::Goal;
use super::{Run, State};
use crate::sequence::input::{Action, Event, Outcome};
use plan_schema::units::{Mono, Seconds, engineering};

/// The motion that waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Next {
    /// The amplifier is let live at zero drive.
    Energise,
    /// The first motion.
    Open,
    /// The next goal.
    Go(Goal),
}

/// What is waited for before a motion.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gate {
    next: Next,
    what: What,
}

#[derive(Debug, Clone, PartialEq)]
enum What {
    /// Permissives, since this moment; what was told of them last.
    Permissives { since: Mono, told: Option<String> },
    /// The warning, for this long, which began when the output was on.
    Warning { lasts: Seconds, begun: Option<Mono> },
    /// The room.
    Room,
}

impl Gate {
    /// The warning is on.
    pub(super) fn warned(&mut self, now: Mono) {
        if let What::Warning { begun, .. } = &mut self.what {
            begun.get_or_insert(now);
        }
    }

    /// True while the room is waited for.
    pub(super) fn is_pause(&self) -> bool {
        self.what == What::Room
    }
}

impl Run {
    /// Begins a motion once everything that has to come before it is done.
    pub(super) fn before(&mut self, next: Next, out: &mut Vec<Action>) {
        let begins = matches!(next, Next::Energise);
        if begins && self.permissives.missing(self.now).is_some() {
            let what = What::Permissives { since: self.now, told: None };
            self.state = State::Waiting(Gate { next, what });
        } else if self.keeps_still(next, out) {
            self.state = State::Waiting(Gate { next, what: What::Room });
        } else if let Some(lasts) = self.warning.due(self.now) {
            self.warning.begins();
            out.push(Action::Warn(true));
            self.state = State::Waiting(Gate { next, what: What::Warning { lasts, begun: None } });
        } else {
            match next {
                Next::Energise => self.energise(out),
                Next::Open => self.first_motion(out),
                Next::Go(goal) => self.move_to(goal, out),
            }
        }
    }

    /// Goes on with what waits if what it waited for is there; refuses the run if it does not come.
    pub(super) fn waited_for(&mut self, out: &mut Vec<Action>) {
        let State::Waiting(gate) = &mut self.state else { return };
        match &mut gate.what {
            What::Room => {
                let next = gate.next;
                if self.room_is_back(out) {
                    self.before(next, out);
                }
            }
            What::Warning { lasts, begun } => {
                if begun.is_some_and(|at| self.now.since(at) >= *lasts) {
                    let next = gate.next;
                    self.warning.moves(self.now);
                    self.before(next, out);
                }
            }
            What::Permissives { since, told } => {
                let passed = self.now.since(*since);
                let timing = &self.setup.job.rig.timing;
                // Contacts are asked for the first time at the start: before they can have answered nothing is said.
                let asked = passed > timing.contact_limit;
                let wait = self.setup.job.rig.permissive_wait;
                let Some((missing, waits)) = self.permissives.missing(self.now) else {
                    let next = gate.next;
                    return self.before(next, out);
                };
                if !waits || (asked && passed > wait) {
                    return self.refuse(missing, out);
                }
                if asked && told.as_ref() != Some(&missing) {
                    let limit = engineering(wait.si(), "s");
                    out.push(Action::Tell(Event::Noticed(format!("waits for up to {limit}: {missing}"))));
                    *told = Some(missing);
                }
            }
        }
    }

    /// Ends a run that did not begin. Nothing was energised.
    pub(super) fn refuse(&mut self, why: String, out: &mut Vec<Action>) {
        out.push(Action::Tell(Event::Failure(format!("the run does not begin: {why}"))));
        self.refused = Some(why);
        self.stop(Outcome::Failed, out);
    }

    /// Switches the warning off in a pause and at the end.
    pub(super) fn still(&mut self, out: &mut Vec<Action>) {
        if self.tone.is_some() {
            self.warning.moves(self.now);
        }
        if matches!(self.state, State::Done) {
            // Before the run is over, or nobody would carry it out.
            let end = out.iter().position(|a| matches!(a, Action::Finish(_))).unwrap_or(out.len());
            if self.warning.ends() {
                out.insert(end, Action::Warn(false));
            }
            // Of a person's cable nobody knows; the next run asks.
            if std::mem::take(&mut self.routed) && self.setup.switch_output().is_some() {
                out.insert(end, Action::Route(false));
            }
        } else if self.warning.pauses(self.now) {
            out.push(Action::Warn(false));
        }
    }
}
