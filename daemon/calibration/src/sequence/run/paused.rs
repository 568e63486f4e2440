//! A pause in mid-run: the room left the plan's limits.
//!
//! The source goes to zero as between two tones of different frequency, leave goes down to no drive, and the run waits. What was
//! under way at a point is given up and measured anew: of a dwell, nothing from outside the limits counts.

use super::before_motion::Next;
use super::{Run, State};
use crate::sequence::input::{Action, Event};
use crate::sequence::point::PointRun;
use crate::sequence::room::Pause;
use crate::sequence::setup::Setup;
use plan_schema::units::engineering;

impl Run {
    /// Gives the point under way up if the room is out of its limits.
    pub(super) fn watch_the_room(&mut self, out: &mut Vec<Action>) {
        let State::Point(point) = &self.state else { return };
        if self.room.out().is_none() {
            return;
        }
        let point = point.clone();
        let Some(goal) = self.goal_of(&point) else { return };
        let frequency = point.frequency;
        self.pauses(Some(point), out);
        self.go(goal, frequency, false, out);
    }

    /// True while nothing may begin to move for the room's sake; a pause begins where none is under way.
    pub(super) fn keeps_still(&mut self, next: Next, out: &mut Vec<Action>) -> bool {
        if self.room.out().is_none() {
            return !self.room_is_back(out);
        }
        self.pauses(None, out);
        // Before anything is energised there is no leave that could be lowered.
        if next != Next::Energise {
            self.leave(Setup::at_rest(), out);
        }
        true
    }

    fn pauses(&mut self, given_up: Option<Box<PointRun>>, out: &mut Vec<Action>) {
        let Some(finding) = self.room.out().filter(|_| self.paused.is_none()) else { return };
        let pause = Pause::Begins { point: given_up.as_ref().map(|p| p.point), finding: finding.clone() };
        out.push(Action::Tell(Event::Pause(pause)));
        self.paused = Some(self.now);
        self.given_up = given_up.or_else(|| self.given_up.take());
    }

    /// The room is back, or was not for too long: true where the run goes on.
    pub(super) fn room_is_back(&mut self, out: &mut Vec<Action>) -> bool {
        let Some(since) = self.paused else { return true };
        let lasted = self.now.since(since);
        if let Some(finding) = self.room.out() {
            let limit = self.room.pause_limit();
            if lasted > limit {
                let limit = engineering(limit.si(), "s");
                let why = format!("{}, and it did not come back within {limit}", finding.message);
                self.hold_for(why, out);
            }
            return false;
        }
        out.push(Action::Tell(Event::Pause(Pause::Ends { lasted })));
        self.paused = None;
        true
    }

    /// Counts of the point that begins what it was given up with.
    pub(super) fn taken_up(&mut self, point: &mut PointRun) {
        if let Some(before) = self.given_up.take().filter(|p| p.is_same(point)) {
            point.take_up(&before);
        }
    }
}
