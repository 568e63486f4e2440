//! The run machine: its state, what reaches it, and what follows.

mod points;
mod ways_out;

use super::collect::Collector;
use super::input::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Stored, Target,
};
use super::point::PointRun;
use super::quiet::{LISTEN, QuietRecord};
use super::recent::Recent;
use super::setup::Setup;
use super::stopping::Stopping;
use crate::block::BlockView;
use crate::interlock::{Ceiling, Interlock, Order, Trip, TripReason};
use plan_schema::units::{Celsius, Hertz, Mono, Rms, SampleIndex, Seconds, Volts, VoltsDc};

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
        frequency: Hertz,
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
    /// Time of the input that is worked on.
    now: Mono,
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
            now: Mono(0),
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
        self.now = now;
        let before = self.trip().map(|t| t.reason);
        self.guard(now, &input, out);
        if let Some(trip) = self.trip().filter(|t| Some(t.reason) != before).cloned() {
            // The input still counts: it may be the proof that is waited for.
            self.tripped(trip, out);
        }
        match input {
            Input::Started => self.started(out),
            Input::Block(block) => self.block(&block, out),
            Input::Replied(reply, effective) => self.replied(reply, effective, out),
            Input::Failed { instrument, detail, consequence } => {
                self.failed(&instrument, &detail, consequence, out);
            }
            Input::MakeSafeFailed { target, .. } => self.proved(target, self.end, out),
            Input::Stored(what) => self.stored(what, out),
            Input::StoreFailed(detail) => {
                out.push(Action::Tell(Event::Failure(format!("a record could not be written: {detail}"))));
                self.stop(Outcome::Failed, out);
            }
            Input::Operator(Operator::Cancel) => self.stop(Outcome::Cancelled, out),
            Input::Operator(Operator::Stop) => {
                self.stop(Outcome::Cancelled, out);
                if let State::Stopping(stopping) = &mut self.state {
                    stopping.hurry();
                }
                self.advance(out);
            }
            Input::Ambient { temperature, .. } => self.temperature = Some(temperature),
            Input::Contacts { .. } | Input::Amplifier { .. } | Input::Tick => self.advance(out),
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
            Input::Contacts { emergency_stop_closed } => {
                lock.contacts(now, *emergency_stop_closed, &mut orders)
            }
            Input::Amplifier { fault, muted } => {
                let name = self.setup.job.rig.roles.amplifier.clone();
                lock.amplifier(&name, *fault, *muted, self.live, &mut orders);
            }
            Input::Failed { instrument, detail, consequence: Consequence::Trip } => {
                let message =
                    format!("{detail}. Check the instrument '{instrument}' and its link, then acknowledge.");
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

    fn block(&mut self, block: &BlockView<'_>, out: &mut Vec<Action>) {
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
            State::Leaving { next, until: Some(until), .. } if *until <= block.end() => {
                let next = *next;
                self.left(next, out);
            }
            State::Stopping(_) => self.advance(out),
            State::Idle
            | State::Unmuting
            | State::StoringQuiet(_)
            | State::StoringPoint(..)
            | State::Leaving { .. }
            | State::Done => {}
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
                    let frequency = point.frequency;
                    self.state = State::Leaving { frequency, next, until: None };
                    out.push(Action::SourceOff { over: self.setup.plant.transition(frequency) });
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

    fn replied(&mut self, reply: Reply, effective: Effective, out: &mut Vec<Action>) {
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
            (Reply::SourceOff, State::Stopping(stopping)) => stopping.ramped(effective.not_after),
            (Reply::MadeSafe(target), State::Stopping(_)) => {
                if target == Target::Amplifier {
                    self.live = false;
                }
                self.proved(target, effective.not_after, out);
            }
            // A reply to something that is no longer wanted: a trip came in between.
            _ => {}
        }
    }
}

fn carry_out(orders: Vec<Order>, out: &mut Vec<Action>) {
    out.extend(orders.into_iter().map(|order| match order {
        Order::Withdraw => Action::Withdraw,
        Order::Grant(drive) => Action::Grant(drive),
    }));
}
