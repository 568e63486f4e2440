//! When the armature comes to its mechanical stop after a stop of the drive that is no good there.
//!
//! Owns: the way of the linear machine through such a stop, step by step, at many phases. Must not: decide whether that
//! may be; how far it goes is [`super::coast`]'s, which takes no steps and is asked first.

use super::exponential::Matrix;
use super::motion::{CURRENT, Coil, DISPLACEMENT, Machine, State, Steady};
use super::reach::steps;
use super::step::{Stepper, Tone};
use plan_schema::rig::{AmplifierMode, Mute};
use std::f64::consts::{PI, TAU};

/// What acts on the coil of a machine that was in its steady state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Course {
    /// The amplifier mutes.
    Muted,
    /// The drive is zero with the amplifier live for this many seconds; then it mutes.
    Zeroed(f64),
    /// The tone goes to zero as a raised cosine over this many seconds; then the amplifier mutes.
    Ramped(f64),
}

/// Phases at which the course begins. The soonest touch hardly depends on the phase near the one where it is soonest.
const PHASES: u32 = 64;

/// Steps of the quickest of cycle, braking and suspension. Between two of them the way is a chord.
const CYCLE_STEPS: f64 = 256.0;
const BRAKE_STEPS: f64 = 16.0;
const PERIOD_STEPS: f64 = 512.0;
/// Shortest course before the mute, in steps: none at all can't be stepped through.
const SHORTEST: f64 = 1e-3;

/// The machine with the steps of one course.
struct Way<'a> {
    machine: &'a Machine,
    steady: &'a Steady,
    course: Course,
    omega: f64,
    limit: f64,
    /// Steps before the mute and the length of each, and the length of those after it, in s.
    first: (usize, f64),
    step: f64,
    /// Driven by a tone, and left to itself with the amplifier live.
    driven: Stepper,
    live: Stepper,
    muted: (Coil, Matrix<3>),
}

/// Soonest time in s from the moment at which a course begins until |displacement| comes to `limit` in m, over all phases;
/// `None` where it does not within half a swing of the suspension after the mute. `omega` is that of the tone, rad/s.
#[must_use]
pub(super) fn soonest(
    machine: &Machine,
    steady: &Steady,
    omega: f64,
    (course, mute): (Course, Mute),
    limit: f64,
) -> Option<f64> {
    let step =
        (TAU / omega / CYCLE_STEPS).min(machine.braking() / BRAKE_STEPS).min(machine.period() / PERIOD_STEPS);
    // The mute acts at the end of a step.
    let first = match course {
        Course::Muted => (0, step),
        Course::Zeroed(over) | Course::Ramped(over) => {
            let count = steps(over / step);
            (count, over.max(step * SHORTEST) / f64::from(u32::try_from(count).unwrap_or(u32::MAX)))
        }
    };
    let coil = match mute {
        Mute::Shorts => Coil::Shorted,
        Mute::Opens => Coil::Imposed,
    };
    let zero = match machine.mode {
        AmplifierMode::Voltage => Coil::Shorted,
        AmplifierMode::Current => Coil::Imposed,
    };
    let way = Way {
        machine,
        steady,
        course,
        omega,
        limit,
        first,
        step,
        driven: Stepper::new(machine, Coil::Driven, omega, first.1),
        live: Stepper::new(machine, zero, 0.0, first.1),
        muted: (coil, machine.free(coil, step)),
    };
    (0..PHASES).filter_map(|n| way.touch(TAU * f64::from(n) / f64::from(PHASES))).reduce(f64::min)
}

impl Way<'_> {
    /// Time of the touch where the course begins at this phase.
    fn touch(&self, phase: f64) -> Option<f64> {
        let mut state = self.steady.at(phase);
        let mut time = 0.0;
        let over = match self.course {
            Course::Muted => 0.0,
            Course::Zeroed(over) | Course::Ramped(over) => over,
        };
        let drive = |time: f64| {
            let share = 0.5 + 0.5 * (PI * (time / over).min(1.0)).cos();
            self.steady.tone(phase + self.omega * time, share).value()
        };
        let (count, step) = self.first;
        for _ in 0..count {
            let next = match self.course {
                Course::Ramped(_) => self.driven.along(&state, drive(time), drive(time + step)),
                Course::Muted | Course::Zeroed(_) => self.live.advance(&state, &mut Tone::held(0.0)),
            };
            if let Some(part) = self.crosses(&state, &next) {
                return Some(time + part * step);
            }
            state = next;
            time += step;
        }
        let (coil, free) = &self.muted;
        if *coil == Coil::Imposed {
            state[CURRENT] = 0.0;
        }
        // The first turning point on either side comes within half a swing, whatever the damping.
        for _ in 0..steps(0.6 * self.machine.period() / self.step) {
            let next: State = free.map(|row| super::exponential::dot(&row, &state));
            if let Some(part) = self.crosses(&state, &next) {
                return Some(time + part * self.step);
            }
            state = next;
            time += self.step;
        }
        None
    }

    /// Share of a step after which the limit is passed.
    fn crosses(&self, from: &State, to: &State) -> Option<f64> {
        let (before, after) = (from[DISPLACEMENT].abs(), to[DISPLACEMENT].abs());
        if after < self.limit {
            return None;
        }
        let share = if after > before { (self.limit - before) / (after - before) } else { 0.0 };
        Some(share.clamp(0.0, 1.0))
    }
}
