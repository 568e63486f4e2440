//! The simulated rig as the baseline handles it: its instruments through the driver contract, and simulated time as
//! samples of the reference channel. Must not know any rule of control.

use super::sine::Sine;
use anyhow::{Context, Result, ensure};
use drivers::{
    Acquisition, AcquisitionRequest, ChannelRequest, Continuity, DrivePermit, Guarded, Opened, PermitIssuer,
    PowerAmplifier, SignalSource, Tone, Transition,
};
use plan_schema::faults::Faults;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Peak, SampleCount, SampleIndex, SamplesPerSecond, Seconds, Volts};
use sim::SimulatedRig;
use std::collections::BTreeMap;
use tokio::runtime::Runtime;

/// An open rig with its acquisition running.
pub(super) struct Rig {
    runtime: Runtime,
    simulated: SimulatedRig,
    source: Guarded,
    amplifier: Box<dyn PowerAmplifier>,
    acquisition: Box<dyn Acquisition>,
    issuer: PermitIssuer,
    permit: DrivePermit,
    rate: SamplesPerSecond,
    block: Seconds,
    /// Longest time from the source's reply until its output follows.
    latency: Seconds,
    /// The reference's column in a block.
    column: usize,
    /// Samples of the reference that came and were not taken yet; the last of them is the present.
    fresh: Vec<f32>,
    taken: SampleIndex,
}

impl Rig {
    /// Opens the instruments, starts the acquisition and unmutes the amplifier at zero drive.
    pub(super) fn open(job: &ResolvedJob, seed: u64) -> Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().build()?;
        let simulated =
            SimulatedRig::new(job, seed, &Faults { format: job.plan.format, faults: Vec::new() })?;
        let roles = &job.rig.roles;
        let mut opened: BTreeMap<&str, Opened> = BTreeMap::new();
        for instrument in &job.rig.instruments {
            let factory = simulated.factory(&instrument.driver);
            opened.insert(&instrument.name, runtime.block_on(factory.open(instrument))?);
        }
        let source = role(&mut opened, &roles.source, |o| o.source.take())?;
        let mut amplifier = role(&mut opened, &roles.amplifier, |o| o.amplifier.take())?;
        let mut acquisition = role(&mut opened, &roles.acquisition, |o| o.acquisition.take())?;
        ensure!(acquisition.continuity() == Continuity::Continuous, "the acquisition leaves gaps");
        let want = request(job);
        ensure!(runtime.block_on(acquisition.configure(&want))? == want, "the acquisition is set otherwise");
        runtime.block_on(acquisition.start())?;
        let (mut issuer, gate) = PermitIssuer::new();
        let permit = issuer.grant(Volts::ZERO);
        runtime.block_on(amplifier.unmute(&permit))?;
        let name = instrument_of(&roles.source);
        let source = Guarded::new(source, gate, name);
        let facts = job.rig.instruments.iter().find(|i| i.name == name).context("there is no source")?;
        Ok(Self {
            runtime,
            simulated,
            source,
            amplifier,
            acquisition,
            issuer,
            permit,
            rate: job.rig.acquisition.rate,
            block: job.rig.acquisition.block,
            latency: facts.latency,
            column: job.reference.column,
            fresh: Vec::new(),
            taken: SampleIndex(0),
        })
    }

    /// Gives leave up to a ceiling.
    pub(super) fn allow(&mut self, ceiling: Volts<Peak>) {
        self.permit = self.issuer.grant(ceiling);
    }

    /// Goes to a tone over a time and waits until the source is there and for `after` more; what was applied.
    pub(super) fn go(&mut self, tone: Tone, over: Seconds, after: Seconds) -> Result<Tone> {
        let want = Transition { tone, over };
        let applied = self.runtime.block_on(self.source.set_tone(&self.permit, want))?;
        self.pass(applied.over + after)?;
        Ok(applied.tone)
    }

    /// Goes to zero drive over a time and waits until the source is there.
    pub(super) fn off(&mut self, over: Seconds) -> Result<()> {
        let over = self.runtime.block_on(self.source.output_off(over))?;
        self.pass(over)
    }

    /// Amplitude in V of the reference over `time` from now on.
    pub(super) fn amplitude(&mut self, frequency: f64, time: Seconds) -> Result<f64> {
        let mut fit = Sine::new(frequency, self.rate.si());
        self.take(time, |samples| fit.push(samples))?;
        fit.amplitude().context("the samples of the reference determine no sine")
    }

    /// Lets time pass.
    pub(super) fn dwell(&mut self, time: Seconds) -> Result<()> {
        self.take(time, |_| {})
    }

    /// The next sample that will be taken.
    pub(super) fn now(&self) -> SampleIndex {
        self.taken
    }

    /// Time between two samples of the acquisition.
    pub(super) fn between(&self, earlier: SampleIndex, later: SampleIndex) -> Seconds {
        (later - earlier).duration(self.rate)
    }

    /// Mutes the amplifier and lets the armature come to rest; how often it touched a stop in all that time.
    pub(super) fn close(mut self) -> Result<u32> {
        self.issuer.withdraw();
        self.runtime.block_on(self.amplifier.mute())?;
        self.simulated.run_out(Seconds::new(1.0));
        Ok(self.simulated.truth().stop_hits)
    }

    /// After a command: what came before it is past, and its way and the source's latency are waited for.
    fn pass(&mut self, time: Seconds) -> Result<()> {
        self.taken = self.taken + SampleCount(self.fresh.len() as u64);
        self.fresh.clear();
        self.dwell(time + self.latency)
    }

    /// Takes samples of at least `time`, in parts.
    fn take(&mut self, time: Seconds, mut with: impl FnMut(&[f32])) -> Result<()> {
        let end = self.taken + SampleCount::at_least(time, self.rate);
        while self.taken < end {
            if self.fresh.is_empty() {
                self.fetch()?;
            }
            let wanted = usize::try_from((end - self.taken).0)?.min(self.fresh.len());
            let rest = self.fresh.split_off(wanted);
            with(&self.fresh);
            self.fresh = rest;
            self.taken = self.taken + SampleCount(wanted as u64);
        }
        Ok(())
    }

    fn fetch(&mut self) -> Result<()> {
        let wait = self.acquisition.next_block(self.block * 2.0);
        let block = self.runtime.block_on(wait)?.context("the acquisition brings nothing")?;
        ensure!(block.first_sample == self.taken, "the acquisition lost samples");
        self.fresh.extend_from_slice(block.channel(self.column));
        Ok(())
    }
}

/// Blocks as the rig file wants them, of the channels that the job uses.
fn request(job: &ResolvedJob) -> AcquisitionRequest {
    let setup = &job.rig.acquisition;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    let frames = (setup.block.si() * setup.rate.si()).round().clamp(1.0, 1e8) as u32;
    let channels = job.columns.iter().map(|c| ChannelRequest { input: c.input, range: c.range }).collect();
    AcquisitionRequest { rate: setup.rate, frames, channels }
}

fn role<T>(
    opened: &mut BTreeMap<&str, Opened>,
    written: &str,
    out: impl Fn(&mut Opened) -> Option<T>,
) -> Result<T> {
    opened
        .get_mut(instrument_of(written))
        .and_then(out)
        .with_context(|| format!("nothing fills the role '{written}'"))
}

fn instrument_of(role: &str) -> &str {
    role.split_once('.').map_or(role, |(instrument, _)| instrument)
}
