//! Three invented shakers for the tests of this module: long stroke, portable, mid-size, healthy and driven by a voltage.

use super::plant::Plant;
use plan_schema::rig::AmplifierMode;

/// Damping of a suspension as a share of critical damping.
const fn damping(ratio: f64, natural: f64, mass: f64) -> f64 {
    2.0 * ratio * std::f64::consts::TAU * natural * mass
}

/// Long stroke, portable, mid-size, each with its payload.
pub(super) const RIGS: [Plant; 3] = [
    Plant {
        mass: 4.5,
        stiffness: 113.7,
        damping: damping(0.02, 0.8, 4.5),
        force_factor: 60.0,
        resistance: 3.0,
        inductance: 3e-3,
        hardening: 0.03,
        droop: 0.02,
        rated_stroke: 75e-3,
        mode: AmplifierMode::Voltage,
        gain: 1.0,
    },
    Plant {
        mass: 0.3,
        stiffness: 189.5,
        damping: damping(0.05, 4.0, 0.3),
        force_factor: 9.0,
        resistance: 3.0,
        inductance: 0.3e-3,
        hardening: 0.03,
        droop: 0.02,
        rated_stroke: 5e-3,
        mode: AmplifierMode::Voltage,
        gain: 1.0,
    },
    Plant {
        mass: 0.3,
        stiffness: 1705.0,
        damping: damping(0.05, 12.0, 0.3),
        force_factor: 14.0,
        resistance: 2.5,
        inductance: 0.2e-3,
        hardening: 0.03,
        droop: 0.02,
        rated_stroke: 12.5e-3,
        mode: AmplifierMode::Voltage,
        gain: 1.0,
    },
];

/// The same shaker without hardening and droop.
pub(super) const fn linear(rig: Plant) -> Plant {
    Plant { hardening: 0.0, droop: 0.0, ..rig }
}
