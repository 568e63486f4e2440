//! The ways out of a run: trip, stop, failure, and the end of the way out.

use super::{Run, State, carry_out};
use crate::interlock::Trip;
use crate::sequence::input::{Action, Consequence, Event, Outcome, Target};
use crate::sequence::measure::{Finding, FindingKind};
use crate::sequence::stopping::{Stage, Stopping};
use plan_schema::units::{Mono, SampleIndex};

impl Run {
    pub(super) fn tripped(&mut self, trip: Trip, out: &mut Vec<Action>) {
        self.interlock.watch(None);
        if let State::Stopping(stopping) = &mut self.state {
            // Already on the way out: it goes on, and what comes out of it is a trip.
            stopping.outcome = Outcome::Tripped;
        } else {
            let stopping = Stopping::begin(&self.setup, Outcome::Tripped, Some(trip.reason));
            if let Stage::Proving(target) = stopping.stage {
                out.push(Action::MakeSafe(target));
            }
            self.state = State::Stopping(stopping);
        }
        out.push(Action::Tell(Event::Tripped(trip)));
    }

    /// Winds down in good order.
    pub(super) fn stop(&mut self, outcome: Outcome, out: &mut Vec<Action>) {
        if matches!(self.state, State::Stopping(_) | State::Done) {
            return;
        }
        out.push(Action::Tell(Event::Stopping(outcome)));
        let stopping = Stopping::begin(&self.setup, outcome, None);
        if let Stage::Proving(target) = stopping.stage {
            out.push(Action::MakeSafe(target));
        }
        self.state = State::Stopping(stopping);
    }

    pub(super) fn proved(&mut self, now: Mono, target: Target, followed: SampleIndex, out: &mut Vec<Action>) {
        let brake = self.setup.samples(self.setup.plant.settling_time()).0;
        let State::Stopping(stopping) = &mut self.state else {
            return;
        };
        stopping.proved(target, followed, brake, now);
        match stopping.stage {
            Stage::Proving(target) => out.push(Action::MakeSafe(target)),
            Stage::Braking { .. } => {}
            Stage::Over => self.finish(out),
        }
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
                let finding = Finding {
                    kind: FindingKind::NotSettled,
                    message: format!("the instrument '{instrument}' refused: {detail}"),
                    value: None,
                    limit: None,
                    unit: None,
                    column: None,
                };
                self.unreached(finding, out);
            }
            Consequence::RejectPoint | Consequence::FailRun | Consequence::Trip => {
                out.push(Action::Tell(Event::Failure(format!(
                    "'{instrument}' failed: {detail}"
                ))));
                self.stop(Outcome::Failed, out);
            }
        }
    }
}
