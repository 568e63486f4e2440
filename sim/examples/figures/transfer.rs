//! Linear rigs against the transfer functions of their equations: magnitude and phase.

use crate::Row;
use crate::fit::harmonics;
use crate::three_rigs::{Bench, Machine, RATE, RIGS, SOURCE_LATENCY};

const BY_VOLTAGE: [f64; 9] = [0.1, 0.5, 1.0, 4.0, 12.0, 50.0, 200.0, 1000.0, 2000.0];
const BY_CURRENT: [f64; 6] = [0.1, 1.0, 5.0, 50.0, 400.0, 2000.0];

/// Ratio to the closed form, and the phase against it, of each rig at each frequency.
pub(crate) fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    for (current_mode, frequencies) in [(false, BY_VOLTAGE.as_slice()), (true, BY_CURRENT.as_slice())] {
        for machine in RIGS {
            let machine = Machine { current_mode, ..machine };
            rows.extend(frequencies.iter().flat_map(|f| compare(&machine, *f)));
        }
    }
    rows
}

fn compare(machine: &Machine, frequency: f64) -> [Row; 2] {
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
    let mode = if machine.current_mode { "current" } else { "voltage" };
    let what = format!("{}, {mode}, {frequency} Hz", machine.name);
    // Wanted of the simulator: 0.05 % and 0.03 deg.
    let ratio = Row {
        what: format!("{what}: magnitude over closed form"),
        unit: "",
        value: got.norm() / expected.norm(),
        expected: 1.0,
        tolerance: 5e-4,
    };
    let phase = Row {
        what: format!("{what}: phase against closed form"),
        unit: "deg",
        value: (got / expected).arg().to_degrees(),
        expected: 0.0,
        tolerance: 0.03,
    };
    [ratio, phase]
}
