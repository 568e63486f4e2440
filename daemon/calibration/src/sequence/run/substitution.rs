//! Substitution: what was measured with the sensors in their channels is run again with the reference in these channels, in place
//! of the sensors. Its own channel shows the motion throughout.
//!
//! ```text
//! closing quiet part → leave given back, mute proved → reference to the sensors' channels → permissives, warning → unmute →
//! one small motion → point … point → first of them again → mute proved → sensors to their channels → stopping
//! ```
//!
//! Invariant: reference and sensors are exchanged at zero drive, muted with proof and without leave; an amplifier that reads live
//! meanwhile trips. The reference never leaves the channel in which the interlock has it.

use super::before_motion::Next;
use super::points::Goal;
use super::{Run, State};
use crate::interlock::Other;
use crate::sequence::dwell::Dwelt;
use crate::sequence::input::{Action, Cable, Event, Outcome, Reply, Stored, Target};
use crate::sequence::ratio_tone::RatioTone;
use crate::sequence::setup::Setup;
use plan_schema::plan::Method;
use plan_schema::rig::{RoutedBy, Substitution};
use plan_schema::units::{Hertz, Mono, SampleIndex, Seconds};

/// Reference and sensors on their way.
#[derive(Debug, Clone)]
pub(super) struct Exchange {
    to: Cable,
    stage: Stage,
}

#[derive(Debug, Clone, Copy)]
enum Stage {
    /// The amplifier is asked to prove that it is muted.
    Muting,
    /// The cables are on their way; there since a moment, once that is known.
    Way { since: Mono, there: Option<Mono> },
}

impl Exchange {
    /// True while cables are moved.
    pub(super) fn is_under_way(&self) -> bool {
        matches!(self.stage, Stage::Way { .. })
    }
}

impl Setup {
    /// How the reference gets into the sensors' channels, where the plan wants substitution.
    #[must_use]
    pub fn substitution(&self) -> Option<&Substitution> {
        let asked = self.job.plan.method == Method::Substitution;
        self.job.rig.substitution.as_ref().filter(|_| asked)
    }

    /// Number of the contact output by which what the channels are connected to is switched, where the plan asks for that.
    #[must_use]
    pub fn switch_output(&self) -> Option<u32> {
        match self.substitution() {
            Some(way) => way.output.filter(|_| way.by == RoutedBy::Switch),
            None => {
                self.ratio_route().and_then(|route| route.output.filter(|_| route.by == RoutedBy::Switch))
            }
        }
    }

    /// Time that the reference's part of a substitution takes, a person's moving of cables apart; zero where none is asked for.
    #[must_use]
    pub fn substitution_time(&self) -> Seconds {
        let Some(way) = self.substitution() else { return Seconds::ZERO };
        let roles = &self.job.rig.roles;
        let amplifier = self.latency(&roles.amplifier) * 3.0 + self.plant.settling_time();
        let points = self.substituted_points().map(|n| {
            let overhead = self.forecasts.get(n).map_or(Seconds::ZERO, |f| f.overhead + f.decay_wait);
            overhead + self.cycles(n)
        });
        let first = self.order.first().and_then(|n| self.forecasts.get(*n));
        let small = first.map_or(Seconds::ZERO, |f| f.overhead);
        points.fold(way.switch_time * 2.0 + amplifier + small, |sum, each| sum + each)
    }

    /// Time within it that is recorded.
    #[must_use]
    pub fn substitution_recorded(&self) -> Seconds {
        let asked = self.substitution().is_some();
        let cycles = self.substituted_points().filter(|_| asked).map(|n| self.cycles(n));
        cycles.fold(Seconds::ZERO, |sum, each| sum + each)
    }

    /// The points in their order that are run with the reference in the sensors' channels, the first once more at the end.
    fn substituted_points(&self) -> impl Iterator<Item = usize> {
        let taken = |n: &&usize| self.job.sensors.iter().any(|s| s.takes(**n));
        let again = self.order.iter().find(taken).filter(|_| self.closes());
        self.order.iter().filter(taken).chain(again).copied()
    }

    fn cycles(&self, point: usize) -> Seconds {
        let of = |p: &plan_schema::resolve::ResolvedPoint| f64::from(p.dwell_cycles) / p.frequency.si();
        Seconds::new(self.job.points.get(point).map_or(0.0, of))
    }
}

impl Run {
    /// Has reference and sensors exchanged at the sensors' channels.
    pub(super) fn exchange(&mut self, to: Cable, out: &mut Vec<Action>) {
        self.withdraw(out);
        self.interlock.at_rest();
        self.stroke.blind();
        self.live = false;
        out.push(Action::Tell(Event::ExchangeBegins(to)));
        out.push(Action::MakeSafe(Target::Amplifier));
        self.state = State::Exchange(Exchange { to, stage: Stage::Muting });
    }

    pub(super) fn exchange_replied(&mut self, reply: Reply, out: &mut Vec<Action>) {
        let (now, by) = (self.now, self.setup.substitution().map(|way| way.by));
        let State::Exchange(exchange) = &mut self.state else { return };
        match (reply, &mut exchange.stage, by) {
            (Reply::MadeSafe(Target::Amplifier), Stage::Muting, Some(by)) => {
                exchange.stage = Stage::Way { since: now, there: None };
                let to = exchange.to;
                self.asks_for(by, to, out);
            }
            (Reply::Routed, Stage::Way { there, .. }, Some(RoutedBy::Switch)) => *there = Some(now),
            _ => {}
        }
    }

    /// A person says that the cables are where they were asked to be.
    pub(super) fn exchange_confirmed(&mut self, name: String, out: &mut Vec<Action>) {
        let by_person = self.setup.substitution().is_some_and(|way| way.by == RoutedBy::Person);
        if let State::Exchange(Exchange { to, stage: Stage::Way { there: None, .. } }) = &self.state
            && by_person
        {
            out.push(Action::StoreConfirmation(*to, name));
            out.push(Action::Tell(Event::Confirmed(*to)));
        }
    }

    /// A record is durable.
    pub(super) fn exchange_stored(&mut self, what: Stored) {
        let now = self.now;
        if let State::Exchange(Exchange { stage: Stage::Way { there, .. }, .. }) = &mut self.state
            && what == Stored::Confirmation
        {
            *there = Some(now);
        }
    }

    /// Goes on once everything is where it was asked to be.
    pub(super) fn exchange_waits(&mut self, out: &mut Vec<Action>) {
        let State::Exchange(Exchange { to, stage: Stage::Way { since, there } }) = &self.state else {
            return;
        };
        let (to, since, there) = (*to, *since, *there);
        let Some(way) = self.setup.substitution() else { return };
        let (by, settles, patience) = (way.by, way.switch_time, way.person_wait);
        match there {
            Some(there) if self.now.since(there) >= settles => {
                self.substitutes = to == Cable::ReferenceToChannels;
                if self.substitutes {
                    return self.before(Next::Energise, out);
                }
                self.routed = false;
                self.stop(Outcome::Done, out);
            }
            None if by == RoutedBy::Person && self.now.since(since) > patience => {
                self.nobody_confirmed(patience, out);
            }
            _ => {}
        }
    }

    /// The amplifier is live again: once the armature rests, a small motion shows whether the reference still does.
    pub(super) fn comes_to_rest(&mut self, rest: SampleIndex) {
        self.observe();
        let frequency = self.setup.opening.frequency;
        self.state = State::Leaving { frequency, goal: Goal::Identify, until: Some(rest), waiting: true };
    }

    /// The channels that show the motion beside the reference's own.
    pub(super) fn others(&self, frequency: Hertz) -> Vec<Other> {
        match self.substitutes {
            false => self.setup.others(frequency, &self.excluded),
            true => self.setup.others_substituted(frequency, &self.excluded),
        }
    }

    /// What comes after the point at this position.
    pub(super) fn after_substitution(&self, position: usize) -> Goal {
        match self.taken_from(position + 1) {
            Some(next) => Goal::Substitute(next),
            None if self.setup.closes() => Goal::SubstituteAgain,
            None => Goal::Return,
        }
    }

    /// A dwell with the reference in the sensors' channels is complete.
    pub(super) fn substituted(&mut self, dwelt: Dwelt, out: &mut Vec<Action>) {
        if let Ok(estimate) = &dwelt.estimate {
            self.learned.hear(dwelt.applied, estimate);
        }
        let State::Point(point) = &mut self.state else { return };
        let (number, drive) = (point.point, point.drive());
        let tone = (dwelt.applied, drive);
        let tone = RatioTone::of_reference(&self.setup, number, tone, dwelt.first_sample, dwelt.samples);
        let column = self.setup.job.reference.column;
        let sensitivity = self.setup.sensitivity_near(point.frequency).si();
        if let Some(seen) = tone.amplitude(column) {
            let seen = plan_schema::units::Accel::new(seen / sensitivity);
            self.model.learn(point.frequency, drive, seen, 1e-4);
            point.measured(seen);
        }
        let columns: Vec<usize> = self.standing(number).sensors().map(|s| s.column).collect();
        let fault = columns.into_iter().find_map(|column| tone.fault_of(&self.setup.job, column));
        let again = fault.is_some() && self.may_retry();
        if let Some(fault) = fault {
            out.push(Action::Tell(Event::Noticed(fault)));
        }
        if let State::Point(point) = std::mem::replace(&mut self.state, State::Idle) {
            self.state = State::StoringPoint(point, again);
            out.push(Action::StoreRatioTone(Box::new(tone)));
        }
    }
}
