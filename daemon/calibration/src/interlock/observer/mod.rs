//! The observer: the alternating displacement of the armature, sample by sample, from the reference and the known drive.
//!
//! Owns: the estimate, the bound on its error, and the notice of an acceleration that leaves what was foreseen
//! ([`Departure`]). Pure; nothing is allocated while samples are taken. Must not: judge a limit, or know what a point is.
//!
//! ```text
//!   drive ──► machine of the rig file ──────────────────────► displacement ──┐
//!                      │ acceleration                                        +──► estimate
//!   reference ──►(−)───┴──► leak: integrated twice, but for drift ───────────┘
//!                    └────► departures: what is no steady tone               bound ◄── what is no steady tone
//! ```
//!
//! The model foretells the motion from the drive that was commanded; what the reference shows beyond it is integrated
//! twice by a leaking integrator that lets a steady tone through untouched ([`leak`]). So the model is needed for what is
//! slow and for the way from one tone to the next, the reference rules where it is good, and neither has to be right alone.
//! Where the moment of a switch is uncertain by more than half a radian of the tone, the model is left out: the leak is
//! then slow against the tone.
//!
//! # What the bound promises
//!
//! At every sample `n` from the first command on, `|x(n) − x₀ − estimate(n)| ≤ bound(n)`, where `x(n)` is the displacement at
//! the moment that sample `n` shows and `x₀` the static part: where the armature would rest with the drive at zero. What a
//! direct voltage or current does slowly is static: the rig file's allowance is for it. The promise ends, and the bound
//! is infinite, from the sample at which the observer says that it lost track: at a [`Departure`], at a gap, or when any
//! monitor tripped. Nor is anything promised before the first motion taught the model what the drive does. It counts as kept only
//! if that was said not later than in the block in which the error became larger than the bound. The promise covers a
//! plant that is not as its file says, an amplifier whose gain jumps or that mutes, a source that stops, holds a value or
//! ignores commands, and a reference that opens, turns round or overloads. It cannot cover a reference whose sensitivity is
//! off by more than `REFERENCE_WITHIN` (3 %): no comparison of one reference with a drive tells that from another motion. While a
//! stop brakes, the drive is not known: the bound then rests on the reference alone.

mod bound;
mod departure;
mod drive;
mod leak;
mod notch;
mod others;

pub use departure::Departure;
pub(crate) use departure::{GROUP_CYCLES, GROUP_MOST, SHARE};
pub(crate) use notch::Notch;
pub(super) use others::Others;

use crate::hazard::{Coil, DISPLACEMENT, Machine, State, Stepper, VELOCITY};
use bound::{Bound, Facts};
use departure::{Departures, TAIL_CYCLES, group};
use drive::Drive;
use leak::Leak;
use nalgebra::Complex;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{
    Accel, Displacement, Hertz, Metres, Peak, STANDARD_GRAVITY, SampleCount, SampleIndex, Volts, VoltsDc,
};
use std::f64::consts::TAU;

/// A tone that the source took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Commanded {
    /// Frequency as applied.
    pub frequency: Hertz,
    /// Amplitude as applied; zero where the source goes off.
    pub amplitude: Volts<Peak>,
    /// The acceleration that it should give, as learned so far.
    pub acceleration: Accel<Peak>,
    /// The way to it begins not before the one and not after the other.
    pub begins: (SampleIndex, SampleIndex),
    /// How long that way takes.
    pub way: SampleCount,
    /// After the way: until the armature has followed.
    pub follows: SampleCount,
    /// Whether anything was learned of the rig yet: before that the knob of the amplifier is a guess, and no departure is
    /// looked for.
    pub taught: bool,
    /// Whether the source starts at phase zero from 0 V.
    pub from_phase_zero: bool,
}

/// What the observer says at a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observed {
    /// The alternating displacement.
    pub estimate: Metres,
    /// Bound on the error of it; infinite once it lost track.
    pub bound: Displacement<Peak>,
}

/// Longest uncertainty of a switch, in radians of the tone, with which the model is of use.
const OF_USE: f64 = 0.5;

/// The observer of a rig.
#[derive(Debug, Clone)]
pub struct Observer {
    machine: Machine,
    stepper: Stepper,
    /// Amplifier output for a volt of the source, with its sign.
    gain: f64,
    facts: Facts,
    /// Largest acceleration that noise at rest shows, m/s².
    noise: f64,
    zero: f64,
    /// m/s² for a volt of the reference.
    scale: f64,
    drive: Drive,
    /// Response as learned over that of the rig file.
    response: f64,
    input: f64,
    state: State,
    /// 1 where the model is of use, else 0.
    weight: f64,
    /// Acceleration of the tone in force.
    acceleration: f64,
    frequency: f64,
    leak: Leak,
    bound: Bound,
    departures: Departures,
    lost: Option<Departure>,
    /// What the reference showed last, m/s².
    seen: f64,
    /// Samples were lost: nothing is known any more.
    blind: bool,
    /// Nothing was learned of the rig yet.
    untaught: bool,
}

impl Observer {
    /// The observer of a job's rig, once it is known what the reference shows at rest: its mean and standard deviation.
    #[must_use]
    pub fn new(job: &ResolvedJob, sensitivity: Complex<f64>, zero: VoltsDc, noise_rms: f64) -> Self {
        let (rig, machine) = (&job.rig, Machine::of(job));
        let rate = rig.acquisition.rate.si();
        let period = 1.0 / rate;
        let seen = noise_rms / sensitivity.norm();
        let facts = facts(job, seen);
        let bound = Bound::at(&facts, 1.0, 0.0);
        let gain = match rig.amplifier.mode {
            AmplifierMode::Voltage => rig.amplifier.gain.map_or(1.0, |g| g.si()),
            AmplifierMode::Current => rig.amplifier.transconductance.map_or(1.0, |g| g.si()),
        };
        let mut observer = Self {
            stepper: Stepper::new(&machine, Coil::Driven, 0.0, period),
            machine,
            gain,
            facts,
            noise: 6.0 * seen,
            zero: zero.si(),
            scale: 0.0,
            drive: Drive::default(),
            response: 1.0,
            input: 0.0,
            state: [0.0; 3],
            weight: 0.0,
            acceleration: 0.0,
            frequency: 1.0,
            leak: Leak::new(1.0, bound.corner, period),
            bound,
            departures: Departures::at_rest(period),
            lost: None,
            seen: 0.0,
            blind: false,
            untaught: true,
        };
        observer.calibrate(sensitivity);
        observer
    }

    /// The reference's sensitivity at a tone, V/(m/s²).
    fn calibrate(&mut self, sensitivity: Complex<f64>) {
        self.scale = 1.0 / (sensitivity.norm() * sensitivity.re.signum());
    }

    /// The source took a tone: what follows is foreseen from it. `sensitivity` is the reference's there.
    pub fn commanded(&mut self, tone: &Commanded, sensitivity: Complex<f64>) {
        let period = self.facts.period;
        let frequency = tone.frequency.si();
        let new = tone.amplitude > Volts::ZERO;
        let turns_out = new && (frequency - self.frequency).abs() > 1e-9 * frequency;
        let (first, last) = (as_number(tone.begins.0), as_number(tone.begins.1));
        if turns_out {
            self.calibrate(sensitivity);
            let phase = (sensitivity.im / sensitivity.re).atan();
            self.bound = Bound::at(&self.facts, frequency, phase).after(&self.bound);
            self.leak = self.leak.retuned(frequency, self.bound.corner);
            let uncertain = TAU * frequency * 0.5 * (last - first) * period;
            let of_use = tone.from_phase_zero && uncertain <= OF_USE;
            self.weigh(if of_use { 1.0 } else { 0.0 });
            self.frequency = frequency;
        }
        if new {
            let foreseen = self.machine.steady(tone.frequency, tone.acceleration).input.norm();
            self.response = (foreseen / (self.gain.abs() * tone.amplitude.si())).clamp(0.5, 2.0);
        }
        let way = as_number(SampleIndex(tone.way.0));
        let turn = frequency * period;
        self.drive.go(turn, tone.amplitude.si() * self.response, 0.5 * (first + last), way);
        let after = if new { tone.acceleration.si() } else { 0.0 };
        let tail = TAIL_CYCLES / (self.frequency * period);
        let steady_from = last + way + as_number(SampleIndex(tone.follows.0)) + tail;
        let notch = turns_out.then(|| Notch::new(frequency, period));
        let group = group(self.frequency, 1.0 / period);
        let larger = after.max(self.acceleration);
        self.untaught = !tone.taught;
        let noise = if tone.taught { self.noise } else { f64::INFINITY };
        self.departures.commanded((notch, group), (larger, after), noise, self.weight > 0.0, steady_from);
        self.acceleration = after;
    }

    /// Samples in a group of those that are averaged, and the tone with its period of sampling, s.
    pub(super) fn tuning(&self) -> (f64, (f64, f64)) {
        let period = self.facts.period;
        (f64::from(group(self.frequency, 1.0 / period)), (self.frequency, period))
    }

    /// What the reference showed last, m/s².
    #[must_use]
    pub(super) fn seen(&self) -> f64 {
        self.seen
    }

    /// Samples in a cycle of the tone, and its acceleration in m/s².
    pub(super) fn tone(&self) -> (f64, f64) {
        (1.0 / (self.frequency * self.facts.period), self.acceleration)
    }

    /// Samples were lost: it has lost track.
    pub fn interrupted(&mut self) {
        self.blind = true;
    }

    /// Some monitor tripped: the rig is not as it was foretold, and nothing is promised any more.
    pub fn tripped(&mut self) {
        self.blind = true;
    }

    /// A stop brakes: what drives the coil is not known any more.
    pub fn brakes(&mut self) {
        self.weigh(0.0);
        self.departures = Departures::at_rest(self.facts.period);
    }

    /// Lets the model count or not; what it says by now goes over to the leak.
    fn weigh(&mut self, weight: f64) {
        let change = self.weight - weight;
        self.leak.shift(change * self.state[DISPLACEMENT], change * self.state[VELOCITY]);
        self.weight = weight;
    }

    /// Takes a sample of the reference.
    #[inline]
    pub fn pass(&mut self, sample: SampleIndex, volts: f32) -> Observed {
        let at = as_number(sample);
        let input = self.gain * self.drive.at(at);
        self.state = self.stepper.along(&self.state, self.input, input);
        self.input = input;
        let seen = (f64::from(volts) - self.zero) * self.scale;
        self.seen = seen;
        let beside = seen - self.weight * self.machine.acceleration(&self.state);
        let (left, drift) = self.leak.pass(beside);
        if let Some(departure) = self.departures.pass(at, seen, beside) {
            self.lost.get_or_insert(departure);
        }
        let estimate = self.weight * self.state[DISPLACEMENT] + left;
        let bound = self.bound.take(estimate, drift);
        let unknown = self.lost.is_some() || self.blind || self.untaught;
        let bound = if unknown { f64::INFINITY } else { bound };
        Observed { estimate: Metres::new(estimate), bound: Displacement::new(bound) }
    }

    /// True until a change of drive that was commanded has settled: on the way the bound may be large.
    #[must_use]
    pub fn is_on_the_way(&self, sample: SampleIndex) -> bool {
        self.departures.is_on_the_way(as_number(sample))
    }

    /// The departure at which it lost track, if it did.
    #[must_use]
    pub fn departure(&self) -> Option<&Departure> {
        self.lost.as_ref()
    }
}

/// Harmonics of the displacement of a rig in order, as a share of it: a quarter of what they are in the acceleration, or less.
const HARMONICS: f64 = 0.01;

/// Bound on the error at a tone that stands still, before the reference was seen at rest.
#[must_use]
pub(crate) fn bound_at(job: &ResolvedJob, frequency: Hertz, target: Accel<Peak>) -> Displacement<Peak> {
    let bound = Bound::at(&facts(job, 0.0), frequency.si(), 0.0);
    Displacement::new(bound.steady(target.displacement_at(frequency).si(), HARMONICS))
}

/// What the bound needs of a job, with the noise that the reference shows at rest in m/s² rms.
fn facts(job: &ResolvedJob, noise: f64) -> Facts {
    let (rig, reference) = (&job.rig, &job.reference.reference);
    let rate = rig.acquisition.rate.si();
    let density = reference.noise_density.si().max(noise * (2.0 / rate).sqrt());
    Facts {
        noise: (density, reference.noise_corner.map_or(0.0, |f| f.si())),
        rated_stroke: rig.shaker.rated_stroke.si(),
        tilt: STANDARD_GRAVITY * rig.shaker.tilt_along_stroke.si().abs(),
        period: 1.0 / rate,
    }
}

#[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
fn as_number(sample: SampleIndex) -> f64 {
    sample.0 as f64
}
