//! A shell around run machine and simulated rig, in one thread and without a disk, that can be forked at any sample.
//!
//! Owns: carrying out what a run asks for as the station's engine does in lock-step with a simulated rig, each call
//! answered at once. A fork has the same run and the same rig in the same state, so that many things can be tried from one
//! moment on. Must not: judge. That it does what the station does is checked against it (`claims::stops`).

use anyhow::{Context, Result, bail, ensure};
use calibration::block::BlockView;
use calibration::sequence::{
    Action, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Run, Setup, Stored, Target,
};
use drivers::{
    Acquisition, AcquisitionRequest, Ambient, ChannelRequest, Contacts, DrivePermit, DriverError, Opened,
    PermitIssuer, PowerAmplifier, SafeHandle, SignalSource, StopReason, Tone, Transition,
};
use plan_schema::faults::{Faults, PointPhase};
use plan_schema::units::{Hertz, Mono, Peak, SampleCount, SampleIndex, Seconds, Volts};
use sim::{SimulatedRig, Truth};
use std::collections::VecDeque;
use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::task::{Poll, Waker};

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
}

/// The instruments in their roles.
struct Hands {
    source: Box<dyn SignalSource>,
    amplifier: Box<dyn PowerAmplifier>,
    acquisition: Box<dyn Acquisition>,
    ambient: Option<Box<dyn Ambient>>,
    contacts: Option<Box<dyn Contacts>>,
    safes: (Arc<dyn SafeHandle>, Arc<dyn SafeHandle>),
}

/// What a simulated instrument answers: it never waits.
fn at_once<T>(call: impl Future<Output = Result<T, DriverError>>) -> Result<T> {
    let mut context = std::task::Context::from_waker(Waker::noop());
    match pin!(call).poll(&mut context) {
        Poll::Ready(answer) => Ok(answer?),
        Poll::Pending => bail!("a simulated instrument waits"),
    }
}

fn instrument_of(role: &str) -> &str {
    role.split_once('.').map_or(role, |(instrument, _)| instrument)
}

impl Hands {
    fn open(setup: &Setup, rig: &SimulatedRig) -> Result<Self> {
        let roles = &setup.job.rig.roles;
        let open = |role: &str| -> Result<Opened> {
            let name = instrument_of(role);
            let instrument = setup.job.rig.instruments.iter().find(|i| i.name == name);
            let instrument = instrument.with_context(|| format!("no instrument {name}"))?;
            at_once(rig.factory(&instrument.driver).open(instrument))
        };
        let (source, amplifier) = (open(&roles.source)?, open(&roles.amplifier)?);
        let ambient = roles.ambient.as_deref().map(open).transpose()?;
        let contacts = roles.contacts.as_deref().map(open).transpose()?;
        Ok(Self {
            safes: (source.safe, amplifier.safe),
            source: source.source.context("no source")?,
            amplifier: amplifier.amplifier.context("no amplifier")?,
            acquisition: open(&roles.acquisition)?.acquisition.context("no acquisition")?,
            ambient: ambient.and_then(|o| o.ambient),
            contacts: contacts.and_then(|o| o.contacts),
        })
    }

    fn make_safe(&self, target: Target, why: StopReason) -> Result<()> {
        let handle = if target == Target::Source { &self.safes.0 } else { &self.safes.1 };
        ensure!(at_once(handle.make_safe(why))?.is_safe(), "{target:?} was not made safe");
        Ok(())
    }
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
            ..*self
        })
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
        let Some(block) = at_once(self.hands.acquisition.next_block(within))? else {
            return Ok(());
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
            let status = at_once(self.hands.amplifier.status())?;
            self.heard.push_back(Input::Amplifier { fault: status.fault, muted: status.muted });
            if let Some(contacts) = &mut self.hands.contacts {
                let drivers::ContactReading { emergency_stop_closed, inputs } = at_once(contacts.read())?;
                self.heard.push_back(Input::Contacts { emergency_stop_closed, inputs });
            }
        }
        if now >= self.next_ambient {
            self.next_ambient = now.after(AMBIENT_INTERVAL);
            if let Some(ambient) = &mut self.hands.ambient {
                let reading = at_once(ambient.read())?;
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
            Action::Route(_) | Action::StoreRatioTone(_) | Action::StoreConfirmation(..) => {
                bail!("no job here asks for the ratio of channels")
            }
            Action::Unmute => {
                let Some(permit) = &self.permit else { return Ok(()) };
                let status = at_once(self.hands.amplifier.unmute(permit))?;
                ensure!(!status.muted && !status.fault, "the amplifier does not come up");
                self.commanded = self.last.0;
                self.reply(Reply::Unmuted, &roles.amplifier, Seconds::ZERO);
            }
            Action::SetTone { frequency, amplitude, over } => self.tone(frequency, amplitude, over)?,
            Action::SourceOff { over } => {
                self.commanded = self.last.0;
                let over = at_once(self.hands.source.output_off(over))?;
                self.reply(Reply::SourceOff, &roles.source, over);
            }
            Action::MakeSafe(target) => {
                self.commanded = self.last.0;
                self.hands.make_safe(target, StopReason::RunEnded)?;
                let role = if target == Target::Source { &roles.source } else { &roles.amplifier };
                self.reply(Reply::MadeSafe(target), role, Seconds::ZERO);
            }
            Action::StoreQuiet(record) => self.stored(Stored::Quiet(record.when)),
            Action::StoreFirstMotion(_) => self.stored(Stored::FirstMotion),
            Action::StorePoint(_) => {
                self.dwell = None;
                self.stored(Stored::Point);
            }
            Action::StoreTrip(_) => {}
            Action::Tell(event) => self.told(event),
            Action::Finish(outcome) => self.outcome = Some(outcome),
        }
        Ok(())
    }

    fn tone(&mut self, frequency: Hertz, amplitude: Volts<Peak>, over: Seconds) -> Result<()> {
        let Some(permit) = &self.permit else { return Ok(()) };
        let want = Transition { tone: Tone { frequency, amplitude }, over };
        self.commanded = self.last.0;
        let Transition { tone, over } = at_once(self.hands.source.set_tone(permit, want))?;
        let reply = Reply::Tone { frequency: tone.frequency, amplitude: tone.amplitude, way: over };
        let role = self.run.setup().job.rig.roles.source.clone();
        self.reply(reply, &role, over);
        Ok(())
    }

    fn warn(&mut self, on: bool) -> Result<()> {
        let rig = &self.run.setup().job.rig;
        let role = rig.roles.contacts.clone().unwrap_or_default();
        let (number, contacts) =
            rig.warning_output.zip(self.hands.contacts.as_mut()).context("there is nothing that warns")?;
        at_once(contacts.set_output(number, on))?;
        if on {
            self.reply(Reply::Warned, &role, Seconds::ZERO);
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
                self.leading_up = Some(point);
                if let Some(frequency) = at(point) {
                    self.rig.progress(point + 1, PointPhase::Settle, frequency);
                }
            }
            Event::DwellBegins { point, frequency, .. } => {
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
