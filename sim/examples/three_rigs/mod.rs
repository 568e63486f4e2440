//! Three rigs for tests and examples, and a bench that drives them through the driver contract.
//!
//! Owns: the parameters of the rigs (invented; they hang together); `files` describes them in the words of a rig file,
//! `bench` handles an open rig, `forms` holds closed forms of the linear equations.
//! Must not: look inside the simulator.
#![allow(dead_code, unused_imports, reason = "each test and example uses a part of it")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a bench for tests")]

mod bench;
mod files;
mod forms;

pub(crate) use bench::{Bench, faults, wait};

/// Samples per second of every rig here.
pub(crate) const RATE: f64 = 10_000.0;

/// Seconds from a command until the source follows, and until the amplifier does.
pub(crate) const SOURCE_LATENCY: f64 = 0.005;
/// See [`SOURCE_LATENCY`].
pub(crate) const AMPLIFIER_LATENCY: f64 = 0.002;

/// A shaker and its amplifier, in SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Machine {
    /// What it is called.
    pub(crate) name: &'static str,
    /// Moving mass with payload.
    pub(crate) mass: f64,
    /// Stiffness of the suspension.
    pub(crate) stiffness: f64,
    /// Mechanical damping ratio with that mass.
    pub(crate) damping_ratio: f64,
    /// Bl₀.
    pub(crate) force_factor: f64,
    /// Resistance of the coil at 23 °C.
    pub(crate) resistance: f64,
    /// Inductance of the coil.
    pub(crate) inductance: f64,
    /// Rated stroke, peak.
    pub(crate) rated: f64,
    /// Distance of the stops.
    pub(crate) stop: f64,
    /// Limit of the amplifier's voltage.
    pub(crate) volts: f64,
    /// Limit of the amplifier's current.
    pub(crate) amperes: f64,
    /// True for an amplifier that imposes a current, 1 A/V; else it imposes a voltage, 1 V/V.
    pub(crate) current_mode: bool,
    /// Upper corner of the amplifier in Hz.
    pub(crate) bandwidth: f64,
    /// β.
    pub(crate) hardening: f64,
    /// γ.
    pub(crate) droop: f64,
    /// Where the suspension rests.
    pub(crate) centre_error: f64,
    /// How far the axis is raised, in rad, and per metre of displacement.
    pub(crate) tilt: f64,
    /// See `tilt`.
    pub(crate) tilt_along: f64,
    /// DC offset of the amplifier's output.
    pub(crate) offset: f64,
    /// Relative rise of the resistance per kelvin, heat capacity and heat resistance; no heat without a capacity.
    pub(crate) heat: (f64, f64, f64),
    /// Temperature at which the coil's guard acts.
    pub(crate) coil_limit: Option<f64>,
    /// Time of the amplifier's watchdog.
    pub(crate) watchdog: Option<f64>,
    /// True if it stands upright.
    pub(crate) vertical: bool,
    /// Mass of the first sensor, on top of `mass`.
    pub(crate) sensor_mass: f64,
    /// What mute does to the coil.
    pub(crate) opens: bool,
}

const PORTABLE: Machine = Machine {
    name: "portable",
    mass: 0.3,
    stiffness: 189.5,
    damping_ratio: 0.05,
    force_factor: 9.0,
    resistance: 3.0,
    inductance: 0.3e-3,
    rated: 5e-3,
    stop: 6.5e-3,
    volts: 24.0,
    amperes: 3.5,
    current_mode: false,
    bandwidth: 20e3,
    hardening: 0.0,
    droop: 0.0,
    centre_error: 0.0,
    tilt: 0.0,
    tilt_along: 0.0,
    offset: 0.0,
    heat: (0.0, 0.0, 0.0),
    coil_limit: None,
    watchdog: None,
    vertical: false,
    sensor_mass: 0.0,
    opens: false,
};

/// Long stroke, portable, mid-size: linear, voltage mode.
pub(crate) const RIGS: [Machine; 3] = [
    Machine {
        name: "long stroke",
        mass: 4.5,
        stiffness: 113.7,
        damping_ratio: 0.02,
        force_factor: 60.0,
        resistance: 3.0,
        inductance: 3e-3,
        rated: 75e-3,
        stop: 85e-3,
        volts: 60.0,
        amperes: 5.0,
        ..PORTABLE
    },
    PORTABLE,
    Machine {
        name: "mid-size",
        mass: 0.3,
        stiffness: 1705.0,
        damping_ratio: 0.05,
        force_factor: 14.0,
        resistance: 2.5,
        inductance: 0.2e-3,
        rated: 12.5e-3,
        stop: 14.5e-3,
        volts: 50.0,
        amperes: 10.0,
        ..PORTABLE
    },
];

impl Machine {
    /// With suspension and magnet of a healthy rig.
    #[must_use]
    pub(crate) fn healthy(self) -> Self {
        Self { hardening: 0.03, droop: 0.02, ..self }
    }

    /// With suspension and magnet of a worn rig.
    #[must_use]
    pub(crate) fn worn(self) -> Self {
        Self { hardening: 0.1, droop: 0.05, ..self }
    }

    /// Mechanical damping in N·s/m.
    #[must_use]
    pub(crate) fn damping(&self) -> f64 {
        2.0 * self.damping_ratio * (self.stiffness * self.mass).sqrt()
    }
}
