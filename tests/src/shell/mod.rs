//! A shell around run machine and simulated rig, in one thread and without a disk, that can be forked at any sample.
//!
//! Owns: carrying out what a run asks for as the station's engine does in lock-step with a simulated rig, each call
//! answered at once. A fork has the same run and the same rig in the same state, so that many things can be tried from one
//! moment on. Must not: judge. That it does what the station does is checked against it (`claims::stops`).

mod hands;
mod left;

use crate::quick::{self, Begun};
use anyhow::{Context, Result, ensure};
use calibration::block::BlockView;
use calibration::evaluate::RunFacts;
use calibration::sequence::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Run, Setup, Stored,
    Target,
};
use drivers::{
    AcquisitionRequest, AmbientReading, ChannelRequest, DrivePermit, DriverError, ErrorKind, PermitIssuer,
    Policy, Stage, StopReason, Tone, Transition, policy,
};
use hands::{Hands, asked, at_once, instrument_of};
use plan_schema::faults::{Fault, Faults, PointPhase};
use plan_schema::units::{Hertz, Mono, SampleCount, SampleIndex, Seconds};
use sim::{SimulatedRig, Truth};
use std::collections::VecDeque;

/// Ambient conditions are read as often as the station reads them.
const AMBIENT_INTERVAL: Seconds = Seconds::new(10.0);

/// A run on a simulated rig.
pub struct Shell {
    run: Run,
    rig: SimulatedRig,
    hands: Hands,
    issuer: PermitIssuer,
    permit: Option<DrivePermit>,
    /// Sample after the last, and when that block came.
    last: (SampleIndex, Mono),
    commanded: SampleIndex,
    next_poll: Mono,
    next_ambient: Mono,
    heard: VecDeque<Input<'static>>,
    dwell: Option<(usize, Hertz)>,
    leading_up: Option<usize>,
    failures: Vec<String>,
    outcome: Option<Outcome>,
    facts: RunFacts,
    ambient: Vec<AmbientReading>,
    begun: Vec<(Begun, Mono)>,
    tries: u8,
}

impl Shell {
    /// A run that begins on a rig made from a seed.
    ///
    /// # Errors
    /// A job that can't be simulated.
    pub fn new(setup: Setup, seed: u64, faults: &Faults) -> Result<Self> {
        let rig = SimulatedRig::new(&setup.job, seed, faults)?;
        let mut hands = Hands::open(&setup, &rig)?;
        hands.make_safe(Target::Source, StopReason::Start)?;
        hands.make_safe(Target::Amplifier, StopReason::Start)?;
        at_once(hands.amplifier.status())?;
        let acquisition = &setup.job.rig.acquisition;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the range of u32"
        )]
        let frames = (acquisition.block.si() * acquisition.rate.si()).round().clamp(1.0, 1e8) as u32;
        let columns = setup.job.columns.iter();
        let channels = columns.map(|c| ChannelRequest { input: c.input, range: c.range }).collect();
        let want = AcquisitionRequest { rate: acquisition.rate, frames, channels };
        ensure!(at_once(hands.acquisition.configure(&want))? == want, "other samples than asked for");
        at_once(hands.acquisition.start())?;
        let starts_at_zero = hands.source.limits().starts_at_zero;
        let mut shell = Self {
            run: Run::new(setup),
            last: (SampleIndex(0), rig.now()),
            rig,
            hands,
            issuer: PermitIssuer::new().0,
            permit: None,
            commanded: SampleIndex(0),
            next_poll: Mono(0),
            next_ambient: Mono(0),
            heard: VecDeque::new(),
            dwell: None,
            leading_up: None,
            failures: Vec::new(),
            outcome: None,
            facts: RunFacts::default(),
            ambient: Vec::new(),
            begun: Vec::new(),
            tries: 0,
        };
        shell.poll()?;
        shell.feed(Input::Started { starts_at_zero })?;
        Ok(shell)
    }

    /// The same run on the same rig, from here on by itself.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn fork(&self) -> Result<Self> {
        let rig = self.rig.fork();
        let mut issuer = PermitIssuer::new().0;
        Ok(Self {
            run: self.run.clone(),
            hands: Hands::open(self.run.setup(), &rig)?,
            rig,
            permit: self.permit.as_ref().map(|p| issuer.grant(p.ceiling())),
            issuer,
            heard: self.heard.clone(),
            failures: self.failures.clone(),
            facts: self.facts.clone(),
            ambient: self.ambient.clone(),
            begun: self.begun.clone(),
            ..*self
        })
    }

    /// A fault strikes when it says so, as if it had been there from the start.
    ///
    /// # Errors
    /// A fault that does not fit the job.
    pub fn strike(&mut self, seed: u64, fault: &Fault) -> Result<()> {
        let job = &self.run.setup().job;
        Ok(self.rig.add(job, seed, &Faults { format: job.plan.format, faults: vec![fault.clone()] })?)
    }

    /// How the run ended, once it has.
    #[must_use]
    pub fn outcome(&self) -> Option<Outcome> {
        self.outcome
    }

    /// Everything that failed, or tripped, for messages.
    #[must_use]
    pub fn failures(&self) -> String {
        let trip = self.run.trip().map(|t| format!("{}: {}", t.reason.word(), t.message));
        trip.iter().chain(&self.failures).cloned().collect::<Vec<_>>().join("; ")
    }

    /// The point that is measured and its frequency as applied, while it is.
    #[must_use]
    pub fn dwelling(&self) -> Option<(usize, Hertz)> {
        self.dwell
    }

    /// The point that is led up to, from when its first tone was asked for until it is measured.
    #[must_use]
    pub fn leading_up(&self) -> Option<usize> {
        self.leading_up
    }

    /// Simulated time.
    #[must_use]
    pub fn now(&self) -> Mono {
        self.rig.now()
    }

    /// What the simulator knows.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.rig.truth()
    }

    /// Takes in the next block and everything that follows from it.
    ///
    /// # Errors
    /// An instrument that fails.
    pub fn block(&mut self) -> Result<()> {
        let patience = self.run.setup().job.rig.acquisition.block * 2.0;
        self.next_block(patience)
    }

    /// Lets time pass, also within a block.
    ///
    /// # Errors
    /// As [`Self::block`].
    pub fn pass(&mut self, time: Seconds) -> Result<()> {
        let end = self.now().after(time);
        let sample = 1.0 / self.run.setup().job.rig.acquisition.rate.si();
        while end.since(self.now()).si() > 0.5 * sample {
            self.next_block(end.since(self.now()) - Seconds::new(0.5 * sample))?;
        }
        Ok(())
    }

    /// Goes on until the run has ended.
    ///
    /// # Errors
    /// As [`Self::block`].
    pub fn finish(&mut self) -> Result<Outcome> {
        loop {
            match self.outcome {
                Some(outcome) => return Ok(outcome),
                None => self.block()?,
            }
        }
    }

    /// A person says what they want of the run.
    ///
    /// # Errors
    /// As [`Self::block`].
    pub fn tell(&mut self, what: Operator) -> Result<()> {
        self.feed(Input::Operator(what))
    }

    /// The emergency stop is read as pressed.
    ///
    /// # Errors
    /// As [`Self::block`].
    pub fn press_emergency_stop(&mut self) -> Result<()> {
        let inputs = match &mut self.hands.contacts {
            Some(contacts) => at_once(contacts.read())?.inputs,
            None => Vec::new(),
        };
        self.feed(Input::Contacts { emergency_stop_closed: false, inputs })
    }

    /// An instrument goes safe by itself, as its driver does when the daemon is gone: the run has no say in it.
    ///
    /// # Errors
    /// If it can't.
    pub fn goes_safe_by_itself(&mut self, target: Target) -> Result<()> {
        self.hands.make_safe(target, StopReason::Trip)
    }

    /// Lets time pass in which the run hears nothing.
    ///
    /// # Errors
    /// As [`Self::block`].
    pub fn idle(&mut self, time: Seconds) -> Result<()> {
        let end = self.now().after(time);
        let sample = 1.0 / self.run.setup().job.rig.acquisition.rate.si();
        while end.since(self.now()).si() > 0.5 * sample {
            let within = end.since(self.now()) - Seconds::new(0.5 * sample);
            at_once(self.hands.acquisition.next_block(within))?;
        }
        Ok(())
    }

    /// Lets time pass without samples; the run has no say in anything any longer.
    pub fn run_out(&mut self, time: Seconds) {
        self.rig.run_out(time);
    }

    fn next_block(&mut self, within: Seconds) -> Result<()> {
        let block = match asked(self.hands.acquisition.next_block(within))? {
            Ok(Some(block)) => block,
            Ok(None) => {
                self.step(Input::Tick)?;
                self.poll()?;
                return self.listen();
            }
            Err(error) => {
                self.failed(&error, None)?;
                return self.listen();
            }
        };
        self.last = (block.end(), self.now());
        let channels: Vec<&[f32]> = (0..block.channels()).map(|c| block.channel(c)).collect();
        let view = BlockView {
            first_sample: block.first_sample,
            gap_before: block.gap_before,
            channels: &channels,
            overload: block.overload(),
        };
        self.step(Input::Block(view))?;
        self.poll()?;
        self.listen()
    }

    fn poll(&mut self) -> Result<()> {
        let now = self.now();
        if now >= self.next_poll {
            self.next_poll = now.after(self.run.setup().job.rig.timing.poll_interval);
            match asked(self.hands.amplifier.status())? {
                Ok(status) => {
                    self.heard.push_back(Input::Amplifier { fault: status.fault, muted: status.muted });
                }
                Err(error) => self.failed(&error, None)?,
            }
            if let Some(contacts) = &mut self.hands.contacts {
                let drivers::ContactReading { emergency_stop_closed, inputs } = at_once(contacts.read())?;
                self.heard.push_back(Input::Contacts { emergency_stop_closed, inputs });
            }
        }
        if now >= self.next_ambient {
            self.next_ambient = now.after(AMBIENT_INTERVAL);
            if let Some(ambient) = &mut self.hands.ambient {
                let reading = at_once(ambient.read())?;
                self.ambient.push(reading);
                let (temperature, humidity) = (reading.temperature, reading.humidity);
                self.heard.push_back(Input::Ambient { temperature, humidity });
            }
        }
        Ok(())
    }

    fn feed(&mut self, input: Input<'_>) -> Result<()> {
        self.step(input)?;
        self.listen()
    }

    /// Everything that was answered reaches the run, and what follows from it.
    fn listen(&mut self) -> Result<()> {
        while let Some(input) = self.heard.pop_front() {
            self.step(input)?;
        }
        Ok(())
    }

    fn step(&mut self, input: Input<'_>) -> Result<()> {
        let mut actions = Vec::new();
        self.run.step(self.rig.now(), input, &mut actions);
        actions.into_iter().try_for_each(|action| self.carry_out(action))
    }

    fn carry_out(&mut self, action: Action) -> Result<()> {
        let roles = self.run.setup().job.rig.roles.clone();
        match action {
            Action::Grant(ceiling) => self.permit = Some(self.issuer.grant(ceiling)),
            Action::Withdraw => {
                self.issuer.withdraw();
                self.permit = None;
            }
            Action::Warn(on) => self.warn(on)?,
            Action::Route(on) => self.route(on)?,
            Action::StoreRatioTone(tone) => {
                self.stored(Stored::RatioTone);
                self.facts.channels.push(*tone);
            }
            Action::StoreConfirmation(..) => anyhow::bail!("no job here asks a person"),
            Action::Unmute | Action::SetTone { .. } | Action::SourceOff { .. } => {
                self.tries = 0;
                self.commanded = self.last.0;
                self.command(&action)?;
            }
            Action::MakeSafe(target) => {
                self.commanded = self.last.0;
                let why = if self.run.trip().is_some() { StopReason::Trip } else { StopReason::RunEnded };
                self.hands.make_safe(target, why)?;
                let role = if target == Target::Source { &roles.source } else { &roles.amplifier };
                self.reply(Reply::MadeSafe(target), role, Seconds::ZERO);
            }
            Action::StoreQuiet(record) => {
                self.stored(Stored::Quiet(record.when));
                quick::keep_quiet(&mut self.facts, *record);
            }
            Action::StoreFirstMotion(motion) => {
                self.stored(Stored::FirstMotion);
                quick::keep_first_motion(&mut self.facts, *motion);
            }
            Action::StorePoint(end) => {
                self.dwell = None;
                self.stored(Stored::Point);
                quick::keep_point(&mut self.facts, *end);
            }
            Action::StoreTrip(_) => {}
            Action::Tell(event) => self.told(event),
            Action::Finish(outcome) => self.outcome = Some(outcome),
        }
        Ok(())
    }

    /// Asks an instrument for what the run wants; what it answers is heard later.
    fn command(&mut self, action: &Action) -> Result<()> {
        let roles = self.run.setup().job.rig.roles.clone();
        let failed = match (action, &self.permit) {
            (Action::Unmute, Some(permit)) => match asked(self.hands.amplifier.unmute(permit))? {
                Ok(status) if status.fault || status.muted => {
                    let name = instrument_of(&roles.amplifier);
                    Some(DriverError::new(ErrorKind::BadData, name, "unmute", "it does not come up"))
                }
                Ok(_) => {
                    self.reply(Reply::Unmuted, &roles.amplifier, Seconds::ZERO);
                    None
                }
                Err(error) => Some(error),
            },
            (Action::SetTone { frequency, amplitude, over }, Some(permit)) => {
                let tone = Tone { frequency: *frequency, amplitude: *amplitude };
                match asked(self.hands.source.set_tone(permit, Transition { tone, over: *over }))? {
                    Ok(Transition { tone, over: way }) => {
                        let Tone { frequency, amplitude } = tone;
                        self.reply(Reply::Tone { frequency, amplitude, way }, &roles.source, way);
                        None
                    }
                    Err(error) => Some(error),
                }
            }
            (Action::SourceOff { over }, _) => match asked(self.hands.source.output_off(*over))? {
                Ok(over) => {
                    self.reply(Reply::SourceOff, &roles.source, over);
                    None
                }
                Err(error) => Some(error),
            },
            // Without leave nothing is sent.
            _ => None,
        };
        failed.map_or(Ok(()), |error| self.failed(&error, Some(action)))
    }

    /// What follows from a failure is decided as the station does.
    fn failed(&mut self, error: &DriverError, command: Option<&Action>) -> Result<()> {
        let stage = match (self.run.is_stopping(), self.run.motion()) {
            (true, _) => Stage::Stopping,
            (false, Some(true)) => Stage::Measuring,
            (false, Some(false)) => Stage::Settling,
            (false, None) => Stage::AtRest,
        };
        let consequence = match (policy(error.kind, stage), command) {
            (Policy::Retry(most), Some(command)) if self.tries < most => {
                self.tries += 1;
                return self.command(command);
            }
            (Policy::Retry(_) | Policy::FailRun, _) => Consequence::FailRun,
            (Policy::RejectPoint, _) => Consequence::RejectPoint,
            (Policy::Trip, _) => Consequence::Trip,
        };
        let instrument = error.instrument.clone();
        self.heard.push_back(Input::Failed { instrument, detail: error.to_string(), consequence });
        Ok(())
    }

    fn warn(&mut self, on: bool) -> Result<()> {
        let number = self.run.setup().job.rig.warning_output.context("there is nothing that warns")?;
        self.switch(number, on, on.then_some(Reply::Warned))
    }

    fn route(&mut self, on: bool) -> Result<()> {
        let number = self.run.setup().switch_output().context("there is no switch before the channels")?;
        self.switch(number, on, Some(Reply::Routed))
    }

    fn switch(&mut self, number: u32, on: bool, reply: Option<Reply>) -> Result<()> {
        let role = self.run.setup().job.rig.roles.contacts.clone().unwrap_or_default();
        at_once(self.hands.contacts.as_mut().context("there are no contacts")?.set_output(number, on))?;
        if let Some(reply) = reply {
            self.reply(reply, &role, Seconds::ZERO);
        }
        Ok(())
    }

    fn stored(&mut self, what: Stored) {
        self.heard.push_back(Input::Stored(what));
    }

    /// A setting is in effect not before the command left, not after its reply, its way and the latency of the rig file.
    fn reply(&mut self, reply: Reply, role: &str, over: Seconds) {
        let rig = &self.run.setup().job.rig;
        let named = rig.instruments.iter().find(|i| i.name == instrument_of(role));
        let (sample, at) = self.last;
        let since = self.now().since(at) + named.map_or(Seconds::ZERO, |i| i.latency) + over;
        let not_after = sample + SampleCount::at_least(since, rig.acquisition.rate);
        self.heard.push_back(Input::Replied(reply, Effective { not_before: self.commanded, not_after }));
    }

    fn told(&mut self, event: Event) {
        let at = |point: usize| self.run.setup().job.points.get(point).map(|p| p.frequency);
        match event {
            Event::PointBegins(point) => {
                self.begun.push((Begun::Point, self.rig.now()));
                self.leading_up = Some(point);
                if let Some(frequency) = at(point) {
                    self.rig.progress(point + 1, PointPhase::Settle, frequency);
                }
            }
            Event::DwellBegins { point, frequency, .. } => {
                self.begun.push((Begun::Dwell, self.rig.now()));
                (self.leading_up, self.dwell) = (None, Some((point, frequency)));
                if let Some(frequency) = at(point) {
                    self.rig.progress(point + 1, PointPhase::Dwell, frequency);
                }
            }
            Event::QuietBegins(QuietTime::After) | Event::Stopping(_) | Event::Tripped(_) => {
                (self.leading_up, self.dwell) = (None, None);
            }
            Event::Failure(text) => self.failures.push(text),
            _ => {}
        }
    }
}
