//! The amplifier at its limits, against an independent integration of the same equations.

use crate::bench::{Bench, wait};
use crate::facts::{Facts, RATE, shaker};
use std::f64::consts::{PI, TAU};

/// What is driven, and where it is limited.
struct Case {
    current_mode: bool,
    frequency: f64,
    amplitude: f64,
    volts: f64,
    amperes: f64,
}

/// Amplifier and shaker integrated by Euler's method in steps of 0.05 µs. At its current limit the amplifier gives the
/// voltage that keeps the current there, if it has it.
fn integrate(case: &Case, samples: usize) -> Vec<f64> {
    let s = shaker();
    let parts = 2000u32;
    let h = 1.0 / RATE / f64::from(parts);
    let gain = if case.current_mode { 0.5 } else { s.gain };
    let (mut current, mut position, mut velocity, mut aim) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
    let mut out = Vec::new();
    for n in 0..samples {
        out.push((s.force_factor * current - s.damping * velocity - s.stiffness * position) / s.mass);
        for part in 0..parts {
            // The source follows after 5 ms and ramps up over 20 ms.
            let t = (n as f64 + (f64::from(part) + 0.5) / f64::from(parts)) / RATE - 0.005;
            let share = 0.5 - 0.5 * (PI * (t / 0.02).clamp(0.0, 1.0)).cos();
            let e = case.amplitude * share * (TAU * case.frequency * t).sin();
            aim += h * s.corner * (gain * e - aim);
            let rest = s.resistance * current + s.force_factor * velocity;
            let reach =
                |wanted: f64| (rest + s.inductance * (wanted - current) / h).clamp(-case.volts, case.volts);
            let u = if case.current_mode {
                reach(aim.clamp(-case.amperes, case.amperes))
            } else {
                let u = aim.clamp(-case.volts, case.volts);
                let next = current + h * (u - rest) / s.inductance;
                if next.abs() > case.amperes { reach(case.amperes.copysign(next)) } else { u }
            };
            let force = s.force_factor * current - s.damping * velocity - s.stiffness * position;
            current += h * (u - rest) / s.inductance;
            velocity += h * force / s.mass;
            position += h * velocity;
        }
    }
    out
}

/// Runs a case on the simulated rig; within `share` of the largest acceleration it must be what integration says.
fn compare(case: &Case, share: f64) {
    let [volts, amperes] = [format!("{} V pk", case.volts), format!("{} A pk", case.amperes)];
    let facts = Facts {
        mode: if case.current_mode { "current" } else { "voltage" },
        voltage_limit: Box::leak(volts.into_boxed_str()),
        current_limit: Box::leak(amperes.into_boxed_str()),
        ..Facts::default()
    };
    let mut bench = Bench::new(&facts);
    bench.unmute();
    bench.tone(case.frequency, case.amplitude);
    let got = &bench.run(0.3)[0];
    let expected = integrate(case, got.len());
    let largest = expected.iter().fold(0.0f64, |m, a| m.max(a.abs()));
    let worst = got.iter().zip(&expected).fold(0.0f64, |m, (g, e)| m.max((g / 0.010 - e).abs()));
    assert!(worst < share * largest, "off by {worst} of {largest} m/s² at {} Hz", case.frequency);
    assert!(largest > 1.0 && bench.rig.truth().stop_hits == 0);
    assert_eq!(wait(bench.amplifier.status()).unwrap().clipping, Some(true));
    assert_eq!(wait(bench.amplifier.status()).unwrap().clipping, Some(false), "asking clears it");
}

#[test]
fn a_voltage_amplifier_clips_its_voltage() {
    for frequency in [30.0, 200.0] {
        compare(&Case { current_mode: false, frequency, amplitude: 3.0, volts: 5.0, amperes: 20.0 }, 4e-4);
    }
}

#[test]
fn a_voltage_amplifier_limits_its_current() {
    for frequency in [30.0, 200.0] {
        compare(&Case { current_mode: false, frequency, amplitude: 2.0, volts: 24.0, amperes: 1.0 }, 4e-4);
    }
}

#[test]
fn a_current_amplifier_limits_its_current() {
    for frequency in [30.0, 200.0] {
        compare(&Case { current_mode: true, frequency, amplitude: 2.0, volts: 24.0, amperes: 0.4 }, 4e-4);
    }
}

#[test]
fn a_current_amplifier_clips_its_voltage() {
    for frequency in [50.0, 200.0] {
        compare(&Case { current_mode: true, frequency, amplitude: 2.0, volts: 1.6, amperes: 3.5 }, 4e-4);
    }
}

/// A DC offset of the source moves the centre by `gain Bl / (R k)` per volt: 63 mm/V here, with the coil driven.
#[test]
fn an_offset_moves_the_centre() {
    let facts = Facts { offset: "10 mV", ..Facts::default() };
    let mut bench = Bench::new(&facts);
    bench.unmute();
    bench.run(3.0);
    let s = shaker();
    let expected = 0.010 * s.gain * s.force_factor / (s.resistance * s.stiffness);
    let got = bench.rig.truth().displacement_max.si();
    assert!((got / expected - 1.0).abs() < 1e-6, "{got} {expected}");
}
