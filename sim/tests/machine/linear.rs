//! Linear rigs against the transfer functions of their equations.

use crate::fit::harmonics;
use crate::three_rigs::{Bench, Machine, RATE, RIGS, SOURCE_LATENCY};

/// Wanted: 0.05 % and 0.03° from 0.1 Hz to 2 kHz. Held: 10 ppm and 0.001°, for the steps are exact.
fn follows_its_transfer_function(machine: &Machine, frequency: f64) {
    let expected = machine.acceleration_per_drive(frequency);
    let wanted = machine.reach(frequency, 0.3, 0.5);
    // What the start leaves dies with the slow pole of the shorted coil (10.6 s for the long stroke), or, where the
    // current is imposed, with the suspension's own damping.
    let wait = match (machine.current_mode, machine.name) {
        (_, "long stroke") => 140.0,
        (true, _) => 20.0,
        (false, _) => 4.0,
    };
    let mut bench = Bench::new(machine, 4.0 * wanted, 10_000);
    bench.unmute();
    bench.tone(frequency, wanted / expected.norm(), if machine.current_mode { 5.0 } else { 1.0 });
    let first = SOURCE_LATENCY * RATE - bench.run(wait)[0].len() as f64;
    let samples = bench.run((2.0 / frequency).ceil().max(1.0));
    let got = harmonics(&samples[0], frequency, first, 1)[0] / (wanted / expected.norm());
    let (ratio, turned) = (got.norm() / expected.norm() - 1.0, (got / expected).arg().to_degrees());
    assert!(
        ratio.abs() < 1e-5 && turned.abs() < 1e-3,
        "{} at {frequency} Hz, current mode {}: off by {ratio:e} and {turned:e}°",
        machine.name,
        machine.current_mode
    );
    assert_eq!(bench.rig.truth().stop_hits, 0);
}

#[test]
fn a_voltage_moves_it_as_the_equations_say() {
    for machine in RIGS {
        for frequency in [0.1, 0.5, 1.0, 4.0, 12.0, 50.0, 200.0, 1000.0, 2000.0] {
            follows_its_transfer_function(&machine, frequency);
        }
    }
}

#[test]
fn a_current_moves_it_as_the_equations_say() {
    for machine in RIGS {
        for frequency in [0.1, 1.0, 5.0, 50.0, 400.0, 2000.0] {
            let machine = Machine { current_mode: true, ..machine };
            follows_its_transfer_function(&machine, frequency);
        }
    }
}
