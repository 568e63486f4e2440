//! The machine that gives leave, withdraws it, and latches.

use super::ceiling::AboveForeseen;
use super::drive::{Drive, DriveMonitor};
use super::monitor::{Ceiling, Limits, Monitor, Watch};
use super::told::Told;
use super::tones::Tones;
use super::transition::{Event, Order, State, next};
use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use plan_schema::rig::Timing;
use plan_schema::units::{Mono, Peak, SampleIndex, Volts, engineering};

/// Watches everything that may say stop.
#[derive(Debug, Clone)]
pub struct Interlock {
    state: State,
    monitor: Monitor,
    tones: Tones,
    foreseen: AboveForeseen,
    drive: Option<Drive>,
    watch: Option<Watch>,
    timing: Timing,
    last_block: Option<Mono>,
    last_contacts: Option<Mono>,
    contacts_expected: bool,
}

impl Interlock {
    /// An interlock at rest. `contacts` says whether the rig has an emergency-stop input to be read.
    #[must_use]
    pub fn new(
        monitor: Monitor,
        tones: Tones,
        foreseen: AboveForeseen,
        timing: Timing,
        contacts: bool,
    ) -> Self {
        Self {
            state: State::Clear,
            monitor,
            tones,
            foreseen,
            drive: None,
            watch: None,
            timing,
            last_block: None,
            last_contacts: None,
            contacts_expected: contacts,
        }
    }

    /// The same with the channel that shows the drive, where the rig has one.
    #[must_use]
    pub fn monitored(self, monitor: Option<DriveMonitor>) -> Self {
        Self { drive: monitor.map(Drive::new), ..self }
    }

    /// Where it stands.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }

    /// The trip, if it tripped.
    #[must_use]
    pub fn trip(&self) -> Option<&Trip> {
        match &self.state {
            State::Tripped(trip) => Some(trip),
            State::Clear | State::Leave(_) => None,
        }
    }

    /// The ceiling up to which there is leave; `None` without.
    #[must_use]
    pub fn ceiling(&self) -> Option<&Ceiling> {
        match &self.state {
            State::Leave(ceiling) => Some(ceiling),
            State::Clear | State::Tripped(_) => None,
        }
    }

    /// What trips on this rig.
    #[must_use]
    pub fn limits(&self) -> &Limits {
        self.monitor.limits()
    }

    /// Sampling began: blocks and contacts are due from now on.
    pub fn started(&mut self, now: Mono) {
        self.last_block = Some(now);
        self.last_contacts = Some(now);
    }

    /// Sampling ended on purpose: nothing is due any more.
    pub fn ended(&mut self) {
        self.last_block = None;
        self.last_contacts = None;
    }

    /// Asks for leave up to a ceiling. Not given while tripped.
    pub fn ask(&mut self, ceiling: Ceiling, orders: &mut Vec<Order>) -> bool {
        if let Some(drive) = &mut self.drive {
            drive.allow(ceiling.drive);
        }
        self.take(Event::Ask(ceiling), orders);
        self.may_drive()
    }

    /// Gives leave back.
    pub fn give_back(&mut self, orders: &mut Vec<Order>) {
        self.take(Event::GiveBack, orders);
    }

    /// True while leave is given.
    #[must_use]
    pub fn may_drive(&self) -> bool {
        matches!(self.state, State::Leave(_))
    }

    /// Does not judge the overload of these columns from now on: their sensors are out of what they can show.
    pub fn spare(&mut self, columns: Vec<usize>) {
        self.monitor.spare(columns);
    }

    /// Watches for motion at a tone; `None` at rest.
    pub fn watch(&mut self, watch: Option<Watch>) {
        self.watch = watch;
        self.monitor.watch(watch);
        if watch.is_none() {
            self.foreseen.forget();
        }
    }

    /// Watches against the ceiling of the leave that is given, too. `moves` says that a tone is on already; the noise of
    /// the reference at rest is in V rms.
    pub fn foresee(&mut self, moves: bool, noise: f64) {
        if let State::Leave(ceiling) = &self.state {
            self.foreseen.expect(ceiling.acceleration, moves, noise);
        }
    }

    /// A command left for the source: until it is acknowledged nothing is known of the tone.
    pub fn commanded(&mut self) {
        self.tones.commanded();
        if let Some(drive) = &mut self.drive {
            drive.forget();
        }
    }

    /// The source acknowledged a setting.
    pub fn told(&mut self, told: Told, orders: &mut Vec<Order>) {
        self.foreseen.settled(told.from);
        if let Some(drive) = &mut self.drive {
            drive.told(&told);
        }
        let found = self.tones.told(told);
        self.judged(found, orders);
    }

    /// The amplifier is muted, or is about to be: no tone is looked for any more.
    pub fn at_rest(&mut self) {
        self.watch(None);
        self.tones.at_rest();
        if let Some(drive) = &mut self.drive {
            drive.forget();
        }
    }

    /// A drive that the run is about to command. False, and a trip, if it is beyond ceiling or limit.
    pub fn drive(&mut self, drive: Volts<Peak>, orders: &mut Vec<Order>) -> bool {
        let limit = self.limits().drive;
        self.take(Event::Drive { drive, limit }, orders);
        self.may_drive()
    }

    /// Looks at a block.
    pub fn block(&mut self, now: Mono, block: &BlockView<'_>, orders: &mut Vec<Order>) {
        let found = self.look(now, block);
        self.judged(found, orders);
    }

    fn look(&mut self, now: Mono, block: &BlockView<'_>) -> Option<Trip> {
        self.last_block = Some(now);
        let driving = self.may_drive();
        if self.monitor.is_gated() {
            self.foreseen.gap();
            self.tones.gap(block.first_sample);
            if let Some(drive) = &mut self.drive {
                drive.gap(block.first_sample);
            }
        }
        let motion = self.monitor.look(block, driving);
        let tones = &self.tones;
        let foreseen = || {
            let trip = self.watch.and_then(|watch| self.foreseen.look(block, &watch));
            trip.map(|trip| tones.on_reference(trip))
        };
        // The drive itself tells more of a cause than what it makes move.
        let drive = self.drive.as_mut().and_then(|drive| drive.look(block, driving));
        let missing = motion.as_ref().is_some_and(|trip| trip.reason == TripReason::BlocksMissing);
        let seen = if missing { motion } else { drive.or(motion) };
        seen.or_else(foreseen).or_else(|| self.tones.look(block))
    }

    /// Looks at a block of which the stroke monitor said something.
    ///
    /// What an acquisition says itself, and what a tone shows, name a cause; that the motion is another than was foreseen names
    /// none. But a motion that left what was foreseen before it drove a channel to the end of its range is the cause of the
    /// overload, and one that left it before it passed a limit is looked at for why.
    pub fn block_with_stroke(
        &mut self,
        now: Mono,
        block: &BlockView<'_>,
        stroke: Option<Trip>,
        orders: &mut Vec<Order>,
    ) {
        let saturated = self.monitor.first_overload(block);
        let found = self.look(now, block);
        let stroke = stroke.filter(|_| self.may_drive());
        let (found_at, reason) = found.as_ref().map(|trip| (trip.at_sample, trip.reason)).unzip();
        let left_before = |at: SampleIndex| match reason {
            Some(TripReason::Overload) => saturated.is_some_and(|from| at < from),
            Some(TripReason::StrokeLimit | TripReason::VelocityLimit | TripReason::AccelerationLimit) => {
                found_at.flatten().is_some_and(|found| at <= found)
            }
            _ => false,
        };
        let is_cause = stroke.as_ref().and_then(|trip| trip.at_sample).is_some_and(left_before);
        self.judged(if is_cause { stroke } else { found.or(stroke) }, orders);
    }

    /// Takes the state of the contacts.
    pub fn contacts(&mut self, now: Mono, emergency_stop_closed: bool, orders: &mut Vec<Order>) {
        self.last_contacts = Some(now);
        if !emergency_stop_closed {
            let message =
                "the emergency stop is pressed. Make sure that it is safe, release it, then acknowledge.";
            self.latch(Trip::plain(TripReason::EmergencyStop, message), orders);
        }
    }

    /// Takes what the amplifier says of itself. `live` says whether it should let the drive through.
    pub fn amplifier(
        &mut self,
        instrument: &str,
        fault: bool,
        muted: bool,
        live: bool,
        orders: &mut Vec<Order>,
    ) {
        // What was muted after a trip is as it has to be.
        let live = live && self.trip().is_none();
        if fault || (live && muted) {
            let what = if fault { "reports a fault" } else { "muted itself" };
            let message =
                format!("the amplifier '{instrument}' {what}. See its own display, then acknowledge.");
            let trip = Trip {
                instrument: Some(instrument.to_owned()),
                ..Trip::plain(TripReason::AmplifierFault, message)
            };
            self.latch(trip, orders);
        }
    }

    /// Liveness: blocks and contacts that are overdue.
    pub fn tick(&mut self, now: Mono, orders: &mut Vec<Order>) {
        if !self.may_drive() {
            return;
        }
        let overdue = |last: Option<Mono>, limit| last.map(|l| now.since(l)).filter(|age| *age > limit);
        if let Some(age) = overdue(self.last_block, self.timing.block_limit) {
            let limit = self.timing.block_limit;
            let message = format!(
                "no samples for {}. The acquisition or its link stands still. Check both, then acknowledge.",
                engineering(age.si(), "s")
            );
            self.latch(Trip::beyond(TripReason::BlocksMissing, age.si(), limit.si(), "s", message), orders);
        } else if self.contacts_expected
            && let Some(age) = overdue(self.last_contacts, self.timing.contact_limit)
        {
            let limit = self.timing.contact_limit;
            let message = format!(
                "the emergency stop was not read for {}, which counts as pressed. Check its link, then acknowledge.",
                engineering(age.si(), "s")
            );
            self.latch(Trip::beyond(TripReason::EmergencyStop, age.si(), limit.si(), "s", message), orders);
        }
    }

    /// Trips. The first trip stays, unless the other one explains it.
    pub fn latch(&mut self, trip: Trip, orders: &mut Vec<Order>) {
        self.take(Event::Wrong(trip), orders);
    }

    fn judged(&mut self, found: Option<Trip>, orders: &mut Vec<Order>) {
        self.take(found.map_or(Event::Fine, Event::Wrong), orders);
    }

    fn take(&mut self, event: Event, orders: &mut Vec<Order>) {
        let state = std::mem::replace(&mut self.state, State::Clear);
        let (state, order) = next(state, event);
        self.state = state;
        orders.extend(order);
    }
}
