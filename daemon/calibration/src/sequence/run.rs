//! The run machine: its state, what reaches it, and what follows.

mod before_motion;
mod channel_ratio;
mod foretold;
mod opening;
mod paused;
mod points;
mod resumed;
mod seen;
mod substitution;
mod unkept;
mod ways_out;

use super::collect::Collector;
use super::first_motion::FirstMotion;
use super::input::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Stored, Target,
};
use super::permissives::Permissives;
use super::point::PointRun;
use super::probe::Probe;
use super::quality::Standing;
use super::quiet::QuietRecord;
use super::recent::Recent;
use super::room::Room;
use super::setup::Setup;
use super::soak::Soak;
use super::stopping::Stopping;
use super::warning::Warning;
use crate::block::BlockView;
use crate::control::PlantModel;
use crate::interlock::{Ceiling, Interlock, Order, StrokeMonitor, Trip, TripReason};
use before_motion::Gate;
use channel_ratio::RatioRun;
use plan_schema::units::{Displacement, Hertz, Mono, Peak, SampleCount, SampleIndex, Seconds, Volts};
use points::{Goal, Learned};
pub use resumed::Resumed;
pub use seen::{Part, Seen};
use substitution::Exchange;
use unkept::Unkept;

#[derive(Debug, Clone)]
enum State {
    Idle,
    Soaking(Soak),
    /// Something has to come before the armature may move.
    Waiting(Gate),
    /// One voltage goes into all channels.
    Channels(Box<RatioRun>),
    /// Reference and sensors are exchanged at the sensors' channels.
    Exchange(Exchange),
    Unmuting,
    Quiet(QuietTime, Collector),
    StoringQuiet(QuietTime),
    Probing(Box<Probe>),
    /// The first motion's record is being made durable.
    StoringFirstMotion(Box<FirstMotion>),
    Point(Box<PointRun>),
    /// A point's record is being made durable; what comes after it is decided then.
    StoringPoint(Box<PointRun>, bool),
    /// A record can't be made durable yet: nothing is driven meanwhile.
    Unkept(Unkept),
    /// The source goes to zero before a tone of another frequency or the closing quiet part.
    Leaving {
        frequency: Hertz,
        goal: Goal,
        until: Option<SampleIndex>,
        /// It ends a wait that was foreseen.
        waiting: bool,
    },
    Stopping(Stopping),
    Done,
}

/// One execution of a job.
#[derive(Debug, Clone)]
pub struct Run {
    setup: Setup,
    interlock: Interlock,
    stroke: StrokeMonitor,
    permissives: Permissives,
    warning: Warning,
    state: State,
    live: bool,
    /// Time of the input that is worked on.
    now: Mono,
    /// Index of the sample after the last one seen.
    end: SampleIndex,
    /// The quiet part before the first motion, without its samples.
    rest: Option<QuietRecord>,
    /// Sensors that the first motion sent out of the run.
    excluded: Vec<bool>,
    /// True if the source starts a tone from 0 V at phase zero.
    starts_at_zero: bool,
    model: PlantModel,
    learned: Learned,
    /// Amplitude of the tone in force, as applied; `None` at 0 V.
    tone: Option<Volts<Peak>>,
    /// Frequency that was asked for last; a source has steps and may apply another.
    asked: Option<Hertz>,
    room: Room,
    /// Since when a pause is under way, for the room's sake.
    paused: Option<Mono>,
    /// What a pause gave up, until it begins anew.
    given_up: Option<Box<PointRun>>,
    /// Time spent in waits that were foreseen.
    waited: SampleCount,
    /// Why somebody has to look before anything else is run.
    hold: Option<String>,
    /// Why the run did not begin.
    refused: Option<String>,
    recent: Recent,
    /// The first point of the run that this one goes on with was looked at once more.
    verified: bool,
    /// What that look said against going on.
    disagrees: Option<String>,
    /// Largest displacement of the last block that the observer can't rule out.
    judged: Option<Displacement<Peak>>,
    /// True once the amplifier answered after a trip, and until when that is waited for.
    answered: bool,
    asked_until: Option<Mono>,
    /// The source is connected to the channels in place of the amplifier, or the reference in place of the sensors; or may be.
    routed: bool,
    /// Points are run with the reference in the sensors' channels.
    substitutes: bool,
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
            stroke: setup.stroke_monitor(),
            permissives: Permissives::of(&setup.job.rig),
            warning: Warning::of(&setup.job.rig),
            state: State::Idle,
            live: false,
            now: Mono(0),
            end: SampleIndex(0),
            rest: None,
            excluded: vec![false; setup.job.sensors.len()],
            starts_at_zero: false,
            model: PlantModel::new(&setup.plant),
            learned: Learned::default(),
            tone: None,
            asked: None,
            room: Room::new(setup.job.plan.ambient.clone()),
            paused: None,
            given_up: None,
            waited: SampleCount(0),
            hold: None,
            refused: None,
            recent: Recent::new(setup.job.columns.len(), keep),
            judged: None,
            verified: false,
            disagrees: None,
            answered: false,
            asked_until: None,
            routed: false,
            substitutes: false,
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

    /// What watches the stroke.
    #[must_use]
    pub fn stroke(&self) -> &StrokeMonitor {
        &self.stroke
    }

    /// Time spent in waits that were foreseen: soak, quiet parts, first motion, closing point, decays.
    #[must_use]
    pub fn waited(&self) -> Seconds {
        self.waited.duration(self.setup.job.rig.acquisition.rate)
    }

    /// Why somebody has to look before anything else is run on this rig.
    #[must_use]
    pub fn hold(&self) -> Option<&str> {
        self.hold.as_deref()
    }

    /// Why it did not begin: a permissive that was not there, and what to do.
    #[must_use]
    pub fn refused(&self) -> Option<&str> {
        self.refused.as_deref()
    }

    /// True if the door of a guard was open at some time: leave to move has to be given anew.
    #[must_use]
    pub fn guard_opened(&self) -> bool {
        self.permissives.guard_opened()
    }

    /// True once everything is at rest and recorded.
    #[must_use]
    pub fn is_done(&self) -> bool {
        matches!(self.state, State::Done)
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
            Input::Started { starts_at_zero } => self.started(starts_at_zero, out),
            Input::Block(block) => self.block(&block, out),
            Input::Replied(reply, effective) => self.replied(reply, effective, out),
            Input::Failed { instrument, detail, consequence } => {
                self.failed(&instrument, &detail, consequence, out);
            }
            Input::MakeSafeFailed { target, .. } => self.proved(target, self.end, out),
            Input::Stored(what) => self.stored(what, out),
            Input::StoreWaits(detail) => self.unkept(detail, out),
            Input::StoreFailed(detail) => {
                out.push(Action::Tell(Event::Failure(format!("a record could not be written: {detail}"))));
                self.stop(Outcome::Failed, out);
            }
            Input::Operator(Operator::Cancel) => self.stop(Outcome::Cancelled, out),
            Input::Operator(Operator::Stop) => {
                self.stop(Outcome::Cancelled, out);
                if let State::Stopping(stopping) = &mut self.state {
                    stopping.hurry(&self.setup.job.rig, None);
                }
                self.advance(out);
            }
            Input::Confirmed { name } => self.confirmed(name, out),
            Input::Ambient { temperature, humidity } => {
                self.room.read(now, temperature, humidity);
                if let State::Soaking(soak) = &mut self.state {
                    soak.read(now, temperature);
                }
            }
            Input::Contacts { .. } | Input::Amplifier { .. } | Input::Tick => {}
        }
        self.watch_the_room(out);
        self.soaked(out);
        self.waited_for(out);
        self.kept(out);
        self.ratio_waits(out);
        self.exchange_waits(out);
        self.advance(out);
        self.still(out);
    }

    fn guard(&mut self, now: Mono, input: &Input<'_>, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        let lock = &mut self.interlock;
        match input {
            Input::Started { .. } => lock.started(now),
            Input::Block(block) => {
                self.recent.push(block);
                let mut largest = None;
                let seen = self.stroke.look(block, |_, observed| {
                    let beyond = observed.estimate.si().abs() + observed.bound.si();
                    largest = Some(largest.map_or(beyond, |l: f64| l.max(beyond)));
                });
                self.judged = largest.filter(|l| l.is_finite()).map(Displacement::new);
                lock.block_with_stroke(now, block, seen, &mut orders);
            }
            Input::Contacts { emergency_stop_closed, inputs } => {
                lock.contacts(now, *emergency_stop_closed, &mut orders);
                let driving = lock.may_drive();
                if let Some(trip) = self.permissives.read(now, inputs, driving) {
                    lock.latch(trip, &mut orders);
                }
            }
            Input::Amplifier { fault, muted } => {
                let name = self.setup.job.rig.roles.amplifier.clone();
                self.answered |= lock.trip().is_some();
                lock.amplifier(&name, *fault, *muted, self.live, &mut orders);
                if let Some(trip) = self.lives_in_spite(*muted) {
                    self.interlock.latch(trip, &mut orders);
                }
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
            | Input::StoreWaits(_)
            | Input::StoreFailed(_)
            | Input::Operator(_)
            | Input::Confirmed { .. }
            | Input::Tick => {}
        }
        // Silence is judged at every input, whatever it is about.
        self.interlock.tick(now, &mut orders);
        carry_out(orders, out);
    }

    /// Asks the interlock for leave up to a ceiling.
    fn leave(&mut self, ceiling: Ceiling, out: &mut Vec<Action>) -> bool {
        let mut orders = Vec::new();
        let given = self.interlock.ask(ceiling, &mut orders);
        self.stroke.allow(ceiling.stroke);
        carry_out(orders, out);
        given
    }

    /// What a dwell of a point is judged by.
    fn standing(&self, point: usize) -> Standing<'_> {
        Standing { job: &self.setup.job, point, rest: self.rest.as_ref(), excluded: &self.excluded }
    }

    fn block(&mut self, block: &BlockView<'_>, out: &mut Vec<Action>) {
        self.end = block.end();
        if self.is_foreseen_wait() {
            self.waited += SampleCount(block.frames() as u64);
        }
        match &mut self.state {
            State::Quiet(when, collector) => {
                let when = *when;
                if let Some((first, samples)) = collector.take(block) {
                    let job = &self.setup.job;
                    let (rate, mains) = (job.rig.acquisition.rate, job.rig.mains_frequency);
                    self.quiet_done(QuietRecord::of(when, first, samples, rate, mains), out);
                }
            }
            State::Probing(probe) => {
                let probed = probe.block(&self.setup, block);
                self.probed(probed, out);
            }
            State::Point(point) => {
                let standing = Standing {
                    job: &self.setup.job,
                    point: point.point,
                    rest: self.rest.as_ref(),
                    excluded: &self.excluded,
                };
                let wish = point.block(&self.setup, &standing, self.learned.clock(), block);
                self.wish(wish, out);
            }
            State::Leaving { goal, until: Some(until), .. } if *until <= block.end() => {
                let goal = *goal;
                self.left(goal, out);
            }
            State::Channels(_) => self.ratio_block(block, out),
            State::Idle
            | State::Exchange(_)
            | State::Soaking(_)
            | State::Waiting(_)
            | State::Unmuting
            | State::StoringQuiet(_)
            | State::StoringFirstMotion(_)
            | State::StoringPoint(..)
            | State::Unkept(_)
            | State::Leaving { .. }
            | State::Stopping(_)
            | State::Done => {}
        }
    }

    /// A record is durable: only now may the next thing begin.
    fn stored(&mut self, what: Stored, out: &mut Vec<Action>) {
        if let State::Unkept(unkept) = &mut self.state {
            return unkept.stored(what);
        }
        match (std::mem::replace(&mut self.state, State::Idle), what) {
            (State::StoringQuiet(QuietTime::Before), Stored::Quiet(_)) => self.open(out),
            (State::StoringQuiet(QuietTime::After), Stored::Quiet(_)) => self.closed(out),
            (State::StoringFirstMotion(motion), Stored::FirstMotion) => self.opened(motion, out),
            (State::StoringPoint(point, again), Stored::Point | Stored::RatioTone) => {
                self.point_stored(*point, again, out)
            }
            (state, what) => {
                self.state = state;
                self.ratio_stored(what, out);
                self.exchange_stored(what);
            }
        }
    }

    fn replied(&mut self, reply: Reply, effective: Effective, out: &mut Vec<Action>) {
        match (reply, &mut self.state) {
            (Reply::Unmuted, State::Unmuting) => {
                self.live = true;
                let rest = effective.not_after + self.setup.samples(self.setup.plant.settling_time());
                match self.substitutes {
                    false => self.begin_quiet(QuietTime::Before, rest, out),
                    true => self.comes_to_rest(rest),
                }
            }
            (reply, State::Channels(_)) => self.ratio_replied(reply, effective, out),
            (reply, State::Exchange(_)) => self.exchange_replied(reply, out),
            (Reply::Warned, State::Waiting(gate)) => gate.warned(self.now),
            (Reply::Tone { frequency, amplitude, way }, _) => {
                self.tone = Some(amplitude);
                let moving = matches!(self.state, State::Point(_) | State::Probing(_));
                let way_samples = self.setup.samples(way);
                self.foretold(frequency, amplitude, way_samples, effective);
                match &mut self.state {
                    State::Point(point) => point.applied(&self.setup, frequency, amplitude, effective),
                    State::Probing(probe) => {
                        let way = self.setup.samples(way).0;
                        probe.applied(&self.setup, (frequency, amplitude), way, effective);
                    }
                    // A reply to something that is no longer wanted: a trip came in between.
                    _ => {}
                }
                if moving {
                    self.told(frequency, amplitude, effective, out);
                }
            }
            (Reply::SourceOff, State::Leaving { until, goal, frequency, .. }) => {
                self.tone = None;
                *until = Some(effective.not_after + goal.rest(&self.setup));
                let frequency = *frequency;
                self.foretold_off(frequency, effective);
                self.told(frequency, Volts::ZERO, effective, out);
            }
            (Reply::SourceOff, State::Unkept(unkept)) => {
                self.tone = None;
                if let Some(frequency) = unkept.at_zero(effective.not_after + Goal::Rest.rest(&self.setup)) {
                    self.foretold_off(frequency, effective);
                    self.told(frequency, Volts::ZERO, effective, out);
                }
            }
            (Reply::SourceOff, State::Stopping(stopping)) => {
                stopping.ramped(effective.not_after);
                if let Some(frequency) = self.asked {
                    self.foretold_off(frequency, effective);
                }
            }
            (Reply::MadeSafe(target), State::Stopping(_)) => {
                if target == Target::Amplifier {
                    self.live = false;
                }
                self.proved(target, effective.not_after, out);
            }
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
