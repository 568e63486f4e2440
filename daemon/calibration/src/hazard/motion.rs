//! How coil and armature move, from step to step: `L di/dt + R i + Bl v = u`, `m v' + c v + k x = Bl i`, `x' = v`
//! (standard electro-dynamics of a moving coil).
//!
//! Owns: the linear machine, its steady state in closed form, and its free motion. Steps under a drive are `step`'s. Must
//! not: know faults or stops.
//!
//! Departures from the linear machine are bounded, not integrated. A suspension that hardens pulls the armature back
//! more strongly: the linear one coasts farther, and is taken. A force factor that droops brakes less: whatever brakes
//! here has the force factor of the stop, `Bl (1 − γ (stop/rated)²)`; what drives has the full one.

use super::exponential::{Matrix, dot, exponential};
use super::step::Tone;
use nalgebra::Complex;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::{Accel, Hertz, Peak};
use std::f64::consts::{FRAC_PI_2, TAU};

/// Index of the coil's current in the state, in A.
pub(crate) const CURRENT: usize = 0;
/// Index of the velocity, in m/s.
pub(crate) const VELOCITY: usize = 1;
/// Index of the displacement from the centre, in m.
pub(crate) const DISPLACEMENT: usize = 2;

/// Current, velocity and displacement.
pub(crate) type State = [f64; 3];

/// Shortest time constant of the coil that is told from none, in s.
const SHORTEST_COIL: f64 = 1e-6;

/// The linear machine with its amplifier's limits, in SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Machine {
    pub(super) mass: f64,
    pub(super) stiffness: f64,
    pub(super) damping: f64,
    /// Force factor of what drives.
    pub(super) force_factor: f64,
    /// Force factor of what brakes.
    pub(super) braking_factor: f64,
    pub(super) resistance: f64,
    pub(super) inductance: f64,
    pub(super) mode: AmplifierMode,
    /// What the amplifier makes of a volt of the source, V/V or A/V, without its sign.
    pub(super) gain: f64,
    pub(super) voltage_limit: f64,
    pub(super) current_limit: f64,
}

/// What determines the current.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Coil {
    /// A voltage, with the force factor of what drives.
    Driven,
    /// No voltage, with the force factor of what brakes.
    Shorted,
    /// The current itself, nothing flows without it.
    Imposed,
}

/// A sine in its steady state: everything is the real part of a phasor times `e^(jωt)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Steady {
    /// Current, velocity, displacement.
    pub(crate) state: [Complex<f64>; 3],
    /// What the amplifier imposes, V or A.
    pub(crate) input: Complex<f64>,
}

impl Machine {
    /// The machine of a job: the shaker with its payload, and the amplifier.
    #[must_use]
    pub(crate) fn of(job: &ResolvedJob) -> Self {
        let (shaker, amplifier) = (&job.rig.shaker, &job.rig.amplifier);
        let critical = 2.0 * (shaker.stiffness.si() * shaker.moving_mass.si()).sqrt();
        let reach = shaker.stop / shaker.rated_stroke;
        let force_factor = shaker.force_factor.si();
        let resistance = shaker.coil_resistance.si();
        Self {
            mass: shaker.moving_mass.si() + job.payload().si(),
            stiffness: shaker.stiffness.si(),
            damping: shaker.damping_ratio.si() * critical,
            force_factor,
            braking_factor: force_factor * (1.0 - shaker.force_factor_droop.si() * reach * reach).max(0.0),
            resistance,
            inductance: shaker.coil_inductance.si().max(resistance * SHORTEST_COIL),
            mode: amplifier.mode,
            gain: match amplifier.mode {
                AmplifierMode::Voltage => amplifier.gain.map_or(1.0, |g| g.si().abs()),
                AmplifierMode::Current => amplifier.transconductance.map_or(1.0, |g| g.si().abs()),
            },
            voltage_limit: amplifier.voltage_limit.si(),
            current_limit: amplifier.current_limit.si(),
        }
    }

    /// Time constant with which a shorted coil brakes: `m / (c + Bl²/R)`, in s.
    #[must_use]
    pub(super) fn braking(&self) -> f64 {
        self.mass / (self.damping + self.braking_factor.powi(2) / self.resistance)
    }

    /// Period of the suspension without a coil, in s.
    #[must_use]
    pub(super) fn period(&self) -> f64 {
        TAU * (self.mass / self.stiffness).sqrt()
    }

    /// Size of the acceleration with which a step of a force begins that moves the centre so far, in m/s².
    #[must_use]
    pub(crate) fn acceleration_of(&self, displacement: f64) -> f64 {
        self.stiffness * displacement / self.mass
    }

    /// What an input adds to the acceleration by itself once the current has followed it and before anything has moved: a
    /// voltage in voltage mode, a current in current mode, m/s².
    #[must_use]
    pub(crate) fn push(&self, input: f64) -> f64 {
        let current = match self.mode {
            AmplifierMode::Voltage => input / self.resistance,
            AmplifierMode::Current => input,
        };
        self.force_factor * current / self.mass
    }

    /// Acceleration in m/s²: `(Bl i − c v − k x) / m`.
    #[inline]
    #[must_use]
    pub(crate) fn acceleration(&self, state: &State) -> f64 {
        let row = [self.force_factor, -self.damping, -self.stiffness];
        dot(&row, state) / self.mass
    }

    /// The steady state of a sine of this acceleration; its displacement is real and positive.
    #[must_use]
    pub(crate) fn steady(&self, frequency: Hertz, target: Accel<Peak>) -> Steady {
        let omega = TAU * frequency.si();
        let displacement = Complex::new(target.displacement_at(frequency).si(), 0.0);
        let velocity = displacement * Complex::new(0.0, omega);
        let stiffness = Complex::new(self.stiffness - self.mass * omega * omega, omega * self.damping);
        let current = stiffness * displacement / self.force_factor;
        let coil = Complex::new(self.resistance, omega * self.inductance);
        let input = match self.mode {
            AmplifierMode::Voltage => coil * current + velocity * self.force_factor,
            AmplifierMode::Current => current,
        };
        Steady { state: [current, velocity, displacement], input }
    }

    /// Equations `x' = a x + b u`.
    pub(super) fn equations(&self, coil: Coil) -> (Matrix<3>, State) {
        let mut a = [[0.0; 3]; 3];
        a[VELOCITY][VELOCITY] = -self.damping / self.mass;
        a[VELOCITY][DISPLACEMENT] = -self.stiffness / self.mass;
        a[DISPLACEMENT][VELOCITY] = 1.0;
        let factor = match coil {
            Coil::Driven => self.force_factor,
            Coil::Shorted => self.braking_factor,
            Coil::Imposed => return (a, [0.0, self.force_factor / self.mass, 0.0]),
        };
        a[CURRENT][CURRENT] = -self.resistance / self.inductance;
        a[CURRENT][VELOCITY] = -factor / self.inductance;
        a[VELOCITY][CURRENT] = factor / self.mass;
        (a, [1.0 / self.inductance, 0.0, 0.0])
    }

    /// What a state becomes over a time if nothing is put in.
    #[must_use]
    pub(super) fn free(&self, coil: Coil, over: f64) -> Matrix<3> {
        exponential(&self.equations(coil).0, over)
    }
}

impl Steady {
    /// The state at a phase in rad.
    #[must_use]
    pub(super) fn at(&self, phase: f64) -> State {
        let turn = Complex::from_polar(1.0, phase);
        self.state.map(|component| (component * turn).re)
    }

    /// The states a quarter of a turn apart, which make up those at all phases.
    #[must_use]
    pub(super) fn quadrature(&self) -> [State; 2] {
        [self.at(0.0), self.at(FRAC_PI_2)]
    }

    /// The tone at a phase in rad, `factor` times as large.
    #[must_use]
    pub(super) fn tone(&self, phase: f64, factor: f64) -> Tone {
        let (sin, cos) = (self.input.arg() + phase).sin_cos();
        Tone { amplitude: self.input.norm() * factor, cos, sin }
    }
}
