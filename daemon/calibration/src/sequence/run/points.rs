//! What a run does about its points: go to one, follow what it wants, end it, and what comes next.

use super::before_motion::Next;
use super::{Run, State, carry_out};
use crate::control::{Approach, Goal as Aim, overshoot_allowed};
use crate::estimate::{DwellEstimate, FrequencyBasis};
use crate::interlock::{Order, Told, Trip};
use crate::sequence::dwell::Dwelt;
use crate::sequence::finding::{Finding, FindingKind};
use crate::sequence::input::{Action, Cable, Effective, Event, Outcome, QuietTime};
use crate::sequence::measure::{Measurement, PointEnd};
use crate::sequence::point::{PointRun, Purpose, Wish};
use crate::sequence::quality::findings;
use crate::sequence::setup::Setup;
use plan_schema::registers::SensorKind;
use plan_schema::units::{Accel, Hertz, Peak, SampleCount, Seconds, Volts, engineering};
use std::collections::BTreeSet;

/// Where a run goes next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Goal {
    /// The small motion by which the plant is identified.
    Identify,
    /// The point at this position of the order.
    Point(usize),
    /// The first point once more.
    Closing,
    /// The quiet part at the end.
    Rest,
    /// The point at this position of the order, with the reference in the sensors' channels.
    Substitute(usize),
    /// The first of these once more.
    SubstituteAgain,
    /// The sensors back to their channels.
    Return,
}

impl Goal {
    /// What has to pass after the source is at zero: for a tone nothing, for rest until the armature has followed.
    pub(super) fn rest(self, setup: &Setup) -> SampleCount {
        match self {
            Self::Rest | Self::Return => setup.samples(setup.plant.settling_time()),
            Self::Identify | Self::Point(_) | Self::Closing | Self::Substitute(_) | Self::SubstituteAgain => {
                SampleCount(0)
            }
        }
    }
}

/// What a run learns from point to point.
#[derive(Debug, Clone, Default)]
pub(super) struct Learned {
    /// Ratio of the acquisition's frequencies to the source's, with its standard uncertainty.
    clock: Option<(f64, f64)>,
    /// What was found against a column twice in a row: it stays, and repeating does not help.
    confirmed: BTreeSet<(FindingKind, Option<usize>)>,
}

impl Learned {
    pub(super) fn clock(&self) -> f64 {
        self.clock.map_or(1.0, |(ratio, _)| ratio)
    }

    /// Keeps the ratio of the clocks from a dwell that tells it about as well as the best so far.
    pub(super) fn hear(&mut self, applied: Hertz, estimate: &DwellEstimate) {
        let FrequencyBasis::Measured { uncertainty } = estimate.frequency_basis else {
            return;
        };
        let uncertainty = uncertainty / applied;
        if self.clock.is_none_or(|(_, best)| uncertainty < 2.0 * best) {
            self.clock = Some((estimate.frequency / applied, uncertainty));
        }
    }

    fn is_confirmed(&self, found: &[Finding]) -> bool {
        found.iter().all(|f| self.confirmed.contains(&(f.kind, f.column)))
    }
}

impl Run {
    /// Where a run goes to measure a point that was given up.
    pub(super) fn goal_of(&self, point: &PointRun) -> Option<Goal> {
        let position = self.setup.order.iter().position(|n| *n == point.point);
        match point.purpose {
            Purpose::Close => Some(Goal::Closing),
            Purpose::Measure => position.map(Goal::Point),
            Purpose::Substitute => position.map(Goal::Substitute),
            Purpose::SubstituteAgain => Some(Goal::SubstituteAgain),
        }
    }

    pub(super) fn wish(&mut self, wish: Wish, out: &mut Vec<Action>) {
        let State::Point(point) = &mut self.state else {
            return;
        };
        let number = point.point;
        match wish {
            Wish::Wait => {}
            Wish::Seen(amplitude) => self.seen(number, amplitude, out),
            Wish::Drive(drive) => {
                let (frequency, last) = (point.frequency, point.last());
                self.model.learn(frequency, point.drive(), last, 0.003);
                self.seen(number, last, out);
                self.command(self.asked.unwrap_or(frequency), drive, out);
            }
            Wish::Dwell => {
                let settle = point.settle_time(&self.setup, point.dwell_from);
                let (amplitude, frequency) = (point.last(), point.frequency);
                if !point.is_beside() {
                    self.waited += point.decay_waited;
                }
                self.seen(number, amplitude, out);
                out.push(Action::Tell(Event::DwellBegins { point: number, frequency, settle }));
            }
            Wish::Complete(dwelt) => self.dwelt(*dwelt, out),
            Wish::GaveUp(last) => {
                let finding = self.not_settled(number, last);
                self.unreached(finding, out);
            }
        }
    }

    /// A dwell is complete: what is to be said of it, and whether it is done once more.
    fn dwelt(&mut self, dwelt: Dwelt, out: &mut Vec<Action>) {
        let State::Point(point) = &self.state else { return };
        if point.substitutes() {
            return self.substituted(dwelt, out);
        }
        let columns: Vec<&[f32]> = dwelt.samples.iter().map(Vec::as_slice).collect();
        let mut found = findings(&self.standing(point.point), &columns, &dwelt.estimate);
        if let Ok(estimate) = &dwelt.estimate {
            self.learned.hear(dwelt.applied, estimate);
        }
        let again = self.again(&found);
        found.extend(self.room.out().cloned());
        let State::Point(point) = &mut self.state else { return };
        let measurement = Measurement {
            point: point.point,
            repeat: point.repeat,
            closing: point.is_closing(),
            first_sample: dwelt.first_sample,
            length: dwelt.samples.first().map_or(0, Vec::len),
            samples: dwelt.samples,
            applied_frequency: dwelt.applied,
            start_frequency: dwelt.start,
            drive: point.drive(),
            settle: point.settle_time(&self.setup, point.dwell_from),
            settled_error: point.settled_error,
            temperature: self.room.temperature(),
            estimate: dwelt.estimate,
            findings: found,
        };
        if let Some(seen) = measurement
            .acceleration(self.setup.job.reference.column, self.setup.sensitivity_near(point.frequency).si())
        {
            self.model.learn(point.frequency, measurement.drive, seen, 1e-4);
            point.measured(seen);
        }
        let end = PointEnd::Measured(measurement);
        if self.is_verifying() && !again {
            self.disagrees = self.speaks_against(&end);
        }
        self.end_point(end, again, out);
    }

    /// Whether the dwell that just ended is done once more: as often as the plan says, and once if something was found
    /// against it that is not known to stay.
    fn again(&mut self, found: &[Finding]) -> bool {
        let State::Point(point) = &mut self.state else {
            return false;
        };
        let before = std::mem::replace(&mut point.suspected, found.iter().map(|f| f.column).collect());
        let twice = found.iter().filter(|f| before.contains(&f.column));
        self.learned.confirmed.extend(twice.map(|f| (f.kind, f.column)));
        if !point.retried && !self.learned.is_confirmed(found) {
            point.retried = true;
            return true;
        }
        let wanted = self.setup.job.points.get(point.point).map_or(1, |p| p.repeats);
        !point.is_beside() && point.repeat + 1 - u32::from(point.retried) < wanted
    }

    pub(super) fn seen(&self, point: usize, amplitude: Accel<Peak>, out: &mut Vec<Action>) {
        let target = self.setup.job.points.get(point).map_or(Accel::ZERO, |p| p.target);
        out.push(Action::Tell(Event::Amplitude { point, amplitude, target }));
    }

    pub(super) fn not_settled(&self, number: usize, last: Accel<Peak>) -> Finding {
        let target = self.setup.job.points.get(number).map_or(0.0, |p| p.target.si());
        let message = format!(
            "the amplitude reached {} of {} pk within {} but did not settle. The amplifier may be at its limit, its gain \
             low, or the reference noisy.",
            engineering(last.si(), "m/s²"),
            engineering(target, "m/s²"),
            engineering(self.setup.job.plan.settle_limit.si(), "s")
        );
        Finding::beyond(FindingKind::NotSettled, None, last.si(), target, "mps2", message)
    }

    /// Ends the current point without a measurement and goes on.
    pub(super) fn unreached(&mut self, mut finding: Finding, out: &mut Vec<Action>) {
        let State::Point(point) = &self.state else { return };
        if point.substitutes() {
            finding.message = format!("with the reference in the sensors' channels {}", finding.message);
        }
        let end = PointEnd::Unreached {
            point: point.point,
            repeat: point.repeat,
            closing: point.is_beside(),
            settle: point.settle_time(&self.setup, self.end),
            finding,
        };
        if self.is_verifying() {
            self.disagrees = self.speaks_against(&end);
        }
        self.end_point(end, false, out);
    }

    /// True if a dwell of this point may be done once more for what was found against it.
    pub(super) fn may_retry(&mut self) -> bool {
        let State::Point(point) = &mut self.state else { return false };
        !std::mem::replace(&mut point.retried, true)
    }

    fn end_point(&mut self, end: PointEnd, again: bool, out: &mut Vec<Action>) {
        if let State::Point(point) = std::mem::replace(&mut self.state, State::Idle) {
            self.state = State::StoringPoint(point, again);
            out.push(Action::StorePoint(Box::new(end)));
        }
    }

    /// The record of a point is durable: once more, or on to the next.
    pub(super) fn point_stored(&mut self, mut point: PointRun, again: bool, out: &mut Vec<Action>) {
        if again && self.tone.is_none() {
            return self.once_more_from_rest(point, out);
        }
        if again {
            let start = point.frequency * self.learned.clock();
            point.again(&self.setup, &self.standing(point.point), self.end, start);
            self.state = State::Point(Box::new(point));
            return;
        }
        let frequency = point.frequency;
        let goal = match point.is_closing() && self.is_verifying() {
            true => self.verified(out),
            false => Some(self.after(&point)),
        };
        if let Some(goal) = goal {
            self.go(goal, frequency, point.is_beside(), out);
        }
    }

    /// Overloads of the sensors' channels are judged on these columns only: what another shows there means nothing. That of
    /// a sensor with built-in electronics may be its line that opened, and costs the sensor its point, not the run.
    pub(super) fn spare_all_but(&mut self, judged: &[usize]) {
        let sensors = self.setup.job.sensors.iter();
        let spared = sensors.filter(|s| s.sensor.kind == SensorKind::Iepe || !judged.contains(&s.column));
        self.interlock.spare(spared.map(|s| s.column).collect());
    }

    /// What comes after a point: the next that somebody takes, the closing one, or rest.
    fn after(&self, point: &PointRun) -> Goal {
        let order = &self.setup.order;
        let at = order.iter().position(|n| *n == point.point).unwrap_or(order.len());
        match point.purpose {
            Purpose::Measure => {}
            Purpose::Close => return Goal::Rest,
            Purpose::Substitute => return self.after_substitution(at),
            Purpose::SubstituteAgain => return Goal::Return,
        }
        match self.missing_from(at + 1) {
            Some(next) => Goal::Point(next),
            None if self.setup.closes() => Goal::Closing,
            None => Goal::Rest,
        }
    }

    /// The first position of the order, from this one on, at which somebody takes the point.
    pub(super) fn taken_from(&self, position: usize) -> Option<usize> {
        let order = &self.setup.order;
        (position..order.len()).find(|n| order.get(*n).is_some_and(|n| self.is_taken(*n)))
    }

    /// True if a sensor that is still in the run takes a point, or if nobody but witnesses is mounted.
    fn is_taken(&self, point: usize) -> bool {
        self.setup.job.sensors.is_empty() || self.standing(point).sensors().next().is_some()
    }

    /// Frequency of a goal; `None` for rest.
    fn frequency_of(&self, goal: Goal) -> Option<Hertz> {
        let position = match goal {
            Goal::Identify if self.substitutes => self.taken_from(0)?,
            Goal::Identify | Goal::Closing => self.first_position()?,
            Goal::Point(position) | Goal::Substitute(position) => position,
            Goal::SubstituteAgain => self.taken_from(0)?,
            Goal::Rest | Goal::Return => return None,
        };
        let number = *self.setup.order.get(position)?;
        self.setup.job.points.get(number).map(|p| p.frequency)
    }

    /// Goes from a tone to the next goal: straight on at the same frequency, by way of zero to any other and to a pause.
    pub(super) fn go(&mut self, goal: Goal, from: Hertz, waiting: bool, out: &mut Vec<Action>) {
        if self.room.out().is_none() && self.frequency_of(goal).is_some_and(|f| self.asked == Some(f)) {
            return self.go_to(goal, out);
        }
        self.asked = None;
        self.state = State::Leaving { frequency: from, goal, until: None, waiting };
        self.interlock.commanded();
        out.push(Action::SourceOff { over: self.setup.plant.transition(from) });
    }

    /// The source is at zero.
    pub(super) fn left(&mut self, goal: Goal, out: &mut Vec<Action>) {
        self.interlock.watch(None);
        self.go_to(goal, out);
    }

    /// Goes to a goal from rest or from a tone of its frequency; a motion has what comes before every motion first.
    pub(super) fn go_to(&mut self, goal: Goal, out: &mut Vec<Action>) {
        match goal {
            Goal::Rest => self.begin_quiet(QuietTime::After, self.end, out),
            Goal::Return => self.exchange(Cable::SensorsToChannels, out),
            Goal::Identify | Goal::Point(_) | Goal::Closing | Goal::Substitute(_) | Goal::SubstituteAgain => {
                self.before(Next::Go(goal), out)
            }
        }
    }

    /// Begins the motion of a goal.
    pub(super) fn move_to(&mut self, goal: Goal, out: &mut Vec<Action>) {
        match goal {
            Goal::Identify => self.identify(out),
            Goal::Point(position) => self.begin_point(position, Purpose::Measure, out),
            Goal::Closing => match self.first_position() {
                Some(first) => self.begin_point(first, Purpose::Close, out),
                None => self.go_to(Goal::Rest, out),
            },
            Goal::Substitute(position) => self.begin_point(position, Purpose::Substitute, out),
            Goal::SubstituteAgain => match self.taken_from(0) {
                Some(first) => self.begin_point(first, Purpose::SubstituteAgain, out),
                None => self.go_to(Goal::Return, out),
            },
            Goal::Rest | Goal::Return => self.go_to(goal, out),
        }
    }

    fn begin_point(&mut self, position: usize, purpose: Purpose, out: &mut Vec<Action>) {
        let setup = &self.setup;
        let number = setup.order.get(position).copied();
        let found = number.and_then(|n| Some((n, setup.job.points.get(n)?, setup.forecasts.get(n)?)));
        let Some((number, wanted, forecast)) = found else {
            return self.stop(Outcome::Done, out);
        };
        let Some((sensitivity, _)) = setup.reference_at(wanted.frequency) else {
            let text = format!("point {} has no reference sensitivity", number + 1);
            out.push(Action::Tell(Event::Failure(text)));
            return self.stop(Outcome::Failed, out);
        };
        let displacement = wanted.target.displacement_at(wanted.frequency);
        let aim = Aim {
            target: wanted.target,
            frequency: wanted.frequency,
            band: setup.job.plan.settle_band.si(),
            dwell: Seconds::new(f64::from(wanted.dwell_cycles) / wanted.frequency.si()),
            overshoot: overshoot_allowed(displacement, setup.job.rig.shaker.rated_stroke),
            ceiling: forecast.ceiling.drive,
            exponent: self.model.plant().exponent(wanted.frequency, wanted.target),
        };
        let approach = Approach::new(aim, self.model.drive_for(wanted.frequency, wanted.target));
        let (frequency, ceiling) = (wanted.frequency, forecast.ceiling);
        let begun = PointRun::new(setup, (number, purpose), self.end, approach, sensitivity.si());
        let Some(mut point) = begun else {
            return self.stop(Outcome::Done, out);
        };
        self.taken_up(&mut point);
        let drive = point.drive();
        let judged: Vec<usize> = self.standing(number).sensors().map(|s| s.column).collect();
        // What the sensors' channels show of the reference is looked at when its dwell is over.
        self.spare_all_but(if point.substitutes() { &[] } else { &judged });
        self.state = State::Point(Box::new(point));
        out.push(Action::Tell(match purpose {
            Purpose::Measure | Purpose::Substitute => Event::PointBegins(number),
            Purpose::Close | Purpose::SubstituteAgain => Event::ClosingBegins(number),
        }));
        if self.leave(ceiling, out) {
            self.watch(frequency, true);
            self.command(frequency, drive, out);
        }
    }

    pub(super) fn command(&mut self, frequency: Hertz, drive: Volts<Peak>, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        let allowed = self.interlock.drive(drive, &mut orders);
        carry_out(orders, out);
        if allowed {
            let from = self.tone.filter(|_| self.asked == Some(frequency)).unwrap_or(Volts::ZERO);
            self.asked = Some(frequency);
            let over = self.setup.plant.transition_between(frequency, from, drive);
            self.interlock.commanded();
            out.push(Action::SetTone { frequency, amplitude: drive, over });
        } else if let Some(trip) = self.trip().cloned() {
            self.tripped(trip, out);
        }
    }

    /// The source acknowledged a setting: what should be seen of it.
    pub(super) fn told(
        &mut self,
        frequency: Hertz,
        drive: Volts<Peak>,
        effective: Effective,
        out: &mut Vec<Action>,
    ) {
        let first = matches!(&self.state, State::Probing(probe) if probe.is_first_motion());
        let foreseen = (!first && drive.si() > 0.0).then(|| self.model.acceleration_at(frequency, drive));
        let one = Accel::new(1.0);
        let told = Told {
            frequency,
            drive,
            from: effective.not_after + self.setup.samples(self.setup.plant.settling_time()),
            foreseen,
            sensitivity: self.setup.sensitivity_near(frequency),
            zero: self.zero_of_reference(),
            current_per_acceleration: self.setup.plant.need(frequency, one).current.si(),
            others: self.others(frequency),
        };
        let mut orders = Vec::new();
        self.interlock.told(told, &mut orders);
        self.tripped_by(orders, out);
    }

    /// Carries out what the interlock wants after it was told something, and goes the way out if it tripped by that.
    fn tripped_by(&mut self, orders: Vec<Order>, out: &mut Vec<Action>) {
        let tripped = orders.contains(&Order::Withdraw);
        carry_out(orders, out);
        if let Some(trip) = self.trip().filter(|_| tripped).cloned() {
            self.tripped(trip, out);
        }
    }

    /// Trips for a reason that the run itself found.
    pub(super) fn latch(&mut self, trip: Trip, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        self.interlock.latch(trip, &mut orders);
        self.tripped_by(orders, out);
    }
}
