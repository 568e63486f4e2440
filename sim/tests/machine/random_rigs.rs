//! Rigs drawn at random over wide ranges: nothing diverges, nothing comes from nothing, the order of sensors is nothing.
//!
//! Small form: 50 rigs of 10 s. Full form, with the environment variable `CALWRIGHT_FULL=1`: 1,000 rigs of 60 s.

use crate::oracle::G;
use crate::three_rigs::{Bench, Machine, RIGS, faults, wait};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A number between two, evenly over its logarithm.
fn spread(rng: &mut ChaCha8Rng, from: f64, to: f64) -> f64 {
    rng.random_range(from.ln()..to.ln()).exp()
}

fn rig(rng: &mut ChaCha8Rng) -> Machine {
    let mass = spread(rng, 0.02, 8.0);
    let natural = std::f64::consts::TAU * spread(rng, 0.5, 60.0);
    let rated = spread(rng, 1.5e-3, 0.2);
    let volts = spread(rng, 5.0, 100.0);
    let current_mode = rng.random_bool(0.4);
    let warms = rng.random_bool(0.5);
    // Gravity leaves it between its stops, else it would fall against one whenever it is let go.
    let lean = 0.3 * rated * natural * natural / G;
    Machine {
        name: "drawn",
        mass,
        stiffness: mass * natural * natural,
        damping_ratio: spread(rng, 0.01, 0.15),
        force_factor: spread(rng, 3.0, 80.0),
        resistance: spread(rng, 0.5, 8.0),
        inductance: spread(rng, 5e-5, 1e-2),
        rated,
        stop: rated * rng.random_range(1.05..1.5),
        volts,
        amperes: spread(rng, 1.0, 30.0),
        current_mode,
        bandwidth: spread(rng, 2e3, 5e4),
        hardening: rng.random_range(0.0..0.5),
        droop: rng.random_range(0.0..0.3),
        centre_error: rated * rng.random_range(-0.1..0.1),
        tilt: lean.min(1e-3) * rng.random_range(-1.0..1.0),
        tilt_along: rng.random_range(-0.02..0.02),
        offset: 0.01 * volts * rng.random_range(-1.0..1.0),
        heat: if warms { (0.0039, spread(rng, 2.0, 500.0), spread(rng, 0.3, 5.0)) } else { (0.0, 0.0, 0.0) },
        vertical: rng.random_bool(0.2),
        sensor_mass: spread(rng, 1e-3, 0.1).min(lean * mass),
        opens: rng.random_bool(0.5),
        ..RIGS[0]
    }
}

const RESPONSES: [&str; 3] = [
    "natural_frequency = \"2 kHz\"\ndamping_ratio = \"5 %\"\nlower_corner = \"0.5 Hz\"",
    "natural_frequency = \"300 Hz\"\ndamping_ratio = \"70 %\"",
    "lower_corner = \"2 Hz\"",
];

/// Drives a rig at random for `seconds`; gives every sensor's samples, in the order of [`RESPONSES`] whatever that of the
/// channels, and how far the reference swings in two equal stretches after it was muted, each longer than a cycle.
fn play(machine: &Machine, seed: u64, seconds: f64, order: [usize; 3]) -> (Vec<Vec<u32>>, [f64; 2]) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // The payload is that of the first channel: the same on all.
    let responses = order.map(|n| RESPONSES[n]);
    let mut bench = Bench::of(&machine.job(&responses, 2000.0, "0 ug/sqrtHz"), 1000, &faults("fault = []\n"));
    let mut seen: Vec<Vec<u32>> = vec![Vec::new(); 3];
    let mut take = |samples: Vec<Vec<f64>>| {
        assert!(samples.iter().flatten().all(|v| v.is_finite()), "{machine:?}");
        for (channel, response) in order.iter().enumerate() {
            // Every tenth sample bears witness.
            let witness = samples[channel + 1].iter().step_by(10);
            #[expect(clippy::cast_possible_truncation, reason = "they were f32 before")]
            seen[*response].extend(witness.map(|v| (*v as f32).to_bits()));
        }
    };
    let mut passed = 0.0;
    let limit = if machine.current_mode { machine.amperes } else { machine.volts };
    while passed < seconds - 5.5 {
        match rng.random_range(0..8) {
            0 => drop(wait(bench.amplifier.mute()).unwrap()),
            1..4 => bench.unmute(),
            _ => {}
        }
        let (frequency, amplitude) = (spread(&mut rng, 0.1, 2e3), limit * spread(&mut rng, 0.003, 1.5));
        bench.tone(frequency, amplitude, rng.random_range(0.0..1.0));
        let part = rng.random_range(1..10);
        passed += 0.1 * f64::from(part);
        take(bench.run(0.1 * f64::from(part)));
    }
    wait(bench.amplifier.mute()).unwrap();
    take(bench.run(0.5));
    let rest = [(); 2].map(|()| {
        let samples = bench.run(2.5).swap_remove(0);
        let range = samples.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
        range.1 - range.0
    });
    let truth = bench.rig.truth();
    assert!(truth.displacement_max.si() <= machine.stop * (1.0 + 1e-12), "{truth:?} {machine:?}");
    let numbers = [truth.current_max.si(), truth.coil_temperature_max.si(), truth.stop_hit_speed_max.si()];
    assert!(numbers.iter().all(|v| v.is_finite()), "{truth:?} {machine:?}");
    (seen, rest)
}

#[test]
fn drawn_rigs_stay_rigs() {
    let full = std::env::var("CALWRIGHT_FULL").is_ok_and(|v| v == "1");
    let (rigs, seconds) = if full { (1000, 60.0) } else { (50, 10.0) };
    let mut compared = 0u32;
    for seed in 0..rigs {
        let machine = rig(&mut ChaCha8Rng::seed_from_u64(seed));
        let (seen, [first, second]) = play(&machine, seed, seconds, [0, 1, 2]);
        // Nothing drives it: it swings less and less, but for 10 µg of samples' last digits and a coil that cools down.
        assert!(second <= first * (1.0 + 1e-6) + 1e-4, "{seed}: {second:e} after {first:e} of {machine:?}");
        if seed % 5 == 0 {
            let (other, _) = play(&machine, seed, seconds, [2, 0, 1]);
            assert!(seen == other, "{seed}: the order of sensors shows: {machine:?}");
            compared += 1;
        }
    }
    assert!(compared >= 10);
}
