//! Bent rigs at the limits of their amplifier, against an independent integration with the limits in it.

use crate::oracle::Drive;
use crate::three_rigs::{AMPLIFIER_LATENCY, Bench, Machine, RATE, RIGS, wait};
use std::f64::consts::TAU;

/// Amplifier and shaker integrated by Euler's method in steps of 0.05 µs; horizontal, without tilt. At its current limit
/// the amplifier gives the voltage that keeps the current there, if it has it.
fn integrate(m: &Machine, drive: &Drive, samples: usize) -> Vec<f64> {
    let parts = 2000u32;
    let h = 1.0 / RATE / f64::from(parts);
    let damping = m.damping();
    let (mut current, mut x, mut v, mut aim) = (0.0f64, m.centre_error, 0.0f64, 0.0f64);
    let mut out = Vec::new();
    for n in 0..samples {
        let bend = |x: f64| {
            let y = x - m.centre_error;
            (
                m.force_factor * (1.0 - m.droop * (x / m.rated).powi(2)),
                m.stiffness * y * (1.0 + m.hardening * (y / m.rated).powi(2)),
            )
        };
        let (bl, spring) = bend(x);
        out.push((bl * current - damping * v - spring) / m.mass);
        let live = n as f64 / RATE > AMPLIFIER_LATENCY - 1e-9;
        for part in 0..parts {
            let e = drive.at((n as f64 + (f64::from(part) + 0.5) / f64::from(parts)) / RATE);
            aim += h * TAU * m.bandwidth * (e - aim);
            let (bl, spring) = bend(x);
            let rest = m.resistance * current + bl * v;
            let reach = |wanted: f64| (rest + m.inductance * (wanted - current) / h).clamp(-m.volts, m.volts);
            let u = if !live {
                0.0
            } else if m.current_mode {
                reach(aim.clamp(-m.amperes, m.amperes))
            } else {
                let u = aim.clamp(-m.volts, m.volts);
                let next = current + h * (u - rest) / m.inductance;
                if next.abs() > m.amperes { reach(m.amperes.copysign(next)) } else { u }
            };
            let force = bl * current - damping * v - spring;
            current += h * (u - rest) / m.inductance;
            v += h * force / m.mass;
            x += h * v;
        }
    }
    out
}

/// What a worn portable rig does with its amplifier limited to this; 4e-4 of the peak, as for a linear one.
fn compare(current_mode: bool, frequency: f64, amplitude: f64, volts: f64, amperes: f64) {
    let machine = Machine {
        current_mode,
        volts,
        amperes,
        hardening: 0.3,
        droop: 0.06,
        // A rating far below what it does here, so that suspension and magnet bend a lot.
        rated: 2e-3,
        centre_error: 0.3e-3,
        ..RIGS[1]
    };
    let drive = Drive { frequency, amplitude, over: 0.02 };
    let mut bench = Bench::new(&machine, 400.0, 100);
    bench.unmute();
    bench.tone(frequency, amplitude, drive.over);
    let got = &bench.run(0.3)[0];
    let expected = integrate(&machine, &drive, got.len());
    let largest = expected.iter().fold(0.0f64, |m, a| m.max(a.abs()));
    let worst = got.iter().zip(&expected).fold(0.0f64, |m, (g, e)| m.max((g - e).abs()));
    assert!(worst < 4e-4 * largest, "{frequency} Hz: off by {worst:e} of {largest:e} m/s²");
    let truth = bench.rig.truth();
    assert!(truth.stop_hits == 0 && truth.displacement_max.si() > 1.5e-3, "{truth:?}");
    assert!(truth.current_max.si() < amperes * (1.0 + 1e-6), "{truth:?}");
    assert_eq!(wait(bench.amplifier.status()).unwrap().clipping, Some(true));
}

#[test]
fn a_bent_rig_with_its_voltage_clipped() {
    compare(false, 20.0, 6.0, 4.0, 20.0);
}

#[test]
fn a_bent_rig_with_its_current_limited() {
    compare(false, 20.0, 6.0, 24.0, 1.2);
}

#[test]
fn a_bent_rig_with_an_imposed_current_limited() {
    compare(true, 25.0, 0.8, 24.0, 0.5);
}

#[test]
fn a_bent_rig_whose_imposed_current_lacks_voltage() {
    compare(true, 25.0, 1.0, 2.0, 5.0);
}
