//! A sample in parts: how limits and stops act. Pure.
//!
//! Owns: the steps of a part and what happens within it: the voltage at the coil is held over a part, limits kept; pushes
//! beyond the linear equations go linearly within it.
//! Held parts are off by (w h)²/24 relative, h the length of a part: 7e-5 at 1 kHz and 10 kS/s. A limit comes and goes at
//! the end of a part only: some 1e-4 of the peak at 200 Hz.
//!
//! The amplifier limits the current by lowering its voltage to what reaches the limit at the end of a part. A stop takes
//! all of the velocity (inelastic); a contact counts once, however long it lasts.

use super::{PARTS, Plant, SPEEDS_KEPT};
use crate::amplifier::AmplifierTruth;
use crate::discretise::{RampStep, Wave, dot, matrix, ramps};
use crate::shaker::{CURRENT, Coil, POSITION, ShakerTruth, VELOCITY};
use nalgebra::DMatrix;
use plan_schema::rig::AmplifierMode;

/// The shaker's step over a part, of current, displacement and velocity.
#[derive(Debug, Clone)]
struct PartStep {
    linear: RampStep<3>,
    /// Weights of the pushes on velocity and current, at start and end of the part.
    push: [[f64; 4]; 3],
}

impl PartStep {
    fn new(shaker: &ShakerTruth, open: bool, part: f64) -> Self {
        let (a, input) = shaker.bare_equations(open);
        let mut pushed = DMatrix::zeros(3, 2);
        pushed[(VELOCITY, 0)] = 1.0;
        pushed[(CURRENT, 1)] = if open { 0.0 } else { 1.0 };
        let push = ramps(&matrix(&a), &pushed, part);
        Self {
            linear: RampStep::new(&a, &input, part),
            push: std::array::from_fn(|r| std::array::from_fn(|c| push[(r, 3 + c)])),
        }
    }
}

/// The steps of a part.
#[derive(Debug, Clone)]
pub(super) struct PartSteps {
    closed: PartStep,
    open: PartStep,
    aim: RampStep<1>,
    /// Sine and cosine of the drive's turn within a part.
    turn: (f64, f64),
}

impl PartSteps {
    pub(super) fn new(shaker: &ShakerTruth, amplifier: &AmplifierTruth, period: f64) -> Self {
        let part = period / parts();
        Self {
            closed: PartStep::new(shaker, false, part),
            open: PartStep::new(shaker, true, part),
            aim: RampStep::new(&[[-amplifier.corner]], &[amplifier.corner * amplifier.gain], part),
            turn: (0.0, 1.0),
        }
    }

    /// Takes up the angular frequency of the drive.
    pub(super) fn turn(&mut self, omega: f64, period: f64) {
        self.turn = (omega * period / parts()).sin_cos();
    }
}

/// What the amplifier does over one part.
#[derive(Debug, Clone, Copy)]
struct Output {
    volts: f64,
    /// It gives less than it was asked for.
    short: bool,
    /// The current that it aims at is beyond its limit.
    aim_lost: bool,
}

impl Plant {
    /// A sample in parts: limits and stops act at the end of each. `aim_after` is exact, for the aim has no limits.
    pub(super) fn step_in_parts(&mut self, wave: &Wave, aim_after: f64) {
        let before = self.state;
        let [mut current, mut position, mut velocity, mut aim] = self.state;
        let (turn_sin, turn_cos) = self.parts.turn;
        let [mut sin, mut cos, mut rise_sin, mut rise_cos, constant] = *wave;
        let mut e = sin + constant;
        let mut hit = false;
        for n in 0..PARTS {
            (sin, cos) = (sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
            (rise_sin, rise_cos) =
                (rise_sin * turn_cos + rise_cos * turn_sin, rise_cos * turn_cos - rise_sin * turn_sin);
            #[expect(clippy::cast_precision_loss, reason = "a small number")]
            let e_after = sin + rise_sin * (n + 1) as f64 / parts() + constant;
            let [aim_next] = self.parts.aim.apply(&[aim], e, e_after);
            let from = [current, position, velocity];
            [current, position, velocity] = self.part(&from, aim, aim_next);
            self.passage.parts[n] = [self.felt_in(&from), self.felt_in(&[current, position, velocity])];
            let touches = position.abs() >= self.shaker.stop;
            self.extremes.current = self.extremes.current.max(current.abs());
            if touches {
                if !self.on_stop {
                    hit = true;
                    self.note_hit(velocity.abs());
                }
                position = self.shaker.stop.copysign(position);
                velocity = 0.0;
                let pull = if self.bent { self.shaker.bend.gravity(position) } else { 0.0 };
                self.passage.parts[n] = [(velocity - from[VELOCITY]) * parts() / self.period + pull; 2];
            }
            self.extremes.note_displacement(position);
            self.on_stop = touches;
            (aim, e) = (aim_next, e_after);
        }
        self.state = [current, position, velocity, aim_after];
        if self.bent {
            self.pushes = self.terms.in_state(&self.state);
            self.rise = [0.0; 3];
        }
        self.acceleration = match (hit, self.on_stop) {
            (true, _) => (velocity - before[VELOCITY]) / self.period,
            (false, true) => 0.0,
            (false, false) => self.free_acceleration(),
        };
    }

    fn note_hit(&mut self, speed: f64) {
        let extremes = &mut self.extremes;
        extremes.stop_hits = extremes.stop_hits.saturating_add(1);
        extremes.hit_speed = extremes.hit_speed.max(speed);
        if extremes.hit_speeds.len() < SPEEDS_KEPT {
            extremes.hit_speeds.push(speed);
        }
    }

    /// What a sensor feels in a state in which nothing holds the armature.
    fn felt_in(&self, state: &[f64; 3]) -> f64 {
        let linear = self.shaker.acceleration(state[CURRENT], state[POSITION], state[VELOCITY]);
        if !self.bent {
            return linear;
        }
        let [push, _, gravity] = self.terms.at(state[CURRENT], state[POSITION], state[VELOCITY]);
        linear + push + gravity
    }

    /// One part: current, displacement and velocity at its end.
    fn part(&mut self, from: &[f64; 3], aim: f64, aim_next: f64) -> [f64; 3] {
        let step = match self.coil {
            Coil::Open => &self.parts.open,
            Coil::Driven | Coil::Shorted => &self.parts.closed,
        };
        let mut output = self.output(self.alone(from), aim, aim_next);
        let mut next = step.linear.apply(from, output.volts, output.volts);
        if self.bent {
            let start = self.terms.at(from[CURRENT], from[POSITION], from[VELOCITY]);
            let mut end = start;
            // Held pushes show where they lead; the pushes there are then the end of the ramp.
            for _ in 0..2 {
                let push: [f64; 3] =
                    std::array::from_fn(|r| dot(&step.push[r], &[start[0], start[1], end[0], end[1]]));
                output = self.output(self.alone(from) + push[CURRENT], aim, aim_next);
                next = step.linear.apply(from, output.volts, output.volts);
                for (value, push) in next.iter_mut().zip(push) {
                    *value += push;
                }
                end = self.terms.at(next[CURRENT], next[POSITION], next[VELOCITY]);
            }
        }
        if self.coil == Coil::Driven {
            self.limited |= output.aim_lost || output.short;
            self.astray = self.amplifier.mode == AmplifierMode::Current && (output.aim_lost || output.short);
        }
        next
    }

    /// The current at the end of a part with nothing at the coil.
    fn alone(&self, from: &[f64; 3]) -> f64 {
        let [current, ..] = self.parts.closed.linear.apply(from, 0.0, 0.0);
        current
    }

    /// What the amplifier gives over one part, limits kept; `left_alone` is where the current would go without it.
    fn output(&self, left_alone: f64, aim: f64, aim_next: f64) -> Output {
        if self.coil != Coil::Driven {
            return Output { volts: 0.0, short: false, aim_lost: false };
        }
        let (volts, amperes) = (self.amplifier.voltage_limit, self.amplifier.current_limit);
        let closed = &self.parts.closed.linear;
        let per_volt = closed.start[CURRENT] + closed.end[CURRENT];
        let wanted = match self.amplifier.mode {
            AmplifierMode::Voltage => 0.5 * (aim + aim_next),
            AmplifierMode::Current => (aim_next.clamp(-amperes, amperes) - left_alone) / per_volt,
        };
        let mut voltage = wanted.clamp(-volts, volts);
        let current = left_alone + per_volt * voltage;
        if current.abs() > amperes && self.amplifier.mode == AmplifierMode::Voltage {
            voltage = ((amperes.copysign(current) - left_alone) / per_volt).clamp(-volts, volts);
        }
        Output {
            volts: voltage,
            short: (voltage - wanted).abs() > 0.0,
            aim_lost: self.amplifier.mode == AmplifierMode::Current && aim_next.abs() > amperes,
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a small constant")]
fn parts() -> f64 {
    PARTS as f64
}
