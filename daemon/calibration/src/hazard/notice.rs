//! What notices a motion that should not be, and how soon.
//!
//! Owns: the figures of the monitors that a forecast has to reckon with, and how a motion looks to them. The interlock takes
//! its figures from here, so that what is promised is what is watched. Must not: know faults, or what stops them.
//!
//! A monitor is never taken for faster than it is: a mean over a group of samples counts once a whole group lies beyond a
//! limit, and a peak that a brake or a jump makes for a moment does not count at all.

use super::motion::{DISPLACEMENT, Machine, State, VELOCITY};
use plan_schema::rig::{AmplifierMode, Rig};
use plan_schema::units::{Hertz, Seconds};

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
    /// How late that is seen, s: a displacement channel shows it at once, the reference after a group of samples.
    stroke_late: f64,
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
    /// What a rig sees at a frequency; nothing where its reference is silent and no channel shows the displacement.
    #[must_use]
    pub(super) fn of(rig: &Rig, machine: &Machine, frequency: Hertz, reference: bool) -> Option<Self> {
        let shaker = &rig.shaker;
        let cycle = 1.0 / frequency.si();
        let direct = rig.displacement.is_some();
        (reference || direct).then(|| Self {
            stroke: shaker.trip().si() - shaker.static_allowance.si(),
            stroke_late: if direct { 0.0 } else { cycle / GROUPS },
            reference: reference.then(|| Reference {
                velocity: shaker.velocity_limit.si() * ABOVE * MARGIN,
                acceleration: shaker.acceleration_limit.si() * ABOVE * MARGIN,
                group: 2.0 * cycle / GROUPS,
                lasting: (LASTING.0 * cycle).max(LASTING.1 * machine.braking()) + 2.0 * cycle / GROUPS,
                cycle,
            }),
            extra: 0.0,
        })
    }

    /// The same where a stop that follows from what was seen takes longer.
    #[must_use]
    pub(super) fn later(self, extra: f64) -> Self {
        Self { extra, ..self }
    }
}

/// Follows a motion as the monitors do, from the moment of a fault on.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Lookout {
    /// Since when the acceleration is beyond its limit, and which way.
    since: Option<(f64, bool)>,
    /// When a whole group was last seen beyond, up and down.
    seen: [Option<f64>; 2],
}

impl Lookout {
    /// When the motion is noticed, if it is by what it is at this time: not before now. `foreseen` is the point's
    /// own ceiling of acceleration, m/s².
    #[inline]
    pub(super) fn look(
        &mut self,
        sight: &Sight,
        foreseen: f64,
        time: f64,
        state: &State,
        acceleration: f64,
    ) -> Option<f64> {
        // Not comparisons that what is no number would pass.
        let within = state[DISPLACEMENT].abs() <= sight.stroke;
        let stroke = (!within).then_some(time + sight.stroke_late);
        let reference = sight.reference.and_then(|reference| {
            let velocity = (state[VELOCITY].abs() > reference.velocity).then_some(time + reference.group);
            let acceleration = self.lasts(&reference, foreseen, time, acceleration).then_some(time);
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
