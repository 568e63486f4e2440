//! The shaker beyond its straight lines: what a sine of some displacement needs where the suspension hardens and the
//! force factor droops.
//!
//! Owns: the harmonic balance of a sinusoidal motion. Must not: know points, limits or what was measured.
//!
//! Equations (standard electro-dynamics of a moving coil), x_r the rated stroke:
//! `m x'' + c x' + k x (1 + β (x/x_r)²) = Bl(x) i`, `u = R i + L di/dt + Bl(x) x'`, `Bl(x) = Bl₀ (1 − γ (x/x_r)²)`.
//!
//! The motion is taken as `x = −X cos ωt`; force, current and voltage that it needs at every moment of a cycle are
//! projected on the fundamental. What it leaves out is the motion's own third harmonic: of displacement at most 1 to 2 %
//! at rated stroke, and it acts on the fundamental only by way of β and γ. For β = γ = 0 it is the linear solution.

use super::plant::Plant;
use nalgebra::Complex;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{Accel, Hertz, Peak};
use std::f64::consts::TAU;

/// Points of a cycle. The balance has products of a few harmonics only; 64 points see 31 of them.
const POINTS: u32 = 64;

/// Beyond this many rated strokes nothing is known: the bend is held, and a figure only says by how much it is too much.
const KNOWN_REACH: f64 = 1.5;

/// The force factor is never taken as having lost more than this share.
const LARGEST_DROOP: f64 = 0.9;

/// Fundamentals that belong to an acceleration `A cos ωt`, complex, peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Balance {
    /// Output of the source, V.
    pub(super) drive: Complex<f64>,
    /// Voltage across the coil, V.
    pub(super) coil_voltage: Complex<f64>,
    /// Current through the coil, A.
    pub(super) current: Complex<f64>,
    /// Force of the coil, N.
    pub(super) force: Complex<f64>,
}

impl Plant {
    /// What a sine of this acceleration needs, by harmonic balance.
    pub(super) fn balance(&self, frequency: Hertz, acceleration: Accel<Peak>) -> Balance {
        let omega = TAU * frequency.si();
        let displacement = acceleration.si() / (omega * omega);
        let reach = self.reach(displacement);
        let [mut force, mut current, mut induced] = [Complex::ZERO; 3];
        let turn = Complex::from_polar(1.0, TAU / f64::from(POINTS));
        let mut phase = Complex::new(1.0, 0.0);
        for _ in 0..POINTS {
            let (cos, sin) = (phase.re, phase.im);
            let bend = (reach * cos).powi(2);
            let inertia = self.mass * acceleration.si() * cos;
            let friction = self.damping * omega * displacement * sin;
            let spring = -self.stiffness * displacement * cos * (1.0 + self.hardening * bend);
            let force_factor = self.force_factor * (1.0 - self.droop * bend);
            let needed = inertia + friction + spring;
            let onto = phase.conj() * (2.0 / f64::from(POINTS));
            force += onto * needed;
            current += onto * (needed / force_factor);
            induced += onto * (force_factor * omega * displacement * sin);
            phase *= turn;
        }
        let coil_voltage = Complex::new(self.resistance, omega * self.inductance) * current + induced;
        let amplifier = match self.mode {
            AmplifierMode::Voltage => coil_voltage,
            AmplifierMode::Current => current,
        };
        Balance { drive: amplifier / self.gain, coil_voltage, current, force }
    }

    /// Displacement in rated strokes, as far as the bend is known.
    fn reach(&self, displacement: f64) -> f64 {
        let before_it_vanishes = (LARGEST_DROOP / self.droop.max(f64::MIN_POSITIVE)).sqrt();
        (displacement / self.rated_stroke).min(KNOWN_REACH).min(before_it_vanishes)
    }

    /// Local exponent `d ln a / d ln u` of amplitude over drive: 1 for a linear plant, less where it hardens.
    ///
    /// A drive that is to change the amplitude by a factor `r` is changed by `r^(1/exponent)`. Kept between 1/5 and 5: where a
    /// barely damped resonance folds over, amplitude is no function of drive, and a correction must still go the right way.
    #[must_use]
    pub fn exponent(&self, frequency: Hertz, acceleration: Accel<Peak>) -> f64 {
        const STEP: f64 = 1e-3;
        let drive = |share: f64| self.balance(frequency, acceleration * share).drive.norm().ln();
        let slope = (drive(STEP.exp()) - drive((-STEP).exp())) / (2.0 * STEP);
        1.0 / slope.clamp(0.2, 5.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::rigs::{RIGS, linear};
    use super::*;

    /// State of the full equations: current, displacement, velocity.
    type State = [f64; 3];

    fn derivative(plant: &Plant, [i, x, v]: State, output: (f64, f64)) -> State {
        let bend = (x / plant.rated_stroke).powi(2);
        let force_factor = plant.force_factor * (1.0 - plant.droop * bend);
        let spring = plant.stiffness * x * (1.0 + plant.hardening * bend);
        let (value, slope) = output;
        let (i, current_slope) = match plant.mode {
            AmplifierMode::Voltage => {
                (i, (value - plant.resistance * i - force_factor * v) / plant.inductance)
            }
            AmplifierMode::Current => (value, slope),
        };
        [current_slope, v, (force_factor * i - plant.damping * v - spring) / plant.mass]
    }

    fn step(plant: &Plant, state: State, time: f64, h: f64, output: &dyn Fn(f64) -> (f64, f64)) -> State {
        let ahead = |k: State, by: f64| std::array::from_fn(|n| state[n] + by * k[n]);
        let k1 = derivative(plant, state, output(time));
        let k2 = derivative(plant, ahead(k1, h / 2.0), output(time + h / 2.0));
        let k3 = derivative(plant, ahead(k2, h / 2.0), output(time + h / 2.0));
        let k4 = derivative(plant, ahead(k3, h), output(time + h));
        std::array::from_fn(|n| state[n] + h / 6.0 * (k1[n] + 2.0 * k2[n] + 2.0 * k3[n] + k4[n]))
    }

    /// Fundamental of the acceleration that a drive gives, by integrating the full equations (classical Runge-Kutta)
    /// from the motion that is expected until two cycles agree.
    fn integrated(plant: &Plant, frequency: f64, target: f64, drive: Complex<f64>) -> Complex<f64> {
        let omega = TAU * frequency;
        // Finer than the fastest electrical time constant allows.
        let fastest = plant.resistance / plant.inductance;
        let steps = (fastest / frequency).max(400.0).ceil();
        let h = 1.0 / frequency / steps;
        let output = |t: f64| {
            let turned = drive * plant.gain * Complex::from_polar(1.0, omega * t);
            (turned.re, -omega * turned.im)
        };
        let expected = plant.balance(Hertz::new(frequency), Accel::new(target)).current;
        let mut state = [expected.re, -target / omega.powi(2), 0.0];
        let (mut before, mut cycle): (Complex<f64>, f64) = (Complex::ZERO, 0.0);
        loop {
            let mut found: Complex<f64> = Complex::ZERO;
            let mut n = 0.0;
            while n < steps {
                let time = (cycle * steps + n) * h;
                let acceleration = derivative(plant, state, output(time))[2];
                found += Complex::from_polar(2.0 / steps, -omega * n * h) * acceleration;
                state = step(plant, state, time, h, &output);
                n += 1.0;
            }
            if (found - before).norm() < 2e-7 * target || cycle > 3000.0 {
                return found;
            }
            before = found;
            cycle += 1.0;
        }
    }

    /// Largest accelerations that the amplifiers' currents and voltages allow. Well beyond them a drooping force factor
    /// drives a coil off its centre above resonance, and no motion about the centre exists to be compared.
    const LARGEST: [f64; 3] = [66.0, 104.0, 460.0];

    fn worst(rigs: impl Iterator<Item = Plant>, limit: f64) {
        for (plant, largest) in rigs.zip(LARGEST) {
            for frequency in [0.5, 1.0, 2.5, 5.0, 12.0, 30.0, 100.0] {
                for share in [0.2, 0.6, 1.0] {
                    let omega = TAU * frequency;
                    // No further than the rated stroke, no faster than 1 m/s.
                    let target = share * (plant.rated_stroke * omega * omega).min(omega).min(largest);
                    let balance = plant.balance(Hertz::new(frequency), Accel::new(target));
                    let found = integrated(&plant, frequency, target, balance.drive) / target;
                    let off = (found.norm() - 1.0).abs();
                    assert!(off < limit, "{plant:?} {frequency} Hz, {share} of rated stroke: {off:.5}");
                }
            }
        }
    }

    /// Independent road: the full equations integrated in time.
    #[test]
    fn a_healthy_rig_does_what_was_foreseen() {
        worst(RIGS.into_iter(), 3e-3);
    }

    #[test]
    fn so_does_a_worn_one() {
        worst(RIGS.into_iter().map(|rig| Plant { hardening: 0.1, droop: 0.05, ..rig }), 1e-2);
    }

    /// Driven by a current a shaker has only its mechanical damping; away from its resonance the balance holds as well.
    #[test]
    fn driven_by_a_current() {
        for frequency in [8.0, 20.0] {
            let plant = Plant { mode: AmplifierMode::Current, ..RIGS[1] };
            let target = plant.rated_stroke * (TAU * frequency).powi(2);
            let balance = plant.balance(Hertz::new(frequency), Accel::new(target));
            let found = integrated(&plant, frequency, target, balance.drive).norm() / target;
            assert!((found - 1.0).abs() < 3e-3, "{frequency} Hz: {found}");
        }
    }

    /// Without a bend it is the linear transfer function, magnitude and phase.
    #[test]
    fn straight_lines_give_the_linear_plant() {
        for rig in RIGS {
            for mode in [AmplifierMode::Voltage, AmplifierMode::Current] {
                let plant = Plant { mode, gain: 3.0, ..linear(rig) };
                for frequency in [0.1, 0.8, 4.0, 50.0, 400.0].map(Hertz::new) {
                    let response = 2.0 / plant.balance(frequency, Accel::new(2.0)).drive;
                    let foreseen = plant.acceleration_per_volt(frequency);
                    assert!((response / foreseen - 1.0).norm() < 1e-12);
                    assert!((plant.exponent(frequency, Accel::new(2.0)) - 1.0).abs() < 1e-9);
                }
            }
        }
    }

    /// However absurd the target, there is a finite figure: a person is told by how much it is too much.
    #[test]
    fn far_beyond_the_stroke_the_figures_stay_finite() {
        let plant = Plant { droop: 0.8, ..RIGS[1] };
        let balance = plant.balance(Hertz::new(0.5), Accel::new(100.0));
        assert!(balance.drive.norm().is_finite() && balance.drive.norm() > 0.0);
    }

    /// On the line of the suspension force goes as `X (1 + ¾ β (X/x_r)²)` (the fundamental of a cube is three quarters).
    #[test]
    fn three_quarters_of_the_hardening() {
        let plant = Plant { mode: AmplifierMode::Current, droop: 0.0, hardening: 0.1, ..RIGS[1] };
        let frequency = Hertz::new(0.01);
        let target = Accel::new(plant.rated_stroke * (TAU * 0.01).powi(2));
        let force = plant.balance(frequency, target).force.norm();
        assert!((force / (plant.stiffness * plant.rated_stroke) / 1.075 - 1.0).abs() < 1e-4);
    }
}
