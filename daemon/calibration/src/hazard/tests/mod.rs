//! Hazards against an independent integration, against computed facts of invented rigs, and as verdicts on jobs.

mod common_practice;
mod facts;
mod integration;
mod largest;
mod plans;
mod touch;
mod verdicts;

use super::motion::Machine;
use plan_schema::rig::AmplifierMode;
use std::f64::consts::TAU;

/// An invented rig of the linear equations: total mass, resonance in Hz, damping ratio, Bl, R, L, voltage, current.
fn machine(values: [f64; 8]) -> Machine {
    let [mass, resonance, damping, force_factor, resistance, inductance, voltage_limit, current_limit] =
        values;
    let stiffness = mass * (TAU * resonance).powi(2);
    Machine {
        mass,
        stiffness,
        damping: 2.0 * damping * (stiffness * mass).sqrt(),
        force_factor,
        braking_factor: force_factor,
        resistance,
        inductance,
        mode: AmplifierMode::Voltage,
        gain: 10.0,
        voltage_limit,
        current_limit,
    }
}

fn long_stroke() -> Machine {
    machine([4.5, 0.8, 0.02, 60.0, 3.0, 3e-3, 60.0, 5.0])
}

pub(crate) fn portable() -> Machine {
    machine([0.3, 4.0, 0.05, 9.0, 3.0, 0.3e-3, 24.0, 3.5])
}

fn mid_size() -> Machine {
    machine([0.3, 12.0, 0.05, 14.0, 2.5, 0.2e-3, 50.0, 10.0])
}
