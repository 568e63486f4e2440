//! How fast the simulator runs alone: the three rigs with four sensors at 10 kS/s, in times of real time.
//!
//! `cargo run --profile proof -p sim --example speed`

mod three_rigs;

use std::time::Duration;
use three_rigs::{Bench, Machine, RATE, RIGS, faults};

/// Simulated time of each measurement, s.
const SIMULATED: f64 = 200.0;

/// Four sensors: a capacitive one, one with built-in electronics, a piezoresistive one, a flat one.
const SENSORS: [&str; 4] = [
    "natural_frequency = \"700 Hz\"\ndamping_ratio = \"65 %\"",
    "natural_frequency = \"30 kHz\"\ndamping_ratio = \"2 %\"\nlower_corner = \"0.3 Hz\"",
    "natural_frequency = \"2 kHz\"\ndamping_ratio = \"5 %\"",
    "",
];

#[expect(clippy::print_stdout, reason = "a program that prints a figure")]
fn main() {
    let linear = RIGS[0];
    let warm = Machine { heat: (0.0039, 200.0, 1.5), ..linear.healthy() };
    for (what, machine, density) in [
        ("long stroke, linear, without noise", linear, "0 ug/sqrtHz"),
        ("long stroke, linear", linear, "10 ug/sqrtHz"),
        ("long stroke, healthy", linear.healthy(), "10 ug/sqrtHz"),
        ("long stroke, healthy, coil warming up", warm, "10 ug/sqrtHz"),
        ("portable, healthy", RIGS[1].healthy(), "10 ug/sqrtHz"),
        ("mid-size, healthy", RIGS[2].healthy(), "10 ug/sqrtHz"),
    ] {
        let took = measure(&machine, density);
        println!("{what}: {:.0} x real time", SIMULATED / took.as_secs_f64());
    }
}

fn measure(machine: &Machine, density: &str) -> Duration {
    let frequency = 5.0;
    let wanted = machine.reach(frequency, 0.8, 0.8);
    let job = machine.job(&SENSORS, 8.0 * wanted, density);
    let mut bench = Bench::of(&job, 200, &faults("fault = []\n"));
    bench.unmute();
    bench.tone(frequency, machine.drive_for(frequency, wanted), 1.0);
    bench.run(5.0);
    let blocks = SIMULATED * RATE / 200.0;
    let mut sum = 0.0;
    #[expect(clippy::disallowed_methods, reason = "real time is what is measured")]
    let start = std::time::Instant::now();
    let mut n = 0.0;
    while n < blocks {
        bench.block(|_, samples| sum += f64::from(samples[0]));
        n += 1.0;
    }
    let took = start.elapsed();
    assert!(sum.is_finite());
    took
}
