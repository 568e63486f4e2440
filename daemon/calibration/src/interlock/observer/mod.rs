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
//! monitor tripped; it is given again after a departure without any tone when the next one begins. Nor is anything promised before the first motion taught the model what the drive does. It counts as kept only
//! if that was said not later than in the block in which the error became larger than the bound. The promise covers a
//! plant that is not as its file says, an amplifier whose gain jumps or that mutes, a source that stops, holds a value or
//! ignores commands, and a reference that opens, turns round or overloads. It cannot cover a reference whose sensitivity is
//! off by more than `REFERENCE_WITHIN` (3 %): no comparison of one reference with a drive tells that from another motion. While a
//! stop brakes, the drive is not known: the bound then rests on the reference alone.

mod bound;
mod departure;
mod drive;
mod foretold;
mod leak;
mod notch;
mod others;
mod rest;
mod shown;

pub use departure::Departure;
pub(crate) use departure::{GROUP_CYCLES, GROUP_MOST, SHARE};
pub(super) use foretold::Foretold;
pub(crate) use notch::Notch;
pub(super) use others::Others;

use crate::hazard::{Coil, DISPLACEMENT, Machine, State, Stepper, VELOCITY};
use bound::{Bound, Facts};
use departure::{Departures, TAIL_CYCLES, Way, group};
use drive::Drive;
use leak::Leak;
use nalgebra::Complex;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{
    Accel, AccelDc, Displacement, Hertz, Metres, Peak, STANDARD_GRAVITY, SampleCount, SampleIndex, Volts,
    VoltsDc,
};
use rest::Rest;
use shown::Shown;
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
    /// Of the bound: how far the centre may have moved off unforeseen since the source was commanded last.
    pub aside: Displacement<Peak>,
}

/// Longest uncertainty of a switch, in radians of the tone, with which the model is of use.
const OF_USE: f64 = 0.5;

/// Share of the foreseen tone that the reference has to show before it counts as alive.
const CONFIRMS: f64 = 1.0 - SHARE;

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
    /// What drives the model, the learned response in it; and what the source was told.
    drive: Drive,
    told: Drive,
    /// Sample from which the armature has followed it.
    followed: f64,
    /// The tone as the reference showed it.
    shown: Shown,
    /// Acceleration before the last change of drive.
    before: f64,
    /// Acceleration for a volt of the drive, as foreseen.
    per_volt: f64,
    /// The tone began at an unknown phase, and the reference has not shown yet that it is there.
    unconfirmed: bool,
    /// Step of the acceleration that counts without a tone: one that sets the centre off by a share of the static allowance.
    step: f64,
    /// The static allowance, m: a share of it off its centre without a tone counts as unforeseen, the whole is too much.
    allowance: f64,
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
    /// The same with a lower corner.
    slow: Leak,
    /// From the command to be at 0 V on.
    rest: Option<Rest>,
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
            told: Drive::default(),
            followed: 0.0,
            shown: Shown::new(period),
            before: 0.0,
            per_volt: 0.0,
            unconfirmed: false,
            step: SHARE * machine.acceleration_of(rig.shaker.static_allowance.si()),
            allowance: rig.shaker.static_allowance.si(),
            response: 1.0,
            input: 0.0,
            state: [0.0; 3],
            weight: 0.0,
            acceleration: 0.0,
            frequency: 1.0,
            leak: Leak::new(1.0, bound.corner, period),
            slow: Leak::new(1.0, bound.slow_corner, period),
            rest: None,
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
        // What happened without a tone is no matter of the next one.
        self.lost = self.lost.filter(|lost| !(new && lost.at_rest));
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
            self.shown = Shown::new(frequency * period);
        }
        if new {
            let foreseen = self.machine.steady(tone.frequency, tone.acceleration).input.norm();
            self.response = (foreseen / (self.gain.abs() * tone.amplitude.si())).clamp(0.5, 2.0);
        }
        let way = as_number(SampleIndex(tone.way.0));
        let turn = frequency * period;
        let (begins, open, amplitude) = (0.5 * (first + last), 0.5 * (last - first), tone.amplitude.si());
        let anew = turns_out || self.told.amplitude(begins) <= 0.0;
        self.drive.go(turn, amplitude * self.response, (begins, open), way);
        let shown = self.shown.foretold().map(|(_, size)| size * self.told.amplitude(begins));
        self.before = shown.unwrap_or(self.acceleration);
        self.told.go(turn, amplitude, (begins, open), way);
        let after = if new { tone.acceleration.si() } else { 0.0 };
        if new {
            self.per_volt = after / amplitude;
        }
        self.followed = last + way + as_number(SampleIndex(tone.follows.0));
        self.shown.stands_from(self.followed, anew);
        self.unconfirmed = new && self.weight <= 0.0 && (anew || self.unconfirmed);
        self.slow = self.leak.slowed(self.bound.slow_corner);
        let rest = || {
            let tone = (self.frequency, self.acceleration);
            Rest::after(&self.leak, &self.facts, tone, self.allowance, self.followed)
        };
        self.rest = if new { None } else { Some(self.rest.take().unwrap_or_else(rest)) };
        let notch = turns_out.then(|| Notch::new(frequency, period));
        let group = group(self.frequency, 1.0 / period);
        let larger = after.max(self.acceleration);
        self.untaught = !tone.taught;
        let noise = if tone.taught { self.noise } else { f64::INFINITY };
        let steady_from = self.followed + TAIL_CYCLES / (self.frequency * period);
        self.departures.commanded((notch, group), (larger, after), (noise, self.step), steady_from);
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

    /// The tone at the sample that was taken last; `None` before it stood still once.
    pub(super) fn foretold(&self, sample: SampleIndex) -> Option<Foretold> {
        let at = as_number(sample);
        let (frequency, before) = (Hertz::new(self.frequency), self.told.from());
        let drive = self.told.amplitude(at);
        self.shown.phasor().map(|unit| Foretold { frequency, unit, drive, before })
    }

    /// The machine, the time between samples in s, and what a line at 0 V shows, m/s².
    pub(super) fn bench(&self) -> (&Machine, f64, f64) {
        (&self.machine, self.facts.period, -self.zero * self.scale)
    }

    /// Samples in a cycle of the tone, and its acceleration in m/s².
    pub(super) fn tone(&self) -> (f64, f64) {
        (1.0 / (self.frequency * self.facts.period), self.acceleration)
    }

    /// The acceleration of the tone before the last change of it, in m/s².
    pub(super) fn before(&self) -> f64 {
        self.before
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
        self.rest = None;
        self.departures = Departures::at_rest(self.facts.period);
    }

    /// Lets the model count or not; what it says by now goes over to the leak.
    fn weigh(&mut self, weight: f64) {
        let change = self.weight - weight;
        let (displacement, velocity) = (change * self.state[DISPLACEMENT], change * self.state[VELOCITY]);
        for leak in [&mut self.leak, &mut self.slow] {
            leak.shift(displacement, velocity);
        }
        if let Some(rest) = &mut self.rest {
            rest.shift(displacement, velocity);
        }
        self.weight = weight;
    }

    /// Takes a sample of the reference. `shown` says whether others show a departure too: without a tone hum and a bad contact
    /// are no motion, and only what they show counts.
    #[inline]
    pub fn pass(&mut self, sample: SampleIndex, volts: f32, shown: impl Fn(&Departure) -> bool) -> Observed {
        let at = as_number(sample);
        let input = self.gain * self.drive.at(at);
        self.state = self.stepper.along(&self.state, self.input, input);
        self.input = input;
        let seen = (f64::from(volts) - self.zero) * self.scale;
        self.seen = seen;
        let beside = seen - self.weight * self.machine.acceleration(&self.state);
        let (left, drift) = self.leak.pass(beside);
        let aside = (self.slow.pass(beside).0 - left).abs();
        if let Some(rest) = &mut self.rest {
            rest.pass(at, beside);
        }
        let way = self.on_the_way(at, seen);
        if let Some(departure) = self.departures.pass(at, (seen, beside), way)
            && (!departure.at_rest || shown(&departure))
        {
            self.lost.get_or_insert(departure);
        }
        let estimate = self.weight * self.state[DISPLACEMENT] + left;
        let bound = self.bound.take(estimate, drift) + self.unseen(at, estimate, way) + aside;
        if let Some(mean) = self.departures.rest().filter(|_| aside > SHARE * self.allowance) {
            let of = AccelDc::new;
            let (seen, foreseen, allowed) = (of(seen), of(mean), of(self.step));
            let (on_the_way, at_rest) = (false, true);
            self.lost.get_or_insert(Departure { at: sample, seen, foreseen, allowed, on_the_way, at_rest });
        }
        let unknown = self.lost.is_some() || self.blind || self.untaught;
        let bound = if unknown { f64::INFINITY } else { bound };
        Observed {
            estimate: Metres::new(estimate),
            bound: Displacement::new(bound),
            aside: Displacement::new(aside),
        }
    }

    /// Follows the tone; how its change is foretold while one is on its way.
    #[inline]
    fn on_the_way(&mut self, at: f64, seen: f64) -> Option<Way> {
        let drive = self.told.amplitude(at);
        if let Some(cycles) = self.shown.pass(at, seen, drive) {
            self.unconfirmed &= cycles.amplitude - cycles.within < CONFIRMS * self.acceleration;
        }
        if drive <= 0.0 && at >= self.followed {
            self.departures.rests(seen);
        }
        if !self.departures.is_on_the_way(at) {
            return None;
        }
        let Some((now, size)) = self.shown.foretold() else {
            return Some(Way::BySize { modelled: self.weight > 0.0 });
        };
        let (least, most) = self.told.between(at);
        let tone = size * self.told.largest();
        Some(Way::ByTone { tone, news: seen - now * drive, open: size * (most - least) })
    }

    /// What has to be added to the bound while the tone changes: a reference that is not what it was any more makes an error
    /// of what a departure has to exceed before it counts. While nothing says yet that the reference shows the tone at all,
    /// a dead one leaves out the whole displacement that was commanded, and one that turned round shows it with the other
    /// sign.
    #[inline]
    fn unseen(&self, at: f64, estimate: f64, way: Option<Way>) -> f64 {
        let per_displacement = (TAU * self.frequency).powi(2);
        if self.unconfirmed || way == Some(Way::BySize { modelled: false }) {
            let tone = self.per_volt * self.told.between(at).1;
            (1.0 + SHARE) * tone / per_displacement + estimate.abs()
        } else {
            way.map_or(0.0, |way| self.departures.allowed(way) / per_displacement)
        }
    }

    /// How far the armature is off its centre at least, and how far it may be, where it is farther although no tone is on and
    /// the last one has died away: something drives it that nobody commanded.
    #[must_use]
    pub fn wanders(&self) -> Option<(Displacement<Peak>, Displacement<Peak>)> {
        self.rest.as_ref().filter(|_| !self.blind && !self.untaught)?.wanders()
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
