//! What the three rigs do at their limits and when they are stopped, against closed forms and an independent table.
//!
//! The table was computed apart from the simulator, from the linear equations and the amplifier's limits, as the worst of
//! 64 phases of the drive.

mod energy;

use super::{Extremes, Plant};
use crate::amplifier::AmplifierTruth;
use crate::bend::Bend;
use crate::discretise::Wave;
use crate::shaker::{CURRENT, Coil, POSITION, ShakerTruth, VELOCITY};
use plan_schema::rig::AmplifierMode;
use std::f64::consts::{PI, TAU};

const PERIOD: f64 = 1e-4;

/// A linear rig; the amplifier's gain is 1 V/V, its corner far above everything.
#[derive(Debug, Clone, Copy)]
struct Facts {
    mass: f64,
    stiffness: f64,
    ratio: f64,
    force_factor: f64,
    resistance: f64,
    inductance: f64,
    rated: f64,
    stop: f64,
    volts: f64,
    amperes: f64,
}

const LONG: Facts = Facts {
    mass: 4.5,
    stiffness: 113.7,
    ratio: 0.02,
    force_factor: 60.0,
    resistance: 3.0,
    inductance: 3e-3,
    rated: 75e-3,
    stop: 85e-3,
    volts: 60.0,
    amperes: 5.0,
};
const PORTABLE: Facts = Facts {
    mass: 0.3,
    stiffness: 189.5,
    ratio: 0.05,
    force_factor: 9.0,
    resistance: 3.0,
    inductance: 0.3e-3,
    rated: 5e-3,
    stop: 6.5e-3,
    volts: 24.0,
    amperes: 3.5,
};
const MIDDLE: Facts = Facts {
    mass: 0.3,
    stiffness: 1705.0,
    ratio: 0.05,
    force_factor: 14.0,
    resistance: 2.5,
    inductance: 0.2e-3,
    rated: 12.5e-3,
    stop: 14.5e-3,
    volts: 50.0,
    amperes: 10.0,
};

/// A linear shaker for tests elsewhere.
pub(crate) fn portable() -> ShakerTruth {
    PORTABLE.shaker()
}

impl Facts {
    fn damping(&self) -> f64 {
        2.0 * self.ratio * (self.stiffness * self.mass).sqrt()
    }

    fn shaker(&self) -> ShakerTruth {
        ShakerTruth {
            mass: self.mass,
            stiffness: self.stiffness,
            damping: self.damping(),
            force_factor: self.force_factor,
            resistance: self.resistance,
            inductance: self.inductance,
            stop: self.stop,
            bend: Bend {
                hardening: 0.0,
                droop: 0.0,
                rated_stroke: self.rated,
                rest: 0.0,
                tilt: (0.0, 0.0),
                preload: 0.0,
            },
            transverse: Vec::new(),
        }
    }

    fn amplifier(&self) -> AmplifierTruth {
        AmplifierTruth {
            mode: AmplifierMode::Voltage,
            gain: 1.0,
            corner: TAU * 20e3,
            offset: 0.0,
            voltage_limit: self.volts,
            current_limit: self.amperes,
        }
    }

    /// Without stops, so that it shows how far it would go.
    fn without_stops(self) -> Self {
        Self { stop: 1.0, ..self }
    }

    fn plant(&self) -> Plant {
        Plant::new(self.shaker(), self.amplifier(), None, Coil::Driven, PERIOD)
    }

    /// The amplitude of the voltage for a displacement, from the linear equations.
    fn voltage_for(&self, frequency: f64, displacement: f64) -> f64 {
        let w = TAU * frequency;
        let (real, imaginary) = (
            (self.stiffness - self.mass * w * w) * displacement / self.force_factor,
            w * self.damping() * displacement / self.force_factor,
        );
        let u = (
            self.resistance * real - w * self.inductance * imaginary,
            self.resistance * imaginary + w * self.inductance * real + w * self.force_factor * displacement,
        );
        u.0.hypot(u.1)
    }
}

/// A plant under a sine whose phase is carried on.
#[derive(Clone)]
struct Driven {
    plant: Plant,
    frequency: f64,
    amplitude: f64,
    sample: u32,
}

impl Driven {
    /// Moving steadily: from rest, the amplitude rising over some cycles.
    fn steady(facts: &Facts, frequency: f64, displacement: f64, seconds: f64) -> Self {
        let mut plant = facts.plant();
        plant.retune(Coil::Driven, TAU * frequency);
        let mut driven = Self { plant, frequency, amplitude: 0.0, sample: 0 };
        let amplitude = facts.voltage_for(frequency, displacement);
        let samples = (seconds / PERIOD).round();
        let mut n = 0.0;
        while n < samples {
            driven.amplitude = amplitude * (2.0 * n / samples).min(1.0);
            driven.step();
            n += 1.0;
        }
        driven.plant.extremes = Extremes::default();
        driven
    }

    fn wave(&self) -> Wave {
        let (sin, cos) = (TAU * (self.frequency * f64::from(self.sample) * PERIOD).fract()).sin_cos();
        [self.amplitude * sin, self.amplitude * cos, 0.0, 0.0, 0.0]
    }

    fn step(&mut self) {
        let wave = self.wave();
        self.plant.step(&wave);
        self.sample += 1;
    }

    fn run(&mut self, seconds: f64) {
        let mut left = (seconds / PERIOD).round();
        while left > 0.0 {
            self.step();
            left -= 1.0;
        }
    }

    /// How far it goes if the coil is connected so after `reaction` in which the gain is `gain` times as large: the worst
    /// of 64 phases.
    fn worst(mut self, coil: Coil, gain: f64, reaction: f64) -> f64 {
        let mut farthest = 0.0f64;
        for _ in 0..64 {
            let mut stopped = self.clone();
            stopped.plant.extremes = Extremes::default();
            stopped.amplitude *= gain;
            stopped.run(reaction);
            stopped.plant.retune(coil, 0.0);
            stopped.amplitude = 0.0;
            // Half a swing above the resonance ends it.
            stopped.run(1.0);
            farthest = farthest.max(stopped.plant.extremes.displacement);
            self.run(1.0 / self.frequency / 64.0);
        }
        farthest
    }
}

fn near(got: f64, expected: f64, share: f64, what: &str) {
    assert!((got / expected - 1.0).abs() < share, "{what}: {got:e}, not {expected:e}");
}

/// Time in which the linear equations settle well enough for two per mille.
fn patience(facts: &Facts) -> f64 {
    if facts.mass > 1.0 { 80.0 } else { 3.0 }
}

/// At the resonance mass and spring cancel: the current is that of the mechanical damping alone, `i = c v / Bl`.
#[test]
fn current_at_resonance() {
    for facts in [LONG, PORTABLE, MIDDLE] {
        let natural = (facts.stiffness / facts.mass).sqrt();
        let mut driven = Driven::steady(&facts, natural / TAU, 0.5 * facts.rated, patience(&facts));
        driven.run(3.0 * TAU / natural);
        let expected = facts.damping() * 0.5 * facts.rated * natural / facts.force_factor;
        near(driven.plant.extremes.current, expected, 3e-3, "current at resonance");
        near(driven.plant.extremes.displacement, 0.5 * facts.rated, 2e-3, "stroke");
    }
}

/// Pole of the shorted coil next to `start` by Newton: `(L s + R)(m s² + c s + k) + Bl² s = 0`.
fn shorted_pole(f: &Facts, start: f64) -> f64 {
    let (l, r, m, c, k, b) = (f.inductance, f.resistance, f.mass, f.damping(), f.stiffness, f.force_factor);
    let mut pole = start;
    for _ in 0..50 {
        let value = (l * pole + r) * (m * pole * pole + c * pole + k) + b * b * pole;
        let slope = l * (m * pole * pole + c * pole + k) + (l * pole + r) * (2.0 * m * pole + c) + b * b;
        pole -= value / slope;
    }
    pole
}

/// Electromagnetic damping Bl²/R and its ratio, `m R / Bl²`, and the slow return to the centre, from the table; what the
/// simulator does decays with the poles of the equations.
#[test]
fn braking_with_the_coil_shorted() {
    for (facts, damping, ratio, brakes, returns) in [
        (LONG, 1200.0, 26.0, 3.7e-3, 10.6),
        (PORTABLE, 27.0, 1.8, 10.8e-3, 0.15),
        (MIDDLE, 78.0, 1.8, 3.7e-3, 0.05),
    ] {
        let magnetic = facts.force_factor.powi(2) / facts.resistance;
        near(magnetic, damping, 0.02, "electromagnetic damping");
        near(magnetic / (2.0 * (facts.stiffness * facts.mass).sqrt()), ratio, 0.05, "its ratio");
        let time = facts.mass / (magnetic + facts.damping());
        near(time, brakes, 0.02, "braking time constant");
        // Slow pole: the position creeps back. The table leaves out mass and inductance, the pole does not.
        near((magnetic + facts.damping()) / facts.stiffness, returns, 0.06, "time to return");
        let slow = shorted_pole(&facts, 0.0);
        let mut plant = facts.plant();
        plant.retune(Coil::Shorted, 0.0);
        plant.state[POSITION] = 0.5 * facts.rated;
        let mut driven = Driven { plant, frequency: 0.0, amplitude: 0.0, sample: 0 };
        driven.run(0.3);
        let x0 = driven.plant.state()[POSITION];
        driven.run(0.2);
        near(driven.plant.state()[POSITION] / x0, (0.2 * slow).exp(), 1e-2, "creep");
        // Braking: a pushed armature goes `v (e^(s t) − e^(f t))/(s − f)`, with slow and fast pole. On the long-stroke rig
        // the coil's own 1 ms makes the fast one a pair; there `∫ R i dt + L Δi + Bl x = 0`, with the momentum `m v` gone
        // into `∫ Bl i dt` and i at first `−Bl v/R`.
        let fast = shorted_pole(&facts, -1.0 / time);
        let peak = (fast / slow).ln() / (slow - fast);
        let way = if facts.mass > 1.0 {
            0.05 * (time - facts.inductance / facts.resistance)
        } else {
            0.05 * ((slow * peak).exp() - (fast * peak).exp()) / (slow - fast)
        };
        let mut plant = facts.plant();
        plant.retune(Coil::Shorted, 0.0);
        plant.state[VELOCITY] = 0.05;
        plant.state[CURRENT] = -facts.force_factor * 0.05 / facts.resistance;
        driven.plant = plant;
        driven.run(8.0 * time);
        near(driven.plant.extremes.displacement, way, 0.01, "way until it stands");
    }
}

/// How far a free armature swings from the worst of 64 phases of a steady sine: the closed form of a damped oscillator.
fn coast(facts: &Facts, frequency: f64, stroke: f64) -> f64 {
    let natural = (facts.stiffness / facts.mass).sqrt();
    let root = (1.0 - facts.ratio * facts.ratio).sqrt();
    let mut farthest = 0.0f64;
    for phase in 0..64 {
        let (sin, cos) = (TAU * f64::from(phase) / 64.0).sin_cos();
        let (x, v) = (stroke * sin, stroke * cos * TAU * frequency);
        // x(t) = e^(−ζ w t) (x cos w_d t + b sin w_d t); it turns where its slope is zero.
        let b = (v / natural + facts.ratio * x) / root;
        let turn = v.atan2(natural * x / root + facts.ratio * v / root).rem_euclid(PI);
        let decay = (-facts.ratio / root * turn).exp();
        farthest = farthest.max(x.abs()).max((decay * (x * turn.cos() + b * turn.sin())).abs());
    }
    farthest
}

/// Muted into an open coil, the armature coasts as a damped oscillator does. The table's reach is `x f/f₀`, what it would
/// be without mechanical damping: an upper bound, by up to 8 % on the rigs with a ratio of 5 %.
#[test]
fn coasting_with_the_coil_opened() {
    for (facts, frequency, stroke, reach) in [
        (PORTABLE, 5.0, 5e-3, 6.2e-3),
        (PORTABLE, 8.0, 5e-3, 10e-3),
        (PORTABLE, 10.0, 9.80665 / (TAU * 10.0).powi(2), 6.2e-3),
        (MIDDLE, 20.0, 12.5e-3, 20.8e-3),
        (LONG, 1.0, 75e-3, 94e-3),
        (LONG, 2.0, 75e-3, 187e-3),
    ] {
        let facts = facts.without_stops();
        let moving = Driven::steady(&facts, frequency, stroke, patience(&facts));
        let reached = moving.worst(Coil::Open, 1.0, 0.0);
        near(reached, coast(&facts, frequency, stroke), 4e-3, &format!("coast from {frequency} Hz"));
        assert!((0.92..1.0).contains(&(reached / reach)), "{reached:e} of {reach:e}");
    }
}

/// With the coil shorted full stroke still goes beyond: 7.3 mm from 20 Hz, 6.4 mm from 16 Hz.
#[test]
fn reach_with_the_coil_shorted() {
    let facts = PORTABLE.without_stops();
    for (frequency, reach) in [(20.0, 7.3e-3), (16.0, 6.4e-3)] {
        let moving = Driven::steady(&facts, frequency, 5e-3, 3.0);
        near(moving.worst(Coil::Shorted, 1.0, 0.0), reach, 0.03, "reach");
    }
}

/// The gain jumps to three times, and the mute shorts the coil after the reaction: the longest reaction of the table keeps
/// it off the stops (within 1 %: it gives whole milliseconds), and one that is longer by a third, or by 2 ms, does not.
#[test]
fn reach_after_a_jump_of_the_gain() {
    let one_g = |f: f64| 9.80665 / (TAU * f).powi(2);
    for (facts, frequency, stroke, reaction) in [
        (PORTABLE, 5.0, 4.97e-3, 11e-3),
        (PORTABLE, 10.0, one_g(10.0), 15e-3),
        (PORTABLE, 3.0, 0.15 * one_g(3.0), 25e-3),
        (MIDDLE, 5.0, 12.5e-3, 5e-3),
        (MIDDLE, 10.0, 12.5e-3, 3e-3),
        (MIDDLE, 20.0, 12.5e-3, 2e-3),
        (LONG, 0.5, 75e-3, 60e-3),
        (LONG, 1.0, 75e-3, 33e-3),
        (LONG, 2.0, 75e-3, 17e-3),
    ] {
        let stop = facts.stop;
        let facts = facts.without_stops();
        let moving = Driven::steady(&facts, frequency, stroke, patience(&facts));
        let shorter = moving.clone().worst(Coil::Shorted, 3.0, reaction);
        let longer = moving.worst(Coil::Shorted, 3.0, (reaction * 4.0 / 3.0).max(reaction + 2e-3));
        assert!(
            shorter < 1.01 * stop && longer > stop,
            "{frequency} Hz after {reaction} s: {shorter:e} and {longer:e} m, the stop at {stop} m"
        );
    }
}

/// An offset of the amplifier moves the centre by `Bl/(R k)`: 176, 15.8, 3.3 mm/V.
#[test]
fn an_offset_moves_the_centre() {
    for (facts, per_volt) in [(LONG, 0.176), (PORTABLE, 15.8e-3), (MIDDLE, 3.3e-3)] {
        let mut amplifier = facts.amplifier();
        amplifier.offset = 0.05;
        let plant = Plant::new(facts.shaker(), amplifier, None, Coil::Driven, PERIOD);
        let mut driven = Driven { plant, frequency: 0.0, amplitude: 0.0, sample: 0 };
        driven.run(if facts.mass > 1.0 { 150.0 } else { 5.0 });
        let shift = driven.plant.state()[POSITION] / 0.05;
        near(
            shift,
            facts.force_factor / (facts.resistance * facts.stiffness),
            1e-5,
            "shift by the closed form",
        );
        near(shift, per_volt, 0.01, "shift by the table");
        near(driven.plant.state()[CURRENT], 0.05 / facts.resistance, 1e-5, "current");
    }
}
