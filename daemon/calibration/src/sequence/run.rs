//! The run machine.

use super::collect::Collector;
use super::input::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Stored, Target,
};
use super::measure::{Finding, FindingKind, Measurement, PointEnd, measure};
use super::point::{PointRun, Wish};
use super::quiet::{LISTEN, QuietRecord};
use super::recent::Recent;
use super::setup::Setup;
use super::stopping::{Stage, Stopping};
use crate::block::BlockView;
use crate::interlock::{Ceiling, Interlock, Order, Trip, TripReason, Watch};
use plan_schema::units::{Accel, Celsius, Mono, Peak, Rms, SampleIndex, Seconds, Volts, VoltsDc, engineering};

#[derive(Debug, Clone)]
enum State {
    Idle,
    Unmuting,
    Quiet(QuietTime, Collector),
    StoringQuiet(QuietTime),
    Point(Box<PointRun>),
    /// A point's record is being made durable; what comes after it is decided then.
    StoringPoint(Box<PointRun>, bool),
    /// The source goes to zero before the next tone or the closing quiet part.
    Leaving {
        next: Option<usize>,
        until: Option<SampleIndex>,
    },
    Stopping(Stopping),
    Done,
}

/// One execution of a job.
#[derive(Debug, Clone)]
pub struct Run {
    setup: Setup,
    interlock: Interlock,
    state: State,
    live: bool,
    /// Index of the sample after the last one seen.
    end: SampleIndex,
    zero: VoltsDc,
    noise: Volts<Rms>,
    /// Measured over foreseen response, from the last point that settled.
    correction: Option<f64>,
    temperature: Option<Celsius>,
    recent: Recent,
}

/// Waveforms kept from before a trip.
const KEEP: Seconds = Seconds::new(2.0);

impl Run {
    /// A run that has not begun.
    #[must_use]
    pub fn new(setup: Setup) -> Self {
        let keep = usize::try_from(setup.samples(KEEP).0).unwrap_or(0);
        Self {
            interlock: setup.interlock(),
            state: State::Idle,
            live: false,
            end: SampleIndex(0),
            zero: VoltsDc::ZERO,
            noise: Volts::ZERO,
            correction: None,
            temperature: None,
            recent: Recent::new(setup.job.columns.len(), keep),
            setup,
        }
    }

    /// What was known before it began.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// The trip, if it tripped.
    #[must_use]
    pub fn trip(&self) -> Option<&Trip> {
        self.interlock.trip()
    }

    /// True once everything is at rest and recorded.
    #[must_use]
    pub fn is_done(&self) -> bool {
        matches!(self.state, State::Done)
    }

    /// True while a failure would meet a moving armature, and whether it is measured then.
    #[must_use]
    pub fn motion(&self) -> Option<bool> {
        match &self.state {
            State::Point(point) => Some(point.measuring()),
            State::StoringPoint(..) | State::Leaving { .. } => Some(false),
            State::Idle
            | State::Unmuting
            | State::Quiet(..)
            | State::StoringQuiet(_)
            | State::Stopping(_)
            | State::Done => None,
        }
    }

    /// True on the way out.
    #[must_use]
    pub fn is_stopping(&self) -> bool {
        matches!(self.state, State::Stopping(_))
    }

    /// Takes one input and says what to do. The interlock is evaluated before anything else.
    pub fn step(&mut self, now: Mono, input: Input<'_>, out: &mut Vec<Action>) {
        if matches!(self.state, State::Done) {
            return;
        }
        let tripped_before = self.trip().is_some();
        self.guard(now, &input, out);
        if !tripped_before && let Some(trip) = self.trip().cloned() {
            self.tripped(trip, out);
            return;
        }
        match input {
            Input::Started => self.started(out),
            Input::Block(block) => self.block(now, &block, out),
            Input::Replied(reply, effective) => self.replied(now, reply, effective, out),
            Input::Failed { instrument, detail, consequence } => {
                self.failed(&instrument, &detail, consequence, out);
            }
            Input::MakeSafeFailed { target, .. } => self.proved(now, target, self.end, out),
            Input::Stored(what) => self.stored(what, out),
            Input::StoreFailed(detail) => {
                out.push(Action::Tell(Event::Failure(format!("a record could not be written: {detail}"))));
                self.stop(Outcome::Failed, out);
            }
            Input::Operator(Operator::Cancel | Operator::Stop) => self.stop(Outcome::Cancelled, out),
            Input::Ambient { temperature, .. } => self.temperature = Some(temperature),
            Input::Contacts { .. } | Input::Amplifier { .. } | Input::Tick => self.tick(now, out),
        }
    }

    fn guard(&mut self, now: Mono, input: &Input<'_>, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        let lock = &mut self.interlock;
        match input {
            Input::Started => lock.started(now),
            Input::Block(block) => {
                self.recent.push(block);
                lock.block(now, block, &mut orders);
            }
            Input::Contacts { emergency_stop_closed } => lock.contacts(now, *emergency_stop_closed, &mut orders),
            Input::Amplifier { fault, muted } => {
                let name = self.setup.job.rig.roles.amplifier.clone();
                lock.amplifier(&name, *fault, *muted, self.live, &mut orders);
            }
            Input::Failed { instrument, detail, consequence: Consequence::Trip } => {
                let message = format!("{detail}. Check the instrument '{instrument}' and its link, then acknowledge.");
                let trip = Trip {
                    instrument: Some(instrument.clone()),
                    ..Trip::plain(TripReason::DriverLost, message)
                };
                lock.latch(trip, &mut orders);
            }
            Input::MakeSafeFailed { detail, .. } => {
                let message = format!(
                    "an instrument could not be made safe: {detail}. Cut the power of the amplifier by hand, keep clear \
                     of the armature, find the cause, then acknowledge."
                );
                lock.latch(Trip::plain(TripReason::MakeSafeFailed, message), &mut orders);
            }
            Input::Replied(..)
            | Input::Failed { .. }
            | Input::Ambient { .. }
            | Input::Stored(_)
            | Input::StoreFailed(_)
            | Input::Operator(_)
            | Input::Tick => {}
        }
        // Silence is judged at every input, whatever it is about.
        lock.tick(now, &mut orders);
        carry_out(orders, out);
    }

    fn tripped(&mut self, trip: Trip, out: &mut Vec<Action>) {
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
    fn stop(&mut self, outcome: Outcome, out: &mut Vec<Action>) {
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

    fn started(&mut self, out: &mut Vec<Action>) {
        if self.leave(Setup::at_rest(), out) {
            out.push(Action::Unmute);
            self.state = State::Unmuting;
        }
    }

    /// Asks the interlock for leave up to a ceiling.
    fn leave(&mut self, ceiling: Ceiling, out: &mut Vec<Action>) -> bool {
        let mut orders = Vec::new();
        let given = self.interlock.ask(ceiling, &mut orders);
        carry_out(orders, out);
        given
    }

    fn block(&mut self, now: Mono, block: &BlockView<'_>, out: &mut Vec<Action>) {
        self.end = block.end();
        match &mut self.state {
            State::Quiet(when, collector) => {
                let when = *when;
                if let Some((first, samples)) = collector.take(block) {
                    self.quiet_done(QuietRecord::of(when, first, samples), out);
                }
            }
            State::Point(point) => {
                let wish = point.block(&self.setup, block);
                self.wish(wish, out);
            }
            State::Leaving { next, until: Some(until) } if *until <= block.end() => {
                let next = *next;
                self.left(next, out);
            }
            State::Stopping(stopping) => {
                if stopping.braked(now, Some(block.end())) {
                    out.push(Action::MakeSafe(Target::Amplifier));
                }
            }
            State::Idle
            | State::Unmuting
            | State::StoringQuiet(_)
            | State::StoringPoint(..)
            | State::Leaving { .. }
            | State::Done => {}
        }
    }

    fn tick(&mut self, now: Mono, out: &mut Vec<Action>) {
        if let State::Stopping(stopping) = &mut self.state
            && stopping.braked(now, None)
        {
            out.push(Action::MakeSafe(Target::Amplifier));
        }
    }

    fn quiet_done(&mut self, record: QuietRecord, out: &mut Vec<Action>) {
        if record.when == QuietTime::Before
            && let Some(Ok(rest)) = record.columns.get(self.setup.job.reference.column)
        {
            self.zero = rest.mean;
            self.noise = rest.noise_rms;
        }
        self.state = State::StoringQuiet(record.when);
        out.push(Action::StoreQuiet(Box::new(record)));
    }

    fn wish(&mut self, wish: Wish, out: &mut Vec<Action>) {
        let State::Point(point) = &mut self.state else { return };
        let number = point.point;
        match wish {
            Wish::Wait => {}
            Wish::Seen(amplitude) => self.seen(number, amplitude, out),
            Wish::Drive(drive) => {
                let (frequency, last) = (point.frequency, point.last());
                self.seen(number, last, out);
                self.command(frequency, drive, out);
            }
            Wish::Dwell => {
                let settle = point.settle_time(&self.setup, point.dwell_from);
                let foreseen = self.setup.plant.acceleration_per_volt(point.frequency).norm();
                if point.drive().si() > 0.0 {
                    self.correction = Some(point.last().si() / point.drive().si() / foreseen);
                }
                let (amplitude, frequency) = (point.last(), point.frequency);
                self.seen(number, amplitude, out);
                out.push(Action::Tell(Event::DwellBegins { point: number, frequency, settle }));
            }
            Wish::Complete((first_sample, samples)) => {
                let Some(wanted) = self.setup.job.points.get(number) else { return };
                let (estimate, mut findings) = measure(&self.setup.job, wanted, point.frequency, &samples);
                findings.extend(self.setup.ambient_finding(self.temperature));
                let measurement = Measurement {
                    point: number,
                    repeat: point.repeat,
                    first_sample,
                    samples,
                    applied_frequency: point.frequency,
                    drive: point.drive(),
                    settle: point.settle_time(&self.setup, point.dwell_from),
                    temperature: self.temperature,
                    estimate,
                    findings,
                };
                let again = point.repeat + 1 < wanted.repeats;
                self.end_point(PointEnd::Measured(measurement), again, out);
            }
            Wish::GaveUp(last) => {
                let finding = self.not_settled(number, last);
                self.unreached(finding, out);
            }
        }
    }

    fn seen(&self, point: usize, amplitude: Accel<Peak>, out: &mut Vec<Action>) {
        let target = self.setup.job.points.get(point).map_or(Accel::ZERO, |p| p.target);
        out.push(Action::Tell(Event::Amplitude { point, amplitude, target }));
    }

    fn not_settled(&self, number: usize, last: Accel<Peak>) -> Finding {
        let target = self.setup.job.points.get(number).map_or(0.0, |p| p.target.si());
        Finding {
            kind: FindingKind::NotSettled,
            message: format!(
                "the amplitude reached {} of {} pk within {} but did not settle. The amplifier may be at its limit, its \
                 gain low, or the reference noisy.",
                engineering(last.si(), "m/s²"),
                engineering(target, "m/s²"),
                engineering(self.setup.job.plan.settle_limit.si(), "s")
            ),
            value: Some(last.si()),
            limit: Some(target),
            unit: Some("mps2"),
            column: None,
        }
    }

    /// Ends the current point without a measurement and goes on.
    fn unreached(&mut self, finding: Finding, out: &mut Vec<Action>) {
        let State::Point(point) = &self.state else { return };
        let end = PointEnd::Unreached {
            point: point.point,
            repeat: point.repeat,
            settle: point.settle_time(&self.setup, self.end),
            finding,
        };
        self.end_point(end, false, out);
    }

    fn end_point(&mut self, end: PointEnd, again: bool, out: &mut Vec<Action>) {
        if let State::Point(point) = std::mem::replace(&mut self.state, State::Idle) {
            self.state = State::StoringPoint(point, again);
            out.push(Action::StorePoint(Box::new(end)));
        }
    }

    /// A record is durable: only now may the next thing begin.
    fn stored(&mut self, what: Stored, out: &mut Vec<Action>) {
        match (&mut self.state, what) {
            (State::StoringQuiet(QuietTime::Before), Stored::Quiet(_)) => self.begin_point(0, out),
            (State::StoringQuiet(QuietTime::After), Stored::Quiet(_)) => self.stop(Outcome::Done, out),
            (State::StoringPoint(point, again), Stored::Point) => {
                let number = point.point;
                if *again {
                    let mut point = point.clone();
                    point.again(&self.setup, self.end);
                    self.state = State::Point(point);
                } else {
                    let next = number + 1;
                    let next = (next < self.setup.job.points.len()).then_some(next);
                    self.state = State::Leaving { next, until: None };
                    out.push(Action::SourceOff);
                }
            }
            _ => {}
        }
    }

    /// The armature is at rest: the next point, or the closing quiet part.
    fn left(&mut self, next: Option<usize>, out: &mut Vec<Action>) {
        self.interlock.watch(None);
        match next {
            Some(point) => self.begin_point(point, out),
            None => self.begin_quiet(QuietTime::After, self.end, out),
        }
    }

    fn begin_quiet(&mut self, when: QuietTime, from: SampleIndex, out: &mut Vec<Action>) {
        let collector = Collector::new(from, self.setup.samples(LISTEN), self.setup.job.columns.len());
        self.state = State::Quiet(when, collector);
        out.push(Action::Tell(Event::QuietBegins(when)));
    }

    fn begin_point(&mut self, number: usize, out: &mut Vec<Action>) {
        let setup = &self.setup;
        let sensitivity = setup.job.points.get(number).and_then(|p| setup.reference_at(p.frequency));
        let Some((sensitivity, _)) = sensitivity else {
            out.push(Action::Tell(Event::Failure(format!("point {} has no reference sensitivity", number + 1))));
            return self.stop(Outcome::Failed, out);
        };
        let point =
            PointRun::new(setup, number, self.end, self.correction, sensitivity.si(), self.noise);
        let (Some(point), Some(forecast)) = (point, setup.forecasts.get(number)) else {
            return self.stop(Outcome::Done, out);
        };
        let ceiling = forecast.ceiling;
        let (frequency, drive) = (point.frequency, point.drive());
        let watch = Watch { frequency, sensitivity, zero: self.zero };
        self.state = State::Point(Box::new(point));
        out.push(Action::Tell(Event::PointBegins(number)));
        if self.leave(ceiling, out) {
            self.interlock.watch(Some(watch));
            self.command(frequency, drive, out);
        }
    }

    fn command(&mut self, frequency: plan_schema::units::Hertz, drive: Volts<Peak>, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        let allowed = self.interlock.drive(drive, &mut orders);
        carry_out(orders, out);
        if allowed {
            out.push(Action::SetTone { frequency, amplitude: drive });
        } else if let Some(trip) = self.trip().cloned() {
            self.tripped(trip, out);
        }
    }

    fn replied(&mut self, now: Mono, reply: Reply, effective: Effective, out: &mut Vec<Action>) {
        match (reply, &mut self.state) {
            (Reply::Unmuted, State::Unmuting) => {
                self.live = true;
                let rest = effective.not_after + self.setup.samples(self.setup.plant.settling_time());
                self.begin_quiet(QuietTime::Before, rest, out);
            }
            (Reply::Tone { frequency, amplitude }, State::Point(point)) => {
                point.applied(&self.setup, frequency, amplitude, effective);
            }
            (Reply::SourceOff, State::Leaving { until, .. }) => {
                let settle = self.setup.samples(self.setup.plant.settling_time());
                *until = Some(effective.not_after + settle);
            }
            (Reply::MadeSafe(target), State::Stopping(_)) => {
                if target == Target::Amplifier {
                    self.live = false;
                }
                self.proved(now, target, effective.not_after, out);
            }
            // A reply to something that is no longer wanted: a trip came in between.
            _ => {}
        }
    }

    fn proved(&mut self, now: Mono, target: Target, followed: SampleIndex, out: &mut Vec<Action>) {
        let brake = self.setup.samples(self.setup.plant.settling_time()).0;
        let State::Stopping(stopping) = &mut self.state else { return };
        stopping.proved(target, followed, brake, now);
        match stopping.stage {
            Stage::Proving(target) => out.push(Action::MakeSafe(target)),
            Stage::Braking { .. } => {}
            Stage::Over => self.finish(out),
        }
    }

    fn finish(&mut self, out: &mut Vec<Action>) {
        let State::Stopping(stopping) = &self.state else { return };
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

    fn failed(&mut self, instrument: &str, detail: &str, consequence: Consequence, out: &mut Vec<Action>) {
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
                out.push(Action::Tell(Event::Failure(format!("'{instrument}' failed: {detail}"))));
                self.stop(Outcome::Failed, out);
            }
        }
    }
}

impl Setup {
    /// A finding if the temperature is out of the plan's limits.
    fn ambient_finding(&self, temperature: Option<Celsius>) -> Option<Finding> {
        let limits = self.job.plan.ambient.as_ref()?;
        let temperature = temperature?;
        let limit = if temperature < limits.temperature_min {
            limits.temperature_min
        } else if temperature > limits.temperature_max {
            limits.temperature_max
        } else {
            return None;
        };
        Some(Finding {
            kind: FindingKind::AmbientOut,
            message: format!("the temperature was {:.1} °C, the limit is {:.1} °C", temperature.si(), limit.si()),
            value: Some(temperature.si()),
            limit: Some(limit.si()),
            unit: Some("degc"),
            column: None,
        })
    }
}

fn carry_out(orders: Vec<Order>, out: &mut Vec<Action>) {
    out.extend(orders.into_iter().map(|order| match order {
        Order::Withdraw => Action::Withdraw,
        Order::Grant(drive) => Action::Grant(drive),
    }));
}
