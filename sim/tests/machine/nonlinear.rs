//! Rigs as they are built: hardening suspension, drooping force factor, tilt, an off centre, against an independent
//! integration of the same equations, and their distortion.

use crate::fit::{distortion, harmonics};
use crate::oracle::{Drive, Filter, integrate};
use crate::three_rigs::{Bench, Machine, RATE, RIGS, faults};
use std::f64::consts::TAU;

/// Wanted: 0.01 % of the peak at every sample over twenty cycles from rest.
const SHARE: f64 = 1e-4;

/// Response of the sensor that goes along, in the register's words and for integration.
const RESPONSE: &str = "natural_frequency = \"60 Hz\"\ndamping_ratio = \"65 %\"\nlower_corner = \"0.3 Hz\"";
const FILTER: Filter = Filter { natural: 60.0, damping_ratio: 0.65, corner: 0.3 };

/// Runs a rig at `share` of its rated stroke, or of what the amplifier can; it has to do what integration says.
fn compare(machine: &Machine, frequency: f64, share: f64) {
    let wanted = machine.reach(frequency, share, 0.95);
    let drive = Drive {
        frequency,
        amplitude: machine.drive_for(frequency, wanted),
        over: (2.0 / frequency).max(0.5),
    };
    let samples = (20.0 / frequency * RATE).round();
    let range = 8.0 * wanted + if machine.vertical { 40.0 } else { 4.0 };
    let job = machine.job(&[RESPONSE], range, "0 ug/sqrtHz");
    let mut bench = Bench::of(&job, 1000, &faults("fault = []\n"));
    bench.unmute();
    bench.tone(frequency, drive.amplitude, drive.over);
    let got = bench.run(samples / RATE);
    let (mut largest, mut worst, mut filtered, mut stroke) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
    integrate(machine, Some(FILTER), drive, got[0].len(), |n, at| {
        largest = largest.max(at.felt.abs());
        worst = worst.max((got[0][n] - at.felt).abs());
        // The sensor shows 2 V/(m/s²).
        filtered = filtered.max((got[1][n] / 2.0 - at.filtered).abs());
        stroke = stroke.max(at.displacement.abs());
    });
    let what = format!("{} at {frequency} Hz, current mode {}", machine.name, machine.current_mode);
    assert!(worst < SHARE * largest, "{what}: off by {worst:e} of {largest:e} m/s²");
    assert!(filtered < SHARE * largest, "{what}: filter off by {filtered:e} of {largest:e} m/s²");
    let truth = bench.rig.truth();
    assert_eq!(truth.stop_hits, 0, "{what}");
    assert!(
        (truth.displacement_max.si() / stroke - 1.0).abs() < SHARE,
        "{what}: {:?} {stroke}",
        truth.displacement_max
    );
}

fn healthy_and_worn(frequency: f64) {
    for machine in RIGS {
        for machine in [machine.healthy(), machine.worn()] {
            compare(&machine, frequency, 1.0);
        }
    }
}

#[test]
fn twenty_cycles_at_a_tenth_of_a_hertz() {
    healthy_and_worn(0.1);
}

#[test]
fn twenty_cycles_at_one_hertz() {
    healthy_and_worn(1.0);
}

#[test]
fn twenty_cycles_at_ten_hertz() {
    healthy_and_worn(10.0);
}

/// Tilt, an off centre, an offset: everything at once. In current mode without the offset, for a current that jumps when
/// the coil is connected takes the amplifier half a part of a sample, and integration no time.
#[test]
fn twenty_cycles_off_centre() {
    for machine in RIGS {
        for current_mode in [false, true] {
            let off = Machine {
                current_mode,
                centre_error: 0.04 * machine.rated,
                tilt: 1e-4,
                tilt_along: 0.01,
                offset: if current_mode {
                    0.0
                } else {
                    0.02 * machine.rated * machine.stiffness * machine.resistance / machine.force_factor
                },
                ..machine.worn()
            };
            for frequency in [1.0, 10.0] {
                compare(&off, frequency, 0.4);
            }
        }
    }
}

/// Upright, 30 g of sensor let the suspension sag, and everything feels 1 g.
#[test]
fn twenty_cycles_upright() {
    let upright = Machine { vertical: true, sensor_mass: 0.03, ..RIGS[1].worn() };
    compare(&upright, 5.0, 0.5);
}

/// The distortion of the acceleration with the fundamental of the displacement at rated stroke, driven by a voltage.
fn distortion_at_rated_stroke(machine: &Machine, frequency: f64) -> f64 {
    let wanted = machine.rated * (TAU * frequency).powi(2);
    let mut amplitude = machine.drive_for(frequency, wanted);
    let mut found = (0.0, 0.0);
    for _ in 0..4 {
        let mut bench = Bench::new(machine, 4.0 * wanted, 1000);
        bench.unmute();
        bench.tone(frequency, amplitude, 1.0);
        bench.run(5.0);
        let samples = &bench.run(2.0)[0];
        found = (harmonics(samples, frequency, 0.0, 1)[0].norm() / wanted, distortion(samples, frequency));
        amplitude /= found.0;
    }
    assert!((found.0 - 1.0).abs() < 1e-3, "{} m of stroke missed: {}", machine.rated, found.0);
    found.1
}

/// Figures of the rigs' description, computed elsewhere from the same equations; they hold within a tenth. Distortion is
/// the root of the sum of squares of the acceleration's harmonics 2 to 20 over its fundamental, under a voltage without
/// distortion of its own.
#[test]
fn distortion_is_that_of_the_rigs() {
    let [long, portable, middle] = RIGS;
    for (machine, frequency, expected) in [
        (portable.healthy(), 1.0, 0.043),
        (portable.healthy(), 5.0, 0.011),
        (middle.healthy(), 5.0, 0.028),
        (long.healthy(), 1.0, 0.015),
        (portable.worn(), 1.0, 0.13),
        (middle.worn(), 5.0, 0.086),
        (long.worn(), 1.0, 0.04),
    ] {
        let got = distortion_at_rated_stroke(&machine, frequency);
        assert!(
            (got / expected - 1.0).abs() < 0.1,
            "{} at {frequency} Hz: {got:.4}, not {expected}",
            machine.name
        );
    }
}
