//! The engine: feeds the run with what the devices say and carries out what it asks for.
//!
//! One loop, one thread. In lock-step the next block is asked for only when nothing else is under way, so that
//! simulated time moves only while the engine is idle.

mod outputs;
mod records;

use super::clock::Clock;
use super::devices::{Lines, Safes};
use super::messages::{
    AmplifierCommand, ContactsCommand, Message, Observer, Order, OutputFor, SourceCommand,
};
use super::power;
use calibration::block::BlockView;
use calibration::interlock::Trip;
use calibration::sequence::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, Reply, Run, Target,
};
use drivers::client::Hosts;
use drivers::{
    AmbientReading, Block, DrivePermit, DriverError, PermitIssuer, Policy, Stage, StopReason, Tone,
    Transition, policy,
};
use jiff::Timestamp;
use plan_schema::rig::instrument_of;
use plan_schema::units::{Mono, SampleCount, SampleIndex, SamplesPerSecond, Seconds};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context as TaskContext, Waker};
use std::time::Duration;
use tokio::sync::mpsc::{Receiver, Sender};

/// What is known when a run is over.
#[derive(Debug, Clone)]
pub struct Report {
    /// How it ended.
    pub outcome: Outcome,
    /// The trip, if it tripped.
    pub trip: Option<Trip>,
    /// When, if it tripped.
    pub tripped_at: Option<Timestamp>,
    /// When the first motion was prepared.
    pub started: Timestamp,
    /// When everything was at rest.
    pub ended: Timestamp,
    /// Time from the first sample to the last.
    pub rig_time: Seconds,
    /// Time of it that was spent in waits that were foreseen.
    pub waited: Seconds,
    /// Why somebody has to look before anything else is run.
    pub hold: Option<String>,
    /// Why it did not begin, or was not let go on: a permissive that was not there, or leave that ended.
    pub refused: Option<String>,
    /// True if the door of a guard was open at some time.
    pub guard_opened: bool,
    /// Ambient conditions as they were read.
    pub ambient: Vec<AmbientReading>,
    /// What failed, for outcomes that are not the plan's.
    pub failures: Vec<String>,
    /// True if it was a record that could not be written.
    pub store_failed: bool,
}

/// Ambient conditions change slowly.
const AMBIENT_INTERVAL: Seconds = Seconds::new(10.0);

/// Who confirms in a dry run.
const SIMULATED_PERSON: &str = "nobody (simulated)";

pub(super) struct Engine {
    pub(super) run: Run,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) lines: Lines,
    pub(super) safes: Safes,
    pub(super) inbox: Receiver<Message>,
    pub(super) replies: Sender<Message>,
    pub(super) orders: Sender<Order>,
    pub(super) issuer: PermitIssuer,
    /// Whose heart beats with what the interlock judged.
    pub(super) hosts: Arc<Hosts>,
    pub(super) observers: Vec<Box<dyn Observer>>,
    /// The source starts a tone from 0 V at phase zero.
    pub(super) starts_at_zero: bool,
    /// When the leave to move ends; `None` in a dry run.
    pub(super) leave_ends: Option<Mono>,
    pub(super) progress: Progress,
}

/// What the engine keeps in mind from one message to the next.
pub(super) struct Progress {
    permit: Option<Arc<DrivePermit>>,
    last_command: Option<Action>,
    tries: u8,
    outstanding: usize,
    block_requested: bool,
    /// Sample after the last, and when that block came.
    last: (SampleIndex, Mono),
    commanded: SampleIndex,
    next_poll: Mono,
    next_ambient: Mono,
    ended: Option<Outcome>,
    tripped_at: Option<Timestamp>,
    started: Timestamp,
    ambient: Vec<AmbientReading>,
    failures: Vec<String>,
    leave_over: Option<String>,
    outputs_asked: usize,
    store_failed: bool,
    /// So many receipts are still to come for which nobody need wait with the next block.
    store_waits: usize,
}

impl Progress {
    pub(super) fn new(started: Timestamp) -> Self {
        Self {
            permit: None,
            last_command: None,
            tries: 0,
            outstanding: 0,
            block_requested: false,
            last: (SampleIndex(0), Mono(0)),
            commanded: SampleIndex(0),
            next_poll: Mono(0),
            next_ambient: Mono(0),
            ended: None,
            tripped_at: None,
            started,
            ambient: Vec::new(),
            failures: Vec::new(),
            leave_over: None,
            outputs_asked: 0,
            store_failed: false,
            store_waits: 0,
        }
    }
}

impl Engine {
    /// Runs to the end. Returns when nothing moves and everything was handed to the writer.
    pub(super) async fn run(mut self) -> Report {
        let now = self.clock.now();
        self.progress.last = (SampleIndex(0), now);
        self.poll(now);
        let starts_at_zero = self.starts_at_zero;
        self.feed(Input::Started { starts_at_zero });
        while self.progress.ended.is_none() {
            self.request_block().await;
            match self.next_message().await {
                Some(message) => self.hear(message),
                None => self.feed(Input::Tick),
            }
        }
        self.output_answered().await;
        let rate = self.run.setup().job.rig.acquisition.rate;
        let refused = self.run.refused().map(str::to_owned);
        Report {
            outcome: self.progress.ended.unwrap_or(Outcome::Failed),
            trip: self.run.trip().cloned(),
            tripped_at: self.progress.tripped_at,
            started: self.progress.started,
            ended: self.clock.utc(),
            rig_time: SampleCount(self.progress.last.0.0).duration(rate),
            waited: self.run.waited(),
            hold: self.run.hold().map(str::to_owned),
            refused: refused.or(self.progress.leave_over),
            guard_opened: self.run.guard_opened(),
            ambient: self.progress.ambient,
            failures: self.progress.failures,
            store_failed: self.progress.store_failed,
        }
    }

    /// Asks for the next block: always where time runs by itself, only when idle where it stands still.
    async fn request_block(&mut self) {
        let idle = self.progress.outstanding == 0 || !self.clock.lock_step();
        if self.progress.block_requested || !idle {
            return;
        }
        let rig = &self.run.setup().job.rig;
        // Long blocks with pauses between them must not keep contacts and amplifier from being read.
        let gated = rig.acquisition.is_gated();
        let patience = if gated { rig.timing.poll_interval } else { rig.acquisition.block * 2.0 };
        // An acquisition task that is gone shows as blocks that are missing.
        self.progress.block_requested = self.lines.acquisition.send(patience).await.is_ok();
    }

    async fn next_message(&mut self) -> Option<Message> {
        if self.clock.lock_step() {
            return self.inbox.recv().await;
        }
        let patience = Duration::from_millis(20);
        tokio::time::timeout(patience, self.inbox.recv()).await.ok().flatten()
    }

    fn hear(&mut self, message: Message) {
        match message {
            Message::Block(result) => {
                self.progress.block_requested = false;
                self.block(result);
                return;
            }
            Message::Operator(what) => return self.feed(Input::Operator(what)),
            Message::Confirmed(name) => return self.feed(Input::Confirmed { name }),
            Message::Lost(error) => return self.failed(&error),
            Message::Stored(_) if self.progress.store_waits > 0 => self.progress.store_waits -= 1,
            _ => self.progress.outstanding = self.progress.outstanding.saturating_sub(1),
        }
        let names = self.run.setup().job.rig.roles.clone();
        match message {
            Message::Tone(Ok(Transition { tone, over })) => {
                let reply = Reply::Tone { frequency: tone.frequency, amplitude: tone.amplitude, way: over };
                self.replied(reply, &names.source, over);
            }
            Message::SourceOff(Ok(over)) => self.replied(Reply::SourceOff, &names.source, over),
            Message::Unmuted(Ok(status)) => match power::lets_through(&names.amplifier, status) {
                Ok(()) => self.replied(Reply::Unmuted, &names.amplifier, Seconds::ZERO),
                Err(error) => self.failed(&error),
            },
            Message::MadeSafe(target, Ok(_)) => {
                let role = if target == Target::Source { &names.source } else { &names.amplifier };
                self.replied(Reply::MadeSafe(target), role, Seconds::ZERO);
            }
            Message::MadeSafe(target, Err(error)) => {
                self.feed(Input::MakeSafeFailed { target, detail: error.to_string() });
            }
            Message::Contacts(Ok(reading)) => {
                self.feed(Input::Contacts {
                    emergency_stop_closed: reading.emergency_stop_closed,
                    inputs: reading.inputs,
                });
            }
            Message::Output(what, on, result) => self.switched(what, on, result),
            Message::Amplifier(Ok(status)) => {
                self.feed(Input::Amplifier { fault: status.fault, muted: status.muted });
            }
            Message::Ambient(Ok(reading)) => {
                self.progress.ambient.push(reading);
                let now = self.clock.now();
                self.observers.iter_mut().for_each(|o| o.ambient(now, &reading));
                self.feed(Input::Ambient { temperature: reading.temperature, humidity: reading.humidity });
            }
            Message::Contacts(Err(error)) | Message::Ambient(Err(error)) => {
                // Contacts that stay unread count as opened after their limit; ambient is only missed.
                tracing::warn!(%error, "could not be read");
                self.feed(Input::Tick);
            }
            Message::Tone(Err(error))
            | Message::SourceOff(Err(error))
            | Message::Unmuted(Err(error))
            | Message::Amplifier(Err(error)) => self.failed(&error),
            Message::Stored(what) => self.stored(what),
            Message::StoreWaits(detail) => self.store_waits(detail),
            Message::Block(_) | Message::Operator(_) | Message::Confirmed(_) | Message::Lost(_) => {}
        }
    }

    fn block(&mut self, result: Result<Option<Block>, DriverError>) {
        match result {
            Ok(Some(mut block)) => {
                let now = self.clock.now();
                block.received_at = now;
                self.progress.last = (block.end(), now);
                let channels: Vec<&[f32]> = (0..block.channels()).map(|c| block.channel(c)).collect();
                let view = BlockView {
                    first_sample: block.first_sample,
                    gap_before: block.gap_before,
                    channels: &channels,
                    overload: block.overload(),
                };
                self.feed(Input::Block(view));
                self.hosts.judged(block.end());
                let rate = self.run.setup().job.rig.acquisition.rate;
                let length = SampleCount(block.frames() as u64).duration(rate);
                let seen = self.run.glance();
                for observer in &mut self.observers {
                    observer.seen(now, &seen);
                    observer.block(now, length);
                }
                self.poll(now);
            }
            Ok(None) => {
                self.feed(Input::Tick);
                self.poll(self.clock.now());
            }
            Err(error) => self.failed(&error),
        }
    }

    /// Reads contacts, amplifier and ambient when they are due.
    fn poll(&mut self, now: Mono) {
        if self.leave_ends.is_some_and(|end| now >= end) && self.progress.leave_over.is_none() {
            let text = "the leave to move ended; the run winds down. Give leave anew, then run what is left"
                .to_owned();
            self.progress.failures.push(text.clone());
            self.progress.leave_over = Some(text);
            self.feed(Input::Operator(Operator::Cancel));
        }
        if now >= self.progress.next_poll {
            if let Some(by) = self.clock.was_set() {
                self.clock_set(by);
            }
            self.progress.next_poll = now.after(self.run.setup().job.rig.timing.poll_interval);
            let mut sent = usize::from(self.lines.amplifier.try_send(AmplifierCommand::Status).is_ok());
            sent += usize::from(
                self.lines.contacts.as_ref().is_some_and(|l| l.try_send(ContactsCommand::Read).is_ok()),
            );
            self.progress.outstanding += sent;
        }
        if now >= self.progress.next_ambient {
            self.progress.next_ambient = now.after(AMBIENT_INTERVAL);
            let sent = self.lines.ambient.as_ref().is_some_and(|l| l.try_send(()).is_ok());
            self.progress.outstanding += usize::from(sent);
        }
    }

    /// One input into the run, and all that follows from it.
    fn feed(&mut self, input: Input<'_>) {
        let mut actions = Vec::new();
        self.run.step(self.clock.now(), input, &mut actions);
        for action in actions {
            self.carry_out(action);
        }
    }

    fn carry_out(&mut self, action: Action) {
        let at = self.clock.utc();
        match action {
            Action::Grant(ceiling) => {
                let permit = self.issuer.grant(ceiling);
                self.hosts.leave(permit.generation());
                self.progress.permit = Some(Arc::new(permit));
            }
            Action::Withdraw => {
                self.issuer.withdraw();
                self.hosts.leave(0);
                self.progress.permit = None;
            }
            Action::Warn(on) => self.switch(OutputFor::Warning, on),
            Action::Route(on) => self.switch(OutputFor::Route, on),
            Action::Unmute | Action::SetTone { .. } | Action::SourceOff { .. } => {
                self.progress.tries = 0;
                self.progress.commanded = self.progress.last.0;
                self.command(&action);
                self.progress.last_command = Some(action);
            }
            Action::MakeSafe(target) => self.make_safe(target),
            Action::StoreQuiet(record) => self.order(Order::Quiet(record, at), true),
            Action::StoreFirstMotion(motion) => self.order(Order::FirstMotion(motion, at), true),
            Action::StorePoint(end) => {
                let now = self.clock.now();
                self.observers.iter_mut().for_each(|o| o.point(now, &end));
                self.order(Order::Point(end, at), true);
            }
            Action::StoreRatioTone(tone) => self.order(Order::RatioTone(tone, at), true),
            Action::StoreConfirmation(cable, name) => {
                self.order(Order::Confirmation(cable, name, at), true);
            }
            Action::StoreTrip(both) => {
                let tripped_at = self.progress.tripped_at.unwrap_or(at);
                self.order(Order::Trip(both, tripped_at), false);
            }
            Action::Tell(event) => self.tell(&event, at),
            Action::Finish(outcome) => self.progress.ended = Some(outcome),
        }
    }

    fn command(&mut self, action: &Action) {
        let sent = match (action, &self.progress.permit) {
            (Action::Unmute, Some(permit)) => {
                self.lines.amplifier.try_send(AmplifierCommand::Unmute(permit.clone())).is_ok()
            }
            (Action::SetTone { frequency, amplitude, over }, Some(permit)) => {
                let tone = Tone { frequency: *frequency, amplitude: *amplitude };
                let want = Transition { tone, over: *over };
                self.lines.source.try_send(SourceCommand::Tone(permit.clone(), want)).is_ok()
            }
            (Action::SourceOff { over }, _) => self.lines.source.try_send(SourceCommand::Off(*over)).is_ok(),
            // Without leave nothing is sent: the run has withdrawn it and is on its way out.
            _ => return,
        };
        if sent {
            self.progress.outstanding += 1;
        } else {
            let roles = &self.run.setup().job.rig.roles;
            let role = if matches!(action, Action::Unmute) { &roles.amplifier } else { &roles.source };
            let instrument = instrument_of(role).to_owned();
            let detail = "its task takes no commands any more".to_owned();
            self.feed(Input::Failed { instrument, detail, consequence: Consequence::Trip });
        }
    }

    /// Never waits for a device task: a call may be blocked in it.
    fn make_safe(&mut self, target: Target) {
        let why = match (self.run.trip(), self.progress.ended) {
            (Some(_), _) => StopReason::Trip,
            (None, _) => StopReason::RunEnded,
        };
        let (safes, replies) = (self.safes.clone(), self.replies.clone());
        self.progress.commanded = self.progress.last.0;
        self.progress.outstanding += 1;
        let mut call: Pin<Box<dyn Future<Output = ()> + Send>> = Box::pin(async move {
            let proof = safes.make_safe(target, why).await;
            // The inbox is gone only after the run is over.
            let _ = replies.send(Message::MadeSafe(target, proof)).await;
        });
        // It leaves now: a task that is only spawned has its turn after everything else that this step asks for, telling
        // and storing included. Spawned, it is asked again.
        if call.as_mut().poll(&mut TaskContext::from_waker(Waker::noop())).is_pending() {
            tokio::spawn(call);
        }
    }

    fn tell(&mut self, event: &Event, at: Timestamp) {
        match event {
            Event::Tripped(trip) => {
                self.progress.tripped_at.get_or_insert(at);
                tracing::info!(reason = trip.reason.word(), "{}", trip.message);
                self.order(Order::LatchTripped(Box::new(trip.clone()), at), false);
            }
            Event::Paused(text) => tracing::warn!("{text}"),
            Event::Pause(pause) => self.order(Order::Pause(pause.clone(), at), true),
            Event::Failure(text) => {
                tracing::info!("{text}");
                self.progress.failures.push(text.clone());
            }
            other => tracing::debug!(?other),
        }
        let now = self.clock.now();
        self.observers.iter_mut().for_each(|o| o.event(now, event));
        if matches!(event, Event::Asks(_)) && self.leave_ends.is_none() {
            // In a dry run somebody does what is asked for at once. Where the inbox does not take it, the run ends for want of it.
            let _ = self.replies.try_send(Message::Confirmed(SIMULATED_PERSON.to_owned()));
        }
    }

    /// When a setting is in effect: not before the command left, not after the reply plus the way that the instrument
    /// takes to it (`over`) and the latency that the rig file declares.
    fn replied(&mut self, reply: Reply, role: &str, over: Seconds) {
        let rig = &self.run.setup().job.rig;
        let rate = rig.acquisition.rate;
        let latency = rig
            .instruments
            .iter()
            .find(|i| i.name == instrument_of(role))
            .map_or(Seconds::ZERO, |i| i.latency);
        let (sample, at) = self.progress.last;
        // A block of a gated acquisition is fetched some time after its last sample: by now more were taken than is known.
        let fetched = if rig.acquisition.is_gated() { rig.timing.transfer } else { Seconds::ZERO };
        let since = self.clock.now().since(at) + fetched + latency + over;
        let effective =
            Effective { not_before: self.progress.commanded, not_after: after(sample, since, rate) };
        self.feed(Input::Replied(reply, effective));
    }

    fn failed(&mut self, error: &DriverError) {
        let stage = match (self.run.is_stopping(), self.run.motion()) {
            (true, _) => Stage::Stopping,
            (false, Some(true)) => Stage::Measuring,
            (false, Some(false)) => Stage::Settling,
            (false, None) => Stage::AtRest,
        };
        tracing::warn!(%error, ?stage, "an instrument failed");
        let consequence = match policy(error.kind, stage) {
            Policy::Retry(most) if self.progress.tries < most && self.retry(error.op) => {
                self.progress.tries += 1;
                return;
            }
            Policy::Retry(_) | Policy::FailRun => Consequence::FailRun,
            Policy::RejectPoint => Consequence::RejectPoint,
            Policy::Trip => Consequence::Trip,
        };
        self.feed(Input::Failed {
            instrument: error.instrument.clone(),
            detail: format!("{} failed ({}): {}", error.op, error.kind.word(), error.detail),
            consequence,
        });
    }

    /// Sends the last command again if it is the one that failed.
    fn retry(&mut self, op: &str) -> bool {
        let last = self.progress.last_command.clone();
        match (&last, op) {
            (Some(action @ Action::SetTone { .. }), "set_tone")
            | (Some(action @ Action::SourceOff { .. }), "output_off")
            | (Some(action @ Action::Unmute), "unmute") => {
                self.command(action);
                true
            }
            _ => false,
        }
    }
}

fn after(sample: SampleIndex, time: Seconds, rate: SamplesPerSecond) -> SampleIndex {
    sample + SampleCount::at_least(time, rate)
}
