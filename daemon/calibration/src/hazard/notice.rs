//! What notices a motion that should not be, and how soon.
//!
//! Owns: the figures of the monitors that a forecast has to reckon with, and how a motion looks to them. The interlock takes
//! its figures from here, so that what is promised is what is watched. Must not: know faults, or what stops them.
//!
//! A monitor is never taken for faster than it is: a mean over a group of samples counts once a whole group lies beyond a
//! limit, and a peak that a brake or a jump makes for a moment does not count for the limits of a rig.
//!
//! Soonest of all is the observer's notice that the acceleration left what was foreseen, since it changes with the drive,
//! long before the displacement has. It is followed here through the observer's own notch.

use super::motion::{DISPLACEMENT, Machine, State, Steady, VELOCITY};
use crate::interlock::BEYOND_CEILING;
use crate::interlock::observer::{GROUP_CYCLES, GROUP_MOST, Notch, SHARE};
use plan_schema::rig::{AmplifierMode, Rig};
use plan_schema::units::{Hertz, Seconds};
use std::f64::consts::TAU;

/// Share beyond a rig's limits of velocity and acceleration from which a motion trips: a point may be run at the limit
/// itself (common practice, no source).
pub(crate) const ABOVE: f64 = 1.1;

/// Share beyond a point's own ceiling of acceleration from which it trips (common practice, no source).
pub(crate) const BEYOND_FORESEEN: f64 = 1.3;

/// Groups of samples in a cycle, over which the reference is averaged.
pub(crate) const GROUPS: f64 = 40.0;

/// An acceleration beyond its limit one way has to last this share of a cycle, and so many braking time constants: a brake
/// makes more than any tone, one way and for a moment. Or it is seen both ways within a cycle.
pub(crate) const LASTING: (f64, f64) = (0.1, 3.0);

/// Share of a cycle without a tone after which it counts as gone from the reference.
pub(crate) const SILENCE_CYCLES: f64 = 0.25;
/// But at least as long, so that noise does not count as a tone.
pub(crate) const SILENCE_LEAST: Seconds = Seconds::new(0.010);
/// And at most as long.
pub(crate) const SILENCE_MOST: Seconds = Seconds::new(0.250);

/// Room for noise, as a share of the limits that are judged from the reference.
const MARGIN: f64 = 1.01;

/// Room for noise, and for a tone that is a little smaller than its target, as a share of what a departure is.
const ROOM: f64 = 1.1;

/// In current mode the suspension rings on; its ring can't be taken for a tone from so many times its frequency on.
const ABOVE_RESONANCE: f64 = 4.0;

/// After how long a tone counts as gone.
#[must_use]
pub(super) fn silence(frequency: Hertz) -> f64 {
    (SILENCE_CYCLES / frequency.si()).clamp(SILENCE_LEAST.si(), SILENCE_MOST.si())
}

/// After how long a tone counts as gone whose drive became a direct voltage or current; `None` where a ring of the
/// suspension may be taken for it. What the change sets going has to die away first, unless it is so slow that it
/// looks like an offset for the time of the look: then nothing is waited for.
#[must_use]
pub(super) fn silence_of_the_drive(machine: &Machine, frequency: Hertz) -> Option<f64> {
    let look = silence(frequency);
    match machine.mode {
        AmplifierMode::Voltage => {
            let braking = machine.braking();
            Some(look + if look > 2.0 * braking { 4.0 * braking } else { 0.0 })
        }
        AmplifierMode::Current => (frequency.si() >= ABOVE_RESONANCE / machine.period()).then_some(look),
    }
}

/// What the monitors see of a motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sight {
    /// Displacement from the centre beyond which it trips, m: the static allowance is taken off, as it is off the stop.
    stroke: f64,
    /// That allowance, where a channel shows the displacement: the point's own ceiling then counts too.
    direct: Option<f64>,
    departure: Departing,
    reference: Option<Reference>,
    /// How much longer a stop takes that follows from what was seen, s.
    extra: f64,
}

/// What a reference that is in order shows.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Reference {
    velocity: f64,
    acceleration: f64,
    /// Time within which a whole group lies, s.
    group: f64,
    /// How long an acceleration has to last one way, s.
    lasting: f64,
    cycle: f64,
}

impl Sight {
    /// What a rig sees at a frequency, its reference being in order or silent.
    #[must_use]
    pub(super) fn of(rig: &Rig, machine: &Machine, frequency: Hertz, reference: bool) -> Self {
        let shaker = &rig.shaker;
        let cycle = 1.0 / frequency.si();
        let rest = shaker.static_allowance.si();
        let direct = rig.displacement.as_ref().map(|_| rest);
        // The observer needs samples without gaps.
        let observed = !rig.acquisition.is_gated();
        Self {
            // Of a reference that is silent no displacement is to be had.
            stroke: if (reference && observed) || direct.is_some() {
                shaker.trip().si() - rest
            } else {
                f64::INFINITY
            },
            direct,
            departure: Departing {
                observed,
                reference,
                group: 2.0 * (GROUP_CYCLES * cycle).min(GROUP_MOST),
                cycle,
            },
            reference: reference.then(|| Reference {
                velocity: shaker.velocity_limit.si() * ABOVE * MARGIN,
                acceleration: shaker.acceleration_limit.si() * ABOVE * MARGIN,
                group: 2.0 * cycle / GROUPS,
                lasting: (LASTING.0 * cycle).max(LASTING.1 * machine.braking()) + 2.0 * cycle / GROUPS,
                cycle,
            }),
            extra: 0.0,
        }
    }

    /// The same where a stop that follows from what was seen takes longer.
    #[must_use]
    pub(super) fn later(self, extra: f64) -> Self {
        Self { extra, ..self }
    }
}

/// How a departure from what was foreseen is noticed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Departing {
    /// There is an observer.
    observed: bool,
    /// The reference shows the motion, or nothing.
    reference: bool,
    /// Time within which a whole group lies, s.
    group: f64,
    cycle: f64,
}

/// What was foreseen of a point, and the phase at which a fault strikes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Foreseen {
    /// The point's own ceiling of acceleration, m/s².
    pub(super) acceleration: f64,
    /// Its own ceiling of stroke, static part and all, m.
    pub(super) stroke: f64,
    /// The steady motion at the moment of the fault.
    pub(super) steady: Steady,
    /// Its phase there, rad.
    pub(super) phase: f64,
}

/// Follows a motion as the monitors do, from the moment of a fault on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lookout {
    notch: Notch,
    /// Since when it is beyond what a departure is, and which way.
    left: Option<(f64, bool)>,
    /// The steady acceleration: the largest, its cosine and sine now, and those of its turn from look to look.
    steady: (f64, f64, f64),
    turn: (f64, f64),
    /// What the notch left at the look before, and the time between looks, s.
    before: f64,
    step: f64,

    /// Since when the acceleration is beyond its limit, and which way.
    since: Option<(f64, bool)>,
    /// When a whole group was last seen beyond, up and down.
    seen: [Option<f64>; 2],
}

impl Lookout {
    /// From the moment of a fault on, looked from `step` to `step`, s.
    #[must_use]
    pub(super) fn new(sight: &Sight, foreseen: &Foreseen, step: f64) -> Self {
        let cycle = sight.departure.cycle;
        let omega = TAU / cycle;
        // The displacement is real and positive at phase zero, and the acceleration opposite.
        let largest = omega * omega * foreseen.steady.state[DISPLACEMENT].norm();
        let (sin, cos) = foreseen.phase.sin_cos();
        let turn = (omega * step).sin_cos();
        let notch = Notch::new(1.0 / cycle, step);
        let steady = (largest, -cos, -sin);
        Self { notch, left: None, steady, turn, before: 0.0, step, since: None, seen: [None; 2] }
    }

    /// When the acceleration has left what was foreseen for as long as a group takes. The moment at which it passes what
    /// is allowed lies on the chord between two looks.
    #[inline]
    fn departs(&mut self, departure: &Departing, time: f64, acceleration: f64) -> Option<f64> {
        if !departure.observed {
            return None;
        }
        let (largest, cos, sin) = self.steady;
        let (turn_sin, turn_cos) = self.turn;
        self.steady = (largest, cos * turn_cos - sin * turn_sin, sin * turn_cos + cos * turn_sin);
        let seen = if departure.reference { acceleration } else { 0.0 };
        let news = self.notch.pass(seen - largest * cos);
        let before = std::mem::replace(&mut self.before, news);
        let allowed = SHARE * ROOM * largest;
        if news.abs() <= allowed {
            self.left = None;
            return None;
        }
        let up = news > 0.0;
        let since = match self.left {
            Some((since, way)) if way == up => since,
            _ if time <= 0.0 => 0.0,
            _ => {
                let sign = news.signum();
                time - self.step * (news.abs() - allowed) / (news.abs() - sign * before)
            }
        };
        self.left = Some((since, up));
        (time >= since + departure.group).then_some(since + departure.group)
    }

    /// When the motion is noticed, if it is by what it is at this time.
    #[inline]
    pub(super) fn look(
        &mut self,
        sight: &Sight,
        foreseen: &Foreseen,
        time: f64,
        state: &State,
        acceleration: f64,
    ) -> Option<f64> {
        // Not comparisons that what is no number would pass.
        let own = sight.direct.map_or(f64::INFINITY, |rest| BEYOND_CEILING * foreseen.stroke - rest);
        let within = state[DISPLACEMENT].abs() <= sight.stroke.min(own);
        let departed = self.departs(&sight.departure, time, acceleration);
        let stroke = earlier(departed, (!within).then_some(time));
        let reference = sight.reference.and_then(|reference| {
            let velocity = (state[VELOCITY].abs() > reference.velocity).then_some(time + reference.group);
            let acceleration =
                self.lasts(&reference, foreseen.acceleration, time, acceleration).then_some(time);
            earlier(velocity, acceleration)
        });
        earlier(stroke, reference).map(|seen| seen + sight.extra)
    }

    #[inline]
    fn lasts(&mut self, reference: &Reference, foreseen: f64, time: f64, acceleration: f64) -> bool {
        let limit = reference.acceleration.min(foreseen * BEYOND_FORESEEN * MARGIN);
        if acceleration.abs() <= limit {
            self.since = None;
            return false;
        }
        let up = acceleration > 0.0;
        let since = match self.since {
            Some((since, way)) if way == up => since,
            _ => time,
        };
        self.since = Some((since, up));
        if time - since < reference.group {
            return false;
        }
        self.seen[usize::from(up)] = Some(time);
        let other = self.seen[usize::from(!up)];
        time - since >= reference.lasting || other.is_some_and(|other| time - other <= reference.cycle)
    }
}

/// The earlier of two moments.
#[inline]
pub(super) fn earlier(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}
