//! A pause in mid-run: a record can't be made durable yet, so nothing is driven and nothing begins until it is.
//!
//! The source goes to zero as gently as it does between two points, and the amplifier stays live, which is what brakes. The
//! record is kept by whoever writes it and tried again; with its receipt the run goes on where it was. Where none comes
//! within [`LONGEST`] the run ends in good order, and can be gone on with later.

use super::{Run, State};
use crate::sequence::input::{Action, Event, Outcome, Stored};
use crate::sequence::point::PointRun;
use plan_schema::units::{Hertz, Mono, SampleIndex, Seconds, engineering};

/// Longest pause: a person may free a disk within it, and an amplifier does not stay live for nobody all night. Our own
/// choice, no source.
pub(super) const LONGEST: Seconds = Seconds::new(600.0);

/// A pause, and what goes on after it.
#[derive(Debug, Clone)]
pub(super) struct Unkept {
    since: Mono,
    /// What waits for its receipt.
    storing: Box<State>,
    receipt: Option<Stored>,
    /// Frequency of the tone that was on.
    from: Option<Hertz>,
    /// Sample from which the armature is at rest.
    zero: Option<SampleIndex>,
    resting: bool,
}

impl Unkept {
    /// The record is durable.
    pub(super) fn stored(&mut self, what: Stored) {
        // Of the beginning or end of a pause for the room nobody waits.
        if what != Stored::Pause {
            self.receipt.get_or_insert(what);
        }
    }

    /// The source took the command to go to zero; the frequency that it comes from.
    pub(super) fn at_zero(&mut self, from: SampleIndex) -> Option<Hertz> {
        self.zero.get_or_insert(from);
        self.from
    }

    /// Frequency of the tone that was on when it began; `None` where nothing was driven.
    pub(super) const fn from(&self) -> Option<Hertz> {
        self.from
    }

    /// Sample from which the armature is at rest, once that is known.
    pub(super) const fn zero(&self) -> Option<SampleIndex> {
        self.zero
    }

    fn at_rest(&self, end: SampleIndex) -> bool {
        self.from.is_none() || self.zero.is_some_and(|zero| end >= zero)
    }
}

impl Run {
    /// A record can't be kept yet: to zero, and wait.
    pub(super) fn unkept(&mut self, why: String, out: &mut Vec<Action>) {
        let from = match &self.state {
            State::StoringQuiet(_) => None,
            State::StoringFirstMotion(motion) => Some(motion.frequency),
            State::StoringPoint(point, _) => Some(point.frequency),
            // Nothing waits for a receipt, or the run is on its way out already.
            _ => return,
        };
        let limit = engineering(LONGEST.si() / 60.0, "min");
        let text = format!(
            "a record can't be kept: {why}. Nothing is driven; the record is tried again for up to {limit}. Give the disk \
             room, or bring it back"
        );
        out.push(Action::Tell(Event::Paused(text)));
        if let Some(frequency) = from {
            self.asked = None;
            self.interlock.commanded();
            out.push(Action::SourceOff { over: self.setup.plant.transition(frequency) });
        }
        let storing = Box::new(std::mem::replace(&mut self.state, State::Idle));
        let since = self.now;
        self.state = State::Unkept(Unkept {
            since,
            storing,
            receipt: None,
            from,
            zero: None,
            resting: from.is_none(),
        });
    }

    /// Goes on where the record is kept and the armature at rest; ends the run where that takes too long.
    pub(super) fn kept(&mut self, out: &mut Vec<Action>) {
        let State::Unkept(unkept) = &mut self.state else { return };
        let rests = unkept.at_rest(self.end);
        if rests && !std::mem::replace(&mut unkept.resting, true) {
            self.interlock.watch(None);
        }
        let State::Unkept(unkept) = &mut self.state else { return };
        if let Some(receipt) = unkept.receipt.filter(|_| rests) {
            self.state = *std::mem::replace(&mut unkept.storing, Box::new(State::Idle));
            out.push(Action::Tell(Event::GoesOn));
            self.stored(receipt, out);
        } else if self.now.since(unkept.since) > LONGEST && unkept.receipt.is_none() {
            let text = "a record could not be kept in the time of a pause; what was stored before is complete. Give the disk \
                        room, then go on with this run";
            out.push(Action::Tell(Event::Failure(text.to_owned())));
            self.stop(Outcome::Failed, out);
        }
    }

    /// A point that was to be measured once more when the pause came: approached anew, counted on.
    pub(super) fn once_more_from_rest(&mut self, mut point: PointRun, out: &mut Vec<Action>) {
        let goal = self.goal_of(&point);
        point.repeat += 1;
        self.given_up = Some(Box::new(point));
        match goal {
            Some(goal) => self.go_to(goal, out),
            None => self.stop(Outcome::Done, out),
        }
    }
}
