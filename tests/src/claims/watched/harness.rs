//! A run on the simulated rig without the shell around it: what the run asks for is carried out at once, and its stroke
//! monitor is listened to, sample by sample, beside the true displacement. Must not know what is claimed.

use anyhow::{Context, Result, bail};
use calibration::block::BlockView;
use calibration::interlock::Observed;
use calibration::sequence::{Action, Effective, Event, Input, Reply, Run, Setup, Target};
use drivers::{
    Acquisition, AcquisitionRequest, ChannelRequest, Contacts, DrivePermit, Guarded, Opened, PermitIssuer,
    PowerAmplifier, SignalSource, Tone, Transition,
};
use plan_schema::faults::{Faults, PointPhase};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Mono, SampleIndex, Seconds};
use sim::SimulatedRig;
use std::collections::BTreeMap;
use tokio::runtime::Runtime;

/// A rig under a run.
pub(super) struct Harness {
    runtime: Runtime,
    simulated: SimulatedRig,
    source: Guarded,
    amplifier: Box<dyn PowerAmplifier>,
    acquisition: Box<dyn Acquisition>,
    contacts: Option<Box<dyn Contacts>>,
    issuer: PermitIssuer,
    permit: DrivePermit,
    pub(super) run: Run,
    /// Column of the true displacement, and volts for a metre.
    truth: (usize, f64),
    end: SampleIndex,
    asked: Mono,
}

/// One block as the observer and the simulator have it.
pub(super) struct Seen {
    pub(super) observed: Vec<Observed>,
    pub(super) displacement: Vec<f64>,
    /// Samples were lost before it.
    pub(super) gap: bool,
}

impl Harness {
    /// Opens the rig of `simulated`, which has a displacement channel, for a run of `job`, which need not know of it.
    pub(super) fn open(
        simulated: &ResolvedJob,
        job: ResolvedJob,
        seed: u64,
        faults: &Faults,
    ) -> Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().build()?;
        let column = simulated.displacement_column.context("no displacement channel")?;
        let volts = simulated.rig.displacement.as_ref().map_or(1.0, |d| d.sensitivity.si());
        let rig = SimulatedRig::new(simulated, seed, faults)?;
        let roles = &job.rig.roles;
        let mut opened: BTreeMap<&str, Opened> = BTreeMap::new();
        for instrument in &job.rig.instruments {
            let factory = rig.factory(&instrument.driver);
            opened.insert(&instrument.name, runtime.block_on(factory.open(instrument))?);
        }
        let source = of(&mut opened, &roles.source, |o| o.source.take())?;
        let amplifier = of(&mut opened, &roles.amplifier, |o| o.amplifier.take())?;
        let mut acquisition = of(&mut opened, &roles.acquisition, |o| o.acquisition.take())?;
        let contacts = match &roles.contacts {
            Some(written) => Some(of(&mut opened, written, |o| o.contacts.take())?),
            None => None,
        };
        let setup = &job.rig.acquisition;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
        let frames = (setup.block.si() * setup.rate.si()).round().clamp(1.0, 1e8) as u32;
        let channel = |c: &plan_schema::rig::Channel| ChannelRequest { input: c.input, range: c.range };
        let channels = simulated.columns.iter().map(channel).collect();
        runtime.block_on(acquisition.configure(&AcquisitionRequest {
            rate: setup.rate,
            frames,
            channels,
        }))?;
        runtime.block_on(acquisition.start())?;
        let (mut issuer, gate) = PermitIssuer::new();
        let permit = issuer.grant(plan_schema::units::Volts::ZERO);
        let source = Guarded::new(source, gate, instrument_of(&roles.source));
        let run = Run::new(Setup::new(job));
        let (end, asked) = (SampleIndex(0), Mono(0));
        let truth = (column, volts);
        Ok(Self {
            runtime,
            simulated: rig,
            source,
            amplifier,
            acquisition,
            contacts,
            issuer,
            permit,
            run,
            truth,
            end,
            asked,
        })
    }

    /// Begins the run.
    pub(super) fn start(&mut self) -> Result<()> {
        self.ask()?;
        self.feed(Input::Started { starts_at_zero: true })
    }

    /// The next block, and all that follows from it; `None` if none came in time.
    pub(super) fn block(&mut self) -> Result<Option<Seen>> {
        let setup = &self.run.setup().job.rig;
        let (wait, poll) = (setup.acquisition.block * 2.0, setup.timing.poll_interval);
        let came = self.runtime.block_on(self.acquisition.next_block(wait))?;
        if self.simulated.now().since(self.asked) >= poll {
            self.ask()?;
        }
        let Some(block) = came else {
            self.feed(Input::Tick)?;
            return Ok(None);
        };
        let columns: Vec<&[f32]> = (0..block.channels()).map(|c| block.channel(c)).collect();
        let known = self.run.setup().job.columns.len();
        let (channels, overload) = (columns.get(..known).unwrap_or(&[]), block.overload());
        let view = BlockView {
            first_sample: block.first_sample,
            gap_before: block.gap_before,
            channels,
            overload: overload.get(..known).unwrap_or(&[]),
        };
        let mut seen = Seen { observed: Vec::new(), displacement: Vec::new(), gap: block.gap_before.0 > 0 };
        // The run's own monitor is left to the run.
        let _ = self.run.stroke().clone().look(&view, |_, observed| seen.observed.push(observed));
        let (column, volts) = self.truth;
        seen.displacement = block.channel(column).iter().map(|v| f64::from(*v) / volts).collect();
        self.end = view.end();
        self.feed(Input::Block(view))?;
        Ok(Some(seen))
    }

    fn ask(&mut self) -> Result<()> {
        self.asked = self.simulated.now();
        if let Some(contacts) = &mut self.contacts {
            let read = self.runtime.block_on(contacts.read())?;
            let inputs = read.inputs;
            self.feed(Input::Contacts { emergency_stop_closed: read.emergency_stop_closed, inputs })?;
        }
        let status = self.runtime.block_on(self.amplifier.status())?;
        self.feed(Input::Amplifier { fault: status.fault, muted: status.muted })
    }

    fn feed(&mut self, input: Input<'_>) -> Result<()> {
        let mut actions = Vec::new();
        self.run.step(self.simulated.now(), input, &mut actions);
        for action in actions {
            if let Some(follows) = self.carry_out(action)? {
                self.feed(follows)?;
            }
        }
        Ok(())
    }

    fn carry_out(&mut self, action: Action) -> Result<Option<Input<'static>>> {
        use calibration::sequence::Stored;
        let refused = |instrument: &str, detail: String| {
            let consequence = calibration::sequence::Consequence::Trip;
            Some(Input::Failed { instrument: instrument.to_owned(), detail, consequence })
        };
        Ok(match action {
            Action::Grant(ceiling) => {
                self.permit = self.issuer.grant(ceiling);
                None
            }
            Action::Withdraw => {
                self.issuer.withdraw();
                None
            }
            Action::Warn(true) => Some(self.replied(Reply::Warned, Seconds::ZERO)),
            Action::Unmute => match self.runtime.block_on(self.amplifier.unmute(&self.permit)) {
                Ok(_) => Some(self.replied(Reply::Unmuted, Seconds::ZERO)),
                Err(error) => refused("amplifier", error.to_string()),
            },
            Action::SetTone { frequency, amplitude, over } => {
                let want = Transition { tone: Tone { frequency, amplitude }, over };
                match self.runtime.block_on(self.source.set_tone(&self.permit, want)) {
                    Ok(done) => {
                        let (frequency, amplitude, way) =
                            (done.tone.frequency, done.tone.amplitude, done.over);
                        Some(self.replied(Reply::Tone { frequency, amplitude, way }, way))
                    }
                    Err(error) => refused("source", error.to_string()),
                }
            }
            Action::SourceOff { over } => match self.runtime.block_on(self.source.output_off(over)) {
                Ok(over) => Some(self.replied(Reply::SourceOff, over)),
                Err(error) => refused("source", error.to_string()),
            },
            Action::MakeSafe(target) => {
                let way = match target {
                    Target::Source => self.runtime.block_on(self.source.output_off(Seconds::ZERO))?,
                    Target::Amplifier => {
                        self.runtime.block_on(self.amplifier.mute())?;
                        Seconds::ZERO
                    }
                };
                Some(self.replied(Reply::MadeSafe(target), way))
            }
            Action::StoreQuiet(record) => Some(Input::Stored(Stored::Quiet(record.when))),
            Action::StoreFirstMotion(_) => Some(Input::Stored(Stored::FirstMotion)),
            Action::StorePoint(_) => Some(Input::Stored(Stored::Point)),
            Action::Route(_) | Action::StoreRatioTone(_) | Action::StoreConfirmation(..) => {
                bail!("no job here asks for the ratio of channels")
            }
            Action::Tell(Event::PointBegins(point)) => {
                self.progress(point, PointPhase::Settle);
                None
            }
            Action::Tell(Event::DwellBegins { point, .. }) => {
                self.progress(point, PointPhase::Dwell);
                None
            }
            Action::Tell(_) | Action::Warn(false) | Action::StoreTrip(_) | Action::Finish(_) => None,
        })
    }

    /// Faults within a point are timed from here.
    fn progress(&self, point: usize, phase: PointPhase) {
        if let Some(at) = self.run.setup().job.points.get(point) {
            self.simulated.progress(point + 1, phase, at.frequency);
        }
    }

    /// As the station does it, time standing still meanwhile: not before now, not after the way and the declared latency.
    fn replied(&self, reply: Reply, way: Seconds) -> Input<'static> {
        let setup = self.run.setup();
        let role = match reply {
            Reply::Unmuted | Reply::MadeSafe(Target::Amplifier) => &setup.job.rig.roles.amplifier,
            _ => &setup.job.rig.roles.source,
        };
        let after = setup.samples(way + setup.latency(role));
        Input::Replied(reply, Effective { not_before: self.end, not_after: self.end + after })
    }
}

fn of<T>(
    opened: &mut BTreeMap<&str, Opened>,
    written: &str,
    out: impl Fn(&mut Opened) -> Option<T>,
) -> Result<T> {
    let found = opened.get_mut(instrument_of(written)).and_then(out);
    found.with_context(|| format!("nothing fills the role '{written}'"))
}

fn instrument_of(role: &str) -> &str {
    role.split_once('.').map_or(role, |(instrument, _)| instrument)
}
