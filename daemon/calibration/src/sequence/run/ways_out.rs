//! The ways out of a run: trip, stop, failure, and the end of the way out.

use super::{Run, State, carry_out};
use crate::interlock::{Trip, may_be_the_amplifiers};
use crate::sequence::finding::{Finding, FindingKind};
use crate::sequence::input::{Action, Consequence, Event, Outcome, Target};
use crate::sequence::stopping::{Stage, Stopping, Targets};
use plan_schema::units::{SampleIndex, Seconds};

/// How much longer than foreseen a source may take to ramp down before it is made safe all the same.
const PATIENCE: Seconds = Seconds::new(0.5);

impl Run {
    /// Makes safe at once, whatever the run was doing, and tells.
    pub(super) fn tripped(&mut self, trip: Trip, out: &mut Vec<Action>) {
        self.stroke.tripped();
        if let State::Stopping(stopping) = &mut self.state {
            // Already on the way out: it goes on without waiting, and what comes out of it is a trip.
            stopping.outcome = Outcome::Tripped;
            stopping.hurry(&self.setup.job.rig, Some(trip.reason));
            self.advance(out);
        } else {
            self.make_safe(Stopping::begin(&self.setup, Outcome::Tripped, Some(trip.reason)), out);
        }
        out.push(Action::Tell(Event::Tripped(trip)));
    }

    /// Ends the run: ramps down where the source is on, then makes safe.
    pub(super) fn stop(&mut self, outcome: Outcome, out: &mut Vec<Action>) {
        if matches!(self.state, State::Stopping(_) | State::Done) {
            return;
        }
        out.push(Action::Tell(Event::Stopping(outcome)));
        let (frequency, asked) = match &self.state {
            State::Point(point) | State::StoringPoint(point, _) => (point.frequency, false),
            State::Probing(probe) => (probe.tone.0, false),
            State::StoringFirstMotion(motion) => (motion.frequency, false),
            State::Leaving { frequency, .. } => (*frequency, true),
            State::Unkept(unkept) if let Some(frequency) = unkept.from() => (frequency, true),
            State::Idle
            | State::Soaking(_)
            | State::Waiting(_)
            | State::Channels(_)
            | State::Exchange(_)
            | State::Unmuting
            | State::Quiet(..)
            | State::StoringQuiet(_)
            | State::Unkept(_)
            | State::Stopping(_)
            | State::Done => {
                return self.make_safe(Stopping::begin(&self.setup, outcome, None), out);
            }
        };
        let over = self.setup.plant.transition(frequency);
        let moment = self.now.after(over + self.setup.job.rig.timing.reply_limit + PATIENCE);
        let mut stopping = Stopping::ramp(&self.setup, outcome, moment);
        match &self.state {
            State::Leaving { until: Some(until), .. } => stopping.ramped(*until),
            State::Unkept(unkept) if let Some(zero) = unkept.zero() => stopping.ramped(zero),
            _ if !asked => {
                self.interlock.commanded();
                out.push(Action::SourceOff { over });
            }
            _ => {}
        }
        self.state = State::Stopping(stopping);
    }

    /// What comes first on this way out has its turn. Braking looks like motion beyond limits; what
    /// goes on being judged is the stroke.
    fn make_safe(&mut self, stopping: Stopping, out: &mut Vec<Action>) {
        self.interlock.at_rest();
        self.stroke.brakes();
        if let Stage::Proving(targets) = stopping.stage {
            out.extend(targets.each().map(Action::MakeSafe));
        }
        self.state = State::Stopping(stopping);
    }

    /// Goes on with the way out if what was waited for is over.
    pub(super) fn advance(&mut self, out: &mut Vec<Action>) {
        let State::Stopping(stopping) = &mut self.state else {
            return;
        };
        let targets = stopping.advance(self.now, self.end);
        if targets != Targets::NONE {
            self.interlock.at_rest();
            self.stroke.brakes();
            out.extend(targets.each().map(Action::MakeSafe));
        }
        if stopping.stage == Stage::Over && self.knows_why() {
            self.finish(out);
        }
    }

    /// A motion that jumped or ceased may be the amplifier's doing: what it says of itself after the trip is waited for,
    /// everything being safe by then, and not for long.
    fn knows_why(&mut self) -> bool {
        let asks = self.trip().is_some_and(|t| may_be_the_amplifiers(t.reason)) && !self.answered;
        let timing = &self.setup.job.rig.timing;
        let moment = self.now.after(timing.poll_interval * 2.0 + timing.reply_limit);
        !asks || self.now >= *self.asked_until.get_or_insert(moment)
    }

    pub(super) fn proved(&mut self, target: Target, followed: SampleIndex, out: &mut Vec<Action>) {
        let State::Stopping(stopping) = &mut self.state else {
            return;
        };
        out.extend(stopping.proved(target, followed, self.now).each().map(Action::MakeSafe));
        // Whether it is over is looked at in the same step.
    }

    pub(super) fn finish(&mut self, out: &mut Vec<Action>) {
        let State::Stopping(stopping) = &self.state else {
            return;
        };
        let outcome = stopping.outcome;
        let mut orders = Vec::new();
        self.interlock.give_back(&mut orders);
        self.interlock.ended();
        carry_out(orders, out);
        if let Some(trip) = self.trip().cloned() {
            let recent = std::mem::take(&mut self.recent);
            out.push(Action::StoreTrip(Box::new((trip, recent))));
        }
        self.state = State::Done;
        out.push(Action::Finish(outcome));
    }

    pub(super) fn failed(
        &mut self,
        instrument: &str,
        detail: &str,
        consequence: Consequence,
        out: &mut Vec<Action>,
    ) {
        match consequence {
            Consequence::RejectPoint if matches!(self.state, State::Point(_)) => {
                let message = format!("the instrument '{instrument}' refused: {detail}");
                let finding = Finding::plain(FindingKind::NotSettled, None, message);
                self.unreached(finding, out);
            }
            // The interlock has seen to it.
            Consequence::Trip => {}
            Consequence::RejectPoint | Consequence::FailRun => {
                out.push(Action::Tell(Event::Failure(format!("'{instrument}' failed: {detail}"))));
                self.stop(Outcome::Failed, out);
            }
        }
    }
}
