//! Prints cases of the full equations and what the simulator makes of them, as JSON, for a check by another program.
//!
//! `cargo run -p sim --example ode_cases > cases.json`, then `python tests/outside/ode.py cases.json`

mod three_rigs;

use three_rigs::{AMPLIFIER_LATENCY, Bench, Machine, RATE, RIGS, SOURCE_LATENCY};

/// Samples that are printed of each case.
const PRINTED: usize = 4000;

#[expect(clippy::print_stdout, reason = "a program that prints cases")]
fn main() {
    let mut cases = Vec::new();
    for machine in RIGS {
        for frequency in [0.1, 1.0, 10.0] {
            cases.push(case(&machine.healthy(), frequency, 1.0));
            cases.push(case(&machine.worn(), frequency, 1.0));
        }
        let off =
            Machine { centre_error: 0.04 * machine.rated, tilt: 1e-4, tilt_along: 0.01, ..machine.worn() };
        cases.push(case(&off, 1.0, 0.4));
        let current_mode = true;
        cases.push(case(&Machine { current_mode, ..off }, 1.0, 0.4));
    }
    let upright = Machine { vertical: true, sensor_mass: 0.03, ..RIGS[1].worn() };
    cases.push(case(&upright, 5.0, 0.5));
    println!("[\n{}\n]", cases.join(",\n"));
}

/// Twenty cycles from rest at `share` of the rated stroke, or of what the amplifier can.
fn case(m: &Machine, frequency: f64, share: f64) -> String {
    let wanted = m.reach(frequency, share, 0.95);
    let amplitude = m.drive_for(frequency, wanted);
    let over = (2.0 / frequency).max(0.5);
    let mut bench = Bench::new(m, 4.0 * wanted + if m.vertical { 20.0 } else { 2.0 }, 1000);
    bench.unmute();
    bench.tone(frequency, amplitude, over);
    let felt = &bench.run(20.0 / frequency)[0];
    let every = felt.len().div_ceil(PRINTED);
    let samples: Vec<String> = felt.iter().step_by(every).map(|a| format!("{a:e}")).collect();
    let displacement_max = bench.rig.truth().displacement_max.si();
    let numbers = [
        ("moving_mass_kg", m.mass),
        ("payload_kg", m.sensor_mass),
        ("stiffness_n_per_m", m.stiffness),
        ("damping_n_s_per_m", m.damping()),
        ("force_factor_n_per_a", m.force_factor),
        ("resistance_ohm", m.resistance),
        ("inductance_h", m.inductance),
        ("rated_stroke_m", m.rated),
        ("suspension_hardening", m.hardening),
        ("force_factor_droop", m.droop),
        ("centre_error_m", m.centre_error),
        ("tilt_rad", m.tilt),
        ("tilt_along_stroke_rad_per_m", m.tilt_along),
        ("bandwidth_hz", m.bandwidth),
        ("offset", m.offset),
        ("frequency_hz", frequency),
        ("amplitude", amplitude),
        ("over_s", over),
        ("source_latency_s", SOURCE_LATENCY),
        ("amplifier_latency_s", AMPLIFIER_LATENCY),
        ("interval_s", every as f64 / RATE),
        ("displacement_m_peak_max", displacement_max),
    ]
    .map(|(key, value)| format!("\"{key}\": {value:e}"));
    format!(
        "{{\"name\": \"{}\", \"current_mode\": {}, \"vertical\": {}, {}, \"felt_mps2\": [{}]}}",
        m.name,
        m.current_mode,
        m.vertical,
        numbers.join(", "),
        samples.join(", ")
    )
}
