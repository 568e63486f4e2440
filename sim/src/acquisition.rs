//! The acquisition: from volts at its inputs to blocks of samples. Pure.
//!
//! Owns: which input carries what, when samples are taken (start-up, gates, stalls), blocks and the samples lost between
//! them. What one channel does to a voltage is `channel`'s. Must not: decide when time moves; the world does.
//!
//! # Delays
//! Channels that sample at different instants, or anti-alias filters with a delay, need the signal between its samples, and
//! for that some samples after the instant (`delay`). Where there is any such delay, every channel is [`LATE`] samples late
//! beside it, as converters are; else none is.

use crate::channel::{Channel, Facts, Source, Wire};
use crate::conditioner::Response;
use crate::delay;
use crate::error::SimError;
use crate::faults::Effects;
use crate::hum::Hum;
use crate::spread::Unknowns;
use crate::tap::Tap;
use plan_schema::chain::Chain;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AcquisitionSetup;
use plan_schema::simulation::SimulatedAcquisition;
use plan_schema::units::{SampleCount, SamplesPerSecond, Seconds};

/// Largest stretch that is worked on at once; bounds the buffers.
pub(crate) const STRETCH: usize = 512;

/// Most samples of a channel in one block.
const FRAMES_MAX: u32 = 4_000_000;

/// Samples by which all channels are late where any is delayed by a part of one.
const LATE: f64 = 6.0;

/// Longest delay in samples.
const DELAY_MAX: f64 = 100_000.0;

/// Harmonics of the mains that hum.
const HARMONICS: [u32; 4] = [1, 2, 3, 5];

/// An input of the acquisition: a channel of the rig file.
#[derive(Clone)]
struct Input {
    number: u32,
    channel: Channel,
}

/// An input that was asked for.
#[derive(Debug, Clone, Copy)]
struct Chosen {
    input: usize,
    range: f64,
}

/// A block before it gets the form of the driver contract.
#[derive(Debug)]
pub(crate) struct Taken {
    pub(crate) first: u64,
    pub(crate) gap: u64,
    pub(crate) samples: Vec<f32>,
    pub(crate) overload: Vec<bool>,
}

/// What is connected to channels in place of what belongs there.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Instead<'a> {
    /// Nothing.
    Nothing,
    /// The source, of which this is the output, to those of references and sensors.
    Source(&'a [f64]),
    /// The reference to those of the sensors under test.
    Reference,
}

/// What the acquisition does next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// It takes up to so many samples for the block that was begun.
    Take(usize),
    /// It takes none for so many: it is starting up, or pauses between gates.
    Skip(usize),
}

/// The acquisition.
#[derive(Clone)]
pub(crate) struct Sampler {
    steps: f64,
    inputs: Vec<Input>,
    tap: Tap,
    chosen: Vec<Chosen>,
    frames: usize,
    running: bool,
    startup: u64,
    /// Samples of a gate and of the pause after it, where it is gated.
    gate: Option<(u64, u64)>,
    /// Samples until the first one.
    starting: u64,
    /// Samples since the first one, lost ones included.
    index: u64,
    /// Samples lost since the last block.
    lost: u64,
    samples: Vec<f32>,
    filled: usize,
    overload: Vec<bool>,
}

impl Sampler {
    /// All channels of the rig, none of them asked for yet. `source` tells what is at the other end of a wire, `rate` is
    /// the true one.
    ///
    /// # Errors
    /// Two channels on one input or two transducers on one channel, a converter or a time that can't be.
    pub(crate) fn new(
        job: &ResolvedJob,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
        source: impl Fn(Wire) -> Source,
    ) -> Result<Self, SimError> {
        let facts = &job.rig.simulation.acquisition;
        check(facts)?;
        let delays = delays(job, unknowns, rate)?;
        let mut inputs: Vec<Input> = Vec::new();
        for (channel, delay) in job.rig.channels.iter().zip(delays) {
            if inputs.iter().any(|other| other.number == channel.input) {
                return Err(SimError::new(
                    format!("channel '{}' shares input {} with another channel", channel.name, channel.input),
                    "give each channel an input of its own",
                ));
            }
            let wire = wire(job, &channel.name)?;
            let chain = chain(job, channel, wire);
            let off = |what: &str, u: f64| unknowns.stated(&format!("{what} of channel {}", channel.name), u);
            let coupling = chain.coupling().map_or(0.0, |c| off("coupling corner", c.u));
            let turns = job.rig.mains_frequency.si() / rate.si();
            let conditioner_gain =
                chain.conditioner().map_or(1.0, |g| g.value * (1.0 + off("conditioner", g.u)));
            let of_channel = Facts {
                name: &channel.name,
                seed: unknowns.seed(),
                rate: rate.si(),
                gain_error: unknowns.channel_gain(&channel.name),
                delay,
                ac_corner: channel.ac_corner.map(|f| f.si() * (1.0 + coupling)),
                chain_gain: chain.gain()
                    * (1.0 + chain.channel_gain().map_or(0.0, |g| off("gain", g.u)))
                    * (1.0 + chain.conditioner().map_or(0.0, |g| off("conditioner", g.u))),
                conditioner_gain,
                response: Response::of(&chain, off),
                own_response: Response::of(&chain.of_channel_alone(), off),
                noise: facts.noise.si(),
                hum: hum(facts, unknowns, &channel.name, turns),
                mains: Hum::new(turns, 0.0),
            };
            inputs.push(Input {
                number: channel.input,
                channel: Channel::new(of_channel, wire, &source(wire), STRETCH),
            });
        }
        let samples = |time: Seconds| SampleCount::at_least(time, rate).0;
        Ok(Self {
            steps: f64::from(facts.bits).exp2(),
            inputs,
            tap: Tap::of(job, unknowns, rate, &source(Wire::Reference(0))),
            chosen: Vec::new(),
            frames: 0,
            running: false,
            startup: samples(facts.startup),
            gate: gate(facts, &job.rig.acquisition).map(|(gate, pause)| (samples(gate), samples(pause))),
            starting: 0,
            index: 0,
            lost: 0,
            samples: Vec::new(),
            filled: 0,
            overload: Vec::new(),
        })
    }

    /// Takes up the frequency of the drive in Hz; 0 leaves it as it is.
    pub(crate) fn retune(&mut self, frequency: f64) {
        for input in &mut self.inputs {
            input.channel.retune(frequency);
        }
        self.tap.retune(frequency);
    }

    /// Whether it pauses between gates.
    pub(crate) fn is_gated(&self) -> bool {
        self.gate.is_some()
    }

    /// True between start and stop.
    pub(crate) fn is_running(&self) -> bool {
        self.running
    }

    /// Sets block length and channels (number of the input, range in V); or says why it can't.
    pub(crate) fn configure(&mut self, frames: u32, channels: &[(u32, f64)]) -> Result<(), String> {
        if frames == 0 || frames > FRAMES_MAX {
            return Err(format!("a block of {frames} samples is not within 1 to {FRAMES_MAX}"));
        }
        if channels.is_empty() {
            return Err("no channel was asked for".to_owned());
        }
        let mut chosen: Vec<Chosen> = Vec::with_capacity(channels.len());
        for (number, range) in channels {
            let Some(input) = self.inputs.iter().position(|i| i.number == *number) else {
                return Err(format!("there is no input {number}"));
            };
            if chosen.iter().any(|c| c.input == input) {
                return Err(format!("input {number} was asked for twice"));
            }
            if !(range.is_finite() && *range > 0.0) {
                return Err(format!("input {number} has no range of {range} V"));
            }
            chosen.push(Chosen { input, range: *range });
        }
        if let Some((gate, _)) = self.gate.filter(|(gate, _)| u64::from(frames) > *gate) {
            return Err(format!("a block of {frames} samples does not fit a gate of {gate}"));
        }
        self.frames = usize::try_from(frames).unwrap_or(usize::MAX);
        self.chosen = chosen;
        Ok(())
    }

    /// Starts: after its start-up comes sample 0; false if nothing was configured.
    pub(crate) fn start(&mut self) -> bool {
        if self.chosen.is_empty() {
            return false;
        }
        self.running = true;
        self.starting = self.startup;
        self.index = 0;
        self.lost = 0;
        self.begin_block();
        true
    }

    /// Stops; a block that was begun is dropped.
    pub(crate) fn stop(&mut self) {
        self.running = false;
    }

    /// What comes next; at least one sample while it runs.
    pub(crate) fn next(&self) -> Next {
        let samples = |n: u64| usize::try_from(n).unwrap_or(usize::MAX);
        if self.starting > 0 {
            return Next::Skip(samples(self.starting));
        }
        let wanted = self.frames - self.filled;
        let Some((gate, pause)) = self.gate else {
            return Next::Take(wanted);
        };
        let within = self.index % (gate + pause);
        if within + wanted as u64 > gate {
            Next::Skip(samples(gate + pause - within))
        } else {
            Next::Take(wanted)
        }
    }

    /// Lets `samples` of [`Next::Skip`] pass.
    pub(crate) fn skip(&mut self, samples: usize) {
        let samples = samples as u64;
        if self.starting > 0 {
            self.starting = self.starting.saturating_sub(samples);
        } else {
            self.lose(samples);
        }
    }

    /// Loses `samples`, and those of the block that was begun.
    pub(crate) fn lose(&mut self, samples: u64) {
        self.index += samples;
        self.lost += samples + self.filled as u64;
        self.filled = 0;
        self.overload.fill(false);
    }

    /// Takes in what the wires carry over a stretch that begins `sample` samples after the world's start, sampled or not;
    /// `signal` gives it in the unit of the wire's scale; `instead` is what is connected to channels in place of that.
    pub(crate) fn feed<'a>(
        &mut self,
        sample: u64,
        samples: usize,
        effects: &Effects,
        signal: impl Fn(Wire) -> Option<&'a [f64]>,
        instead: Instead<'_>,
    ) {
        self.tap.take(signal(Wire::Reference(0)), samples);
        for (n, input) in self.inputs.iter_mut().enumerate() {
            let wire = input.channel.wire;
            let other = match (instead, wire) {
                (Instead::Source(volts), Wire::Reference(_) | Wire::Sensor(_)) => Some(volts),
                (Instead::Reference, Wire::Sensor(n)) => self.tap.to(n, samples),
                _ => None,
            };
            if let Some(volts) = other {
                input.channel.feed_routed(volts);
                continue;
            }
            input.channel.feed(signal(wire), samples, &effects.on(n, sample));
        }
    }

    /// Samples the stretch that was just taken in, at most [`Next::Take`] of it, which begins `sample` samples after the
    /// world's start.
    pub(crate) fn take(&mut self, sample: u64, samples: usize, effects: &Effects) -> Option<Taken> {
        let to = self.filled..self.filled + samples;
        for (n, chosen) in self.chosen.iter().enumerate() {
            let Some(input) = self.inputs.get_mut(chosen.input) else {
                continue;
            };
            let out = self.samples.get_mut(n * self.frames + to.start..n * self.frames + to.end)?;
            let disturbed = effects.on(chosen.input, sample);
            let beyond = input.channel.sample(sample, &disturbed, chosen.range, self.steps, out);
            if beyond && let Some(flag) = self.overload.get_mut(n) {
                *flag = true;
            }
        }
        self.filled = to.end;
        self.index += samples as u64;
        (self.filled == self.frames).then(|| self.finish_block())
    }

    fn begin_block(&mut self) {
        self.samples = vec![0.0; self.frames.saturating_mul(self.chosen.len())];
        self.overload = vec![false; self.chosen.len()];
        self.filled = 0;
    }

    fn finish_block(&mut self) -> Taken {
        let taken = Taken {
            first: self.index - self.filled as u64,
            gap: self.lost,
            samples: std::mem::take(&mut self.samples),
            overload: std::mem::take(&mut self.overload),
        };
        self.lost = 0;
        self.begin_block();
        taken
    }
}

/// Sines of the mains on a channel with their amplitudes in V; `turns` is that of the first a sample.
fn hum(facts: &SimulatedAcquisition, unknowns: &Unknowns, channel: &str, turns: f64) -> Vec<(f64, Hum)> {
    let volts = [facts.hum, facts.hum_second, facts.hum_third, facts.hum_fifth];
    let each = HARMONICS.iter().zip(volts).filter(|(_, volts)| volts.si() > 0.0);
    each.map(|(harmonic, volts)| {
        let phase = unknowns.hum_phase(channel, *harmonic);
        (volts.si(), Hum::new(turns * f64::from(*harmonic), phase))
    })
    .collect()
}

/// Length of a gate and of the pause after it: as the simulation says, else as the rig file says of a gated acquisition.
fn gate(facts: &SimulatedAcquisition, setup: &AcquisitionSetup) -> Option<(Seconds, Seconds)> {
    if facts.gate.si() > 0.0 {
        Some((facts.gate, facts.pause))
    } else {
        setup.pause.map(|pause| (setup.block, pause))
    }
}

fn check(facts: &SimulatedAcquisition) -> Result<(), SimError> {
    let key = |name: &str| format!("simulation.acquisition.{name}");
    for (value, name) in [
        (facts.noise.si(), "noise"),
        (facts.hum.si(), "hum"),
        (facts.hum_second.si(), "hum_second"),
        (facts.hum_third.si(), "hum_third"),
        (facts.hum_fifth.si(), "hum_fifth"),
        (facts.delay.si(), "delay"),
        (facts.startup.si(), "startup"),
        (facts.gate.si(), "gate"),
        (facts.pause.si(), "pause"),
    ] {
        SimError::not_negative(value, &format!("the {name} of the acquisition"), &key(name))?;
    }
    if !(2..=32).contains(&facts.bits) {
        return Err(SimError::new(
            format!("a converter of {} bits can't be simulated", facts.bits),
            "write 2 to 32 for simulation.acquisition.bits",
        ));
    }
    Ok(())
}

/// Delay of each channel in samples, all 0 where nothing is delayed.
fn delays(job: &ResolvedJob, unknowns: &Unknowns, rate: SamplesPerSecond) -> Result<Vec<f64>, SimError> {
    let common = job.rig.simulation.acquisition.delay.si() * rate.si();
    let stated = |channel: &plan_schema::rig::Channel| {
        let name = format!("delay of channel {}", channel.name);
        channel.delay.map_or(0.0, |t| t.si() + unknowns.stated(&name, channel.delay_u.si()))
    };
    let own: Vec<f64> = job
        .rig
        .channels
        .iter()
        .map(|channel| common + (unknowns.channel_delay(&channel.name) + stated(channel)) * rate.si())
        .collect();
    if own.iter().all(|delay| *delay == 0.0) {
        return Ok(own);
    }
    // Whole samples more, until the earliest channel is late enough.
    let earliest = own.iter().copied().fold(common, f64::min);
    let late = (LATE - common.floor()).max((delay::SHORTEST - earliest).ceil()).max(0.0);
    let delays: Vec<f64> = own.into_iter().map(|delay| delay + late).collect();
    // Written so that what is no number is refused.
    if delays.iter().all(|delay| *delay <= DELAY_MAX) {
        return Ok(delays);
    }
    Err(SimError::new(
        format!("a channel is late by more than {DELAY_MAX} samples"),
        "write a shorter simulation.acquisition.delay, or a smaller errors.channel_phase",
    ))
}

/// What comes after the transducer on a wire: of a displacement transducer its sensitivity has it all.
fn chain(job: &ResolvedJob, channel: &plan_schema::rig::Channel, wire: Wire) -> Chain {
    match wire {
        Wire::Reference(n) => {
            let mut references = std::iter::once(&job.reference).chain(&job.second_reference);
            references.nth(n).map_or_else(Chain::default, |r| r.chain.clone())
        }
        Wire::Sensor(n) => {
            let mut sensors = job.sensors.iter().chain(&job.check_standards);
            sensors.nth(n).map_or_else(Chain::default, |s| s.chain.clone())
        }
        Wire::Supply(_) => Chain::of(channel, false),
        Wire::Displacement | Wire::Drive | Wire::Nothing => Chain::default(),
    }
}

/// What is connected to a channel of the rig.
fn wire(job: &ResolvedJob, channel: &str) -> Result<Wire, SimError> {
    let column = job.columns.iter().position(|c| c.name == channel);
    let references = || std::iter::once(&job.reference).chain(&job.second_reference);
    let sensors = || job.sensors.iter().chain(&job.check_standards);
    let wire = column.and_then(|column| {
        let reference = references().position(|r| r.column == column).map(Wire::Reference);
        let sensor = || sensors().position(|s| s.column == column).map(Wire::Sensor);
        let supply = || sensors().position(|s| s.supply_column == Some(column)).map(Wire::Supply);
        reference.or_else(sensor).or_else(supply)
    });
    let wire = wire.unwrap_or(Wire::Nothing);
    let displacement = job.rig.displacement.as_ref().is_some_and(|d| d.channel == channel);
    let drive = job.rig.drive_monitor.as_ref().is_some_and(|d| d.channel == channel);
    let twice = |what: &str| {
        SimError::new(
            format!("channel '{channel}' carries {what} and another one"),
            "connect the other to a channel of its own",
        )
    };
    match (displacement, drive, wire) {
        (false, false, wire) => Ok(wire),
        (true, false, Wire::Nothing) => Ok(Wire::Displacement),
        (false, true, Wire::Nothing) => Ok(Wire::Drive),
        (true, ..) => Err(twice("the displacement transducer")),
        (false, true, _) => Err(twice("the drive monitor")),
    }
}
