//! How far the armature goes after each stop that a rig can make on a healthy run.
//!
//! Owns: the stops of a healthy run and what follows from each. Must not: decide whether that is too far.

use super::motion::{Coil, DISPLACEMENT, Machine, State, Steady};
use super::reach::{Halt, Reach, steps};
use super::reaction::Paths;
use super::step::Stepper;
use super::touch::{Course, soonest};
use crate::control::Plant;
use plan_schema::rig::{Rig, SafeAction};
use plan_schema::units::{Displacement, Hertz, Peak, Seconds};
use std::f64::consts::{PI, TAU};

/// A stop of a healthy run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stop {
    /// The amplifier mutes in the midst of the motion: by command or of its own accord.
    MuteAtOnce,
    /// The source goes to zero over the time of a transition, then the amplifier mutes: the end of every healthy run.
    RampThenMute,
    /// The source goes to zero at once, then the amplifier mutes: 0 V brake the armature, 0 A do not.
    ZeroThenMute,
}

impl Stop {
    /// What it does, for messages.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::MuteAtOnce => "a mute at once",
            Self::RampThenMute => "a ramp to zero, then a mute",
            Self::ZeroThenMute => "zero drive at once, then a mute",
        }
    }

    /// The stops that a rig has on a healthy run. Any amplifier can mute of its own accord, so that one is always there;
    /// so is the ramp, since the source is what drives; zero drive at once needs a safe path that says how long it takes.
    #[must_use]
    pub fn of(rig: &Rig) -> Vec<Self> {
        let source_off = rig.safe_paths.iter().any(|p| p.action == SafeAction::SourceOff);
        let mut stops = vec![Self::MuteAtOnce, Self::RampThenMute];
        if source_off {
            stops.push(Self::ZeroThenMute);
        }
        stops
    }
}

/// How far the armature goes after a stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coast {
    /// The stop.
    pub stop: Stop,
    /// Largest |displacement| from the centre, the worst over the phase, with the static allowance, m.
    pub displacement: Displacement<Peak>,
    /// Soonest time from the moment at which the stop begins to act until the armature touches the mechanical stop, over the
    /// phase; `None` where it does not. The static allowance is left out: it may make it sooner, and a touch possible.
    pub touches: Option<Seconds>,
}

/// The coast after one stop.
#[must_use]
pub(super) fn coast(
    machine: &Machine,
    rig: &Rig,
    plant: &Plant,
    frequency: Hertz,
    steady: &Steady,
    stop: Stop,
) -> Coast {
    let mute = rig.amplifier.mute;
    let (reached, course) = match stop {
        Stop::MuteAtOnce => (Reach::new(machine, Halt::Muted(mute)).worst(steady), Course::Muted),
        Stop::ZeroThenMute => {
            let live = Paths::of(rig, plant).live().si();
            (Reach::new(machine, Halt::Zeroed(live, mute)).worst(steady), Course::Zeroed(live))
        }
        Stop::RampThenMute => {
            let (after, over) = (Reach::new(machine, Halt::Muted(mute)), plant.transition(frequency).si());
            (ramp(machine, frequency, over, steady, &after), Course::Ramped(over))
        }
    };
    let limit = rig.shaker.stop.si();
    let omega = TAU * frequency.si();
    let touches = if reached < limit { None } else { soonest(machine, steady, omega, (course, mute), limit) };
    Coast {
        stop,
        displacement: Displacement::new(reached) + allowance(rig),
        touches: touches.map(Seconds::new),
    }
}

/// The static allowance as a displacement.
#[must_use]
pub(super) fn allowance(rig: &Rig) -> Displacement<Peak> {
    Displacement::new(rig.shaker.static_allowance.si())
}

/// Largest |displacement| while the drive goes to zero as a raised cosine over a time, and after the mute that follows;
/// over all phases. A ramp of a tone that the amplifier can make comes to no limit, so two phases a quarter of a turn
/// apart make up all others.
fn ramp(machine: &Machine, frequency: Hertz, over: f64, steady: &Steady, after: &Reach) -> f64 {
    let omega = TAU * frequency.si();
    let count = steps(over * frequency.si() * PER_CYCLE);
    let share = 1.0 / f64::from(u32::try_from(count).unwrap_or(u32::MAX));
    let stepper = Stepper::new(machine, Coil::Driven, omega, over * share);
    // The drive at a step for both phases.
    let drive = |n: usize| {
        let along = share * f64::from(u32::try_from(n).unwrap_or(u32::MAX));
        let tone = steady.tone(omega * over * along, 0.5 + 0.5 * (PI * along).cos());
        [tone.amplitude * tone.cos, -tone.amplitude * tone.sin]
    };
    let mut states: [State; 2] = steady.quadrature();
    let mut most: f64 = steady.state[DISPLACEMENT].norm();
    let mut before = drive(0);
    for n in 0..count {
        let next = drive(n + 1);
        for (state, (start, end)) in states.iter_mut().zip(before.into_iter().zip(next)) {
            *state = stepper.along(state, start, end);
        }
        before = next;
        most = most.max(states[0][DISPLACEMENT].hypot(states[1][DISPLACEMENT]));
    }
    most.max(after.over_phases(&states))
}

/// Steps of a cycle: chords of a sine are off by (2π/32)²/12, 0.3 %.
const PER_CYCLE: f64 = 32.0;
