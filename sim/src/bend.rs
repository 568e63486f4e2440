//! What the shaker does beyond its linear equations: suspension, force factor, gravity, a coil that warms up. Pure.
//!
//! Owns: the terms that bend the straight lines of `shaker`'s equations, as pushes on velocity and current. Displacement
//! counts from the middle between the stops, which is the magnetic centre; the suspension may rest elsewhere.
//!
//! - suspension: `k y (1 + β (y/x_r)²)`, y the distance from where the suspension rests, x_r the rated stroke;
//! - force factor: `Bl(x) = Bl₀ (1 − γ (x/x_r)²)`, in the force and in the voltage that motion induces;
//! - gravity: the axis is raised by θ(x) = θ₀ + τ x towards +x (90° where the rig stands upright), so that `−m g sin θ`
//!   acts along it, and a sensor at rest feels `+g sin θ`. An upright suspension was set to rest with the armature alone:
//!   only the payload lets it sag;
//! - resistance: what the coil has more than the equations that were made exact last.

use crate::error::SimError;
use crate::shaker::{CURRENT, POSITION, State, VELOCITY};
use plan_schema::rig::{Orientation, Rig};
use plan_schema::units::STANDARD_GRAVITY;
use std::f64::consts::FRAC_PI_2;

/// Pushes beyond the linear equations: on the velocity in m/s², on the current in A/s, and the pull of gravity that a
/// sensor feels in m/s².
pub(crate) type Pushes = [f64; 3];

/// The rig's departures from a linear shaker, in SI units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bend {
    /// β.
    pub(crate) hardening: f64,
    /// γ.
    pub(crate) droop: f64,
    /// x_r.
    pub(crate) rated_stroke: f64,
    /// Where the suspension rests.
    pub(crate) rest: f64,
    /// θ₀ and τ, in rad and rad/m.
    pub(crate) tilt: (f64, f64),
    /// The weight that the suspension was set to rest with, in N along the axis.
    pub(crate) preload: f64,
}

impl Bend {
    /// What the rig file says; `armature` is the moving mass without payload in kg.
    ///
    /// # Errors
    /// A value with which the equations make no sense.
    pub(crate) fn read(rig: &Rig, armature: f64) -> Result<Self, SimError> {
        let shaker = &rig.shaker;
        let rated_stroke =
            SimError::positive(shaker.rated_stroke.si(), "the rated stroke in m", "shaker.rated_stroke")?;
        let droop = SimError::not_negative(
            shaker.force_factor_droop.si(),
            "the droop of the force factor",
            "shaker.force_factor_droop",
        )?;
        if droop * (shaker.stop.si() / rated_stroke).powi(2) >= 1.0 {
            return Err(SimError::new(
                "the force factor vanishes before the stop",
                "write a smaller share for shaker.force_factor_droop",
            ));
        }
        let finite = |value: f64, what: &str, key: &str| {
            if value.is_finite() {
                return Ok(value);
            }
            Err(SimError::new(
                format!("{what} is {value}, which can't be simulated"),
                format!("write a number for shaker.{key}"),
            ))
        };
        let upright = rig.orientation == Orientation::Vertical;
        let raised = if upright { FRAC_PI_2 } else { 0.0 };
        Ok(Self {
            hardening: SimError::not_negative(
                shaker.suspension_hardening.si(),
                "the hardening of the suspension",
                "shaker.suspension_hardening",
            )?,
            droop,
            rated_stroke,
            rest: finite(shaker.centre_error.si(), "the error of the centre in m", "centre_error")?,
            tilt: (
                raised + finite(shaker.tilt.si(), "the tilt in rad", "tilt")?,
                finite(
                    shaker.tilt_along_stroke.si(),
                    "the tilt along the stroke in rad/m",
                    "tilt_along_stroke",
                )?,
            ),
            preload: if upright { armature * STANDARD_GRAVITY } else { 0.0 },
        })
    }

    /// True where the shaker is a linear one.
    pub(crate) fn is_straight(&self) -> bool {
        let Self { hardening, droop, rest, tilt: (tilt, along), preload, .. } = self;
        [hardening, droop, rest, tilt, along, preload].into_iter().all(|v| *v == 0.0)
    }

    /// The pull of gravity that a sensor at `position` feels, in m/s²: `g sin θ(x)`.
    pub(crate) fn gravity(&self, position: f64) -> f64 {
        STANDARD_GRAVITY * sine(self.tilt.0 + self.tilt.1 * position)
    }

    /// The departures with the values of one shaker, ready for every sample.
    pub(crate) fn of(&self, mass: f64, stiffness: f64, force_factor: f64, inductance: f64) -> BendTerms {
        let per_stroke = self.rated_stroke.powi(-2);
        BendTerms {
            spring: stiffness / mass,
            hard: stiffness * self.hardening * per_stroke / mass,
            rest: self.rest,
            droop: force_factor * self.droop * per_stroke,
            per_mass: 1.0 / mass,
            per_inductance: 1.0 / inductance,
            preload: self.preload / mass,
            tilt: self.tilt,
            still: (self.tilt.1 == 0.0).then(|| self.gravity(0.0)),
            extra_resistance: 0.0,
        }
    }
}

/// The departures with the values of one shaker.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct BendTerms {
    spring: f64,
    hard: f64,
    rest: f64,
    droop: f64,
    per_mass: f64,
    per_inductance: f64,
    preload: f64,
    tilt: (f64, f64),
    /// The pull of gravity where it is the same everywhere.
    still: Option<f64>,
    extra_resistance: f64,
}

impl BendTerms {
    /// What the force factor lacks at a position, in N/A.
    #[inline]
    pub(crate) fn lacking(&self, position: f64) -> f64 {
        self.droop * position * position
    }

    /// Goes on with the resistance by `rise` ohm.
    #[inline]
    pub(crate) fn warm(&mut self, rise: f64) {
        self.extra_resistance += rise;
    }

    /// Resistance beyond that of the linear equations, in ohm.
    pub(crate) fn extra_resistance(&self) -> f64 {
        self.extra_resistance
    }

    /// The pushes in a state of current, displacement and velocity (the first three of a [`State`]).
    #[inline]
    pub(crate) fn at(&self, current: f64, position: f64, velocity: f64) -> Pushes {
        let y = position - self.rest;
        let lacking = self.lacking(position);
        let gravity = match self.still {
            Some(gravity) => gravity,
            None => STANDARD_GRAVITY * sine(self.tilt.0 + self.tilt.1 * position),
        };
        [
            self.spring * self.rest - self.hard * y * y * y - lacking * current * self.per_mass
                + self.preload
                - gravity,
            (lacking * velocity - self.extra_resistance * current) * self.per_inductance,
            gravity,
        ]
    }

    /// The pushes in a state.
    #[inline]
    pub(crate) fn in_state(&self, state: &State) -> Pushes {
        self.at(state[CURRENT], state[POSITION], state[VELOCITY])
    }
}
/// Sine of an angle that is small as a rule: below 10 mrad two terms of its series are right to 1e-12.
#[inline]
fn sine(angle: f64) -> f64 {
    if angle.abs() < 0.01 { angle * (1.0 - angle * angle / 6.0) } else { angle.sin() }
}
