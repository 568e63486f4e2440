//! What else shaker and amplifier do: warmth, guards, watchdog, tilt, gravity, stops.

use crate::fit::harmonics;
use crate::oracle::{Drive, G, integrate};
use crate::three_rigs::{Bench, Machine, RIGS, wait};
use std::f64::consts::TAU;

/// A portable rig whose coil warms up within seconds: copper, 2 J/K, 4 K/W.
fn warming() -> Machine {
    Machine { heat: (0.0039, 2.0, 4.0), ..RIGS[1] }
}

/// Under a steady current the coil settles where `ΔT = r I²/2 R (1 + α ΔT)`, and rises with the time constant `r C` less
/// what the rising resistance adds: closed form of a first-order lag.
#[test]
fn a_current_warms_the_coil() {
    let machine = Machine { current_mode: true, ..warming() };
    let (coefficient, capacity, per_watt) = machine.heat;
    let mut bench = Bench::new(&machine, 1000.0, 1000);
    bench.unmute();
    bench.tone(200.0, 2.0, 0.0);
    bench.run(6.0);
    let feedback = coefficient * per_watt * 2.0 * machine.resistance;
    let settles = per_watt * 2.0 * machine.resistance / (1.0 - feedback);
    let lag = per_watt * capacity / (1.0 - feedback);
    let rise = |bench: &Bench| bench.rig.truth().coil_temperature_max.si() - 23.0;
    let expected = settles * (1.0 - (-5.995f64 / lag).exp());
    assert!((rise(&bench) / expected - 1.0).abs() < 0.01, "{} {expected}", rise(&bench));
    bench.run(80.0);
    assert!((rise(&bench) / settles - 1.0).abs() < 1e-3, "{} {settles}", rise(&bench));
    assert!((bench.rig.truth().current_max.si() - 2.0).abs() < 5e-3);
}

/// A warm coil has more resistance: the acceleration under a voltage falls to what the transfer function says with it.
#[test]
fn a_warm_coil_takes_less_from_a_voltage() {
    let machine = warming();
    let (frequency, volts) = (200.0, 6.0);
    let mut bench = Bench::new(&machine, 200.0, 1000);
    bench.unmute();
    bench.tone(frequency, volts, 0.0);
    bench.run(100.0);
    let temperature = bench.rig.truth().coil_temperature_max.si();
    assert!(temperature > 40.0, "{temperature}");
    let hot =
        Machine { resistance: machine.resistance * (1.0 + machine.heat.0 * (temperature - 23.0)), ..machine };
    let got = harmonics(&bench.run(2.0)[0], frequency, 0.0, 1)[0].norm() / volts;
    let [cold, hot] = [machine, hot].map(|m| m.acceleration_per_drive(frequency).norm());
    assert!((got / hot - 1.0).abs() < 1e-4 && cold / hot > 1.05, "{got} {hot} {cold}");
}

/// The coil's guard mutes and reports a fault; until it has cooled down no unmute is obeyed.
#[test]
fn a_coil_that_is_too_warm_mutes() {
    let machine = Machine { current_mode: true, coil_limit: Some(35.0), ..warming() };
    let mut bench = Bench::new(&machine, 1000.0, 1000);
    bench.unmute();
    bench.tone(200.0, 2.5, 0.0);
    bench.run(0.1);
    let mut waited = 0;
    while !bench.rig.truth().muted && waited < 100 {
        bench.run(0.1);
        waited += 1;
    }
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.muted && status.fault, "{status:?} after {waited}");
    let highest = bench.rig.truth().coil_temperature_max.si();
    assert!((35.0..35.3).contains(&highest), "{highest}");
    bench.tone(200.0, 0.0, 0.0);
    bench.run(20.0);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.muted && !status.fault, "{status:?}");
    bench.unmute();
    bench.run(1.0);
    assert!(!wait(bench.amplifier.status()).unwrap().muted);
}

/// The watchdog mutes when nobody asks for its time, and not before; the next unmute is obeyed.
#[test]
fn a_watchdog_mutes_when_nobody_asks() {
    let machine = Machine { watchdog: Some(0.5), ..RIGS[1] };
    let mut bench = Bench::new(&machine, 100.0, 100);
    bench.unmute();
    for _ in 0..10 {
        bench.run(0.4);
        assert!(!wait(bench.amplifier.status()).unwrap().muted);
    }
    bench.run(0.48);
    assert!(!bench.rig.truth().muted);
    bench.run(0.04);
    assert!(bench.rig.truth().muted);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.muted && !status.fault, "{status:?}");
    bench.unmute();
    bench.run(0.1);
    assert!(!bench.rig.truth().muted);
}

/// Tilt along the stroke of 10 µrad/mm takes `g τ/w²`, 24.8 %, of the signal at 0.1 Hz.
#[test]
fn tilt_along_the_stroke_is_felt() {
    let machine = Machine { tilt_along: 0.01, ..RIGS[2] };
    let w: f64 = TAU * 0.1;
    let mut bench = Bench::new(&machine, 0.1, 1000);
    bench.unmute();
    bench.tone(0.1, 0.5, 10.0);
    bench.run(20.0);
    let felt = harmonics(&bench.run(20.0)[0], 0.1, 0.0, 1)[0].norm();
    let moved = bench.rig.truth().displacement_max.si() * w * w;
    assert!((felt / moved - (1.0 - G * 0.01 / (w * w))).abs() < 1e-5, "{felt} {moved}");
    assert!((1.0 - felt / moved - 0.248).abs() < 1e-3);
}

/// A tilted axis moves the centre by `m g sin θ / k`, and a sensor at rest feels `g sin θ`.
#[test]
fn a_tilted_axis_moves_the_centre() {
    let machine = Machine { tilt: 2e-3, ..RIGS[1] };
    let mut bench = Bench::new(&machine, 1.0, 100);
    let felt = bench.run(0.1)[0][999];
    let moved = bench.rig.truth().displacement_max.si();
    let pull = G * 2e-3f64.sin();
    assert!((felt / pull - 1.0).abs() < 1e-6, "{felt}");
    assert!((moved / (machine.mass * pull / machine.stiffness) - 1.0).abs() < 1e-9, "{moved}");
}

/// Upright the payload alone lets the suspension sag: 100 g on the portable rig by 5.2 mm; everything feels 1 g.
#[test]
fn an_upright_suspension_sags_under_its_payload() {
    let machine = Machine { vertical: true, mass: 0.2, sensor_mass: 0.1, ..RIGS[1] };
    let mut bench = Bench::new(&machine, 20.0, 100);
    let felt = &bench.run(0.1)[0];
    assert!(felt.iter().all(|a| (a / G - 1.0).abs() < 1e-6));
    let sag = bench.rig.truth().displacement_max.si();
    assert!((sag - 0.1 * G / machine.stiffness).abs() < 1e-9 && (sag - 5.2e-3).abs() < 5e-5, "{sag}");
}

/// An offset of a current moves the centre by `Bl I/k`.
#[test]
fn an_offset_of_the_current_moves_the_centre() {
    let machine = Machine { current_mode: true, offset: 0.01, damping_ratio: 0.5, ..RIGS[1] };
    let mut bench = Bench::new(&machine, 1.0, 1000);
    bench.unmute();
    bench.run(4.0);
    let expected = machine.force_factor * 0.01 / machine.stiffness;
    // From rest a step overshoots by exp(−π ζ/√(1−ζ²)).
    let overshoot = (-std::f64::consts::PI * 0.5 / 0.75f64.sqrt()).exp();
    let moved = bench.rig.truth().displacement_max.si();
    assert!((moved / expected / (1.0 + overshoot) - 1.0).abs() < 1e-4, "{moved} {expected}");
}

/// The speed of the first contact with a stop is that with which the free equations arrive there.
#[test]
fn contacts_tell_their_speed() {
    let machine = RIGS[1].worn();
    let drive = Drive {
        frequency: 5.0,
        amplitude: machine.drive_for(5.0, 1.6 * machine.rated * (TAU * 5.0f64).powi(2)),
        over: 0.3,
    };
    let mut arrives = None;
    let mut before = 0.0;
    integrate(&machine, None, drive, 5000, |_, at| {
        if at.displacement.abs() >= machine.stop && arrives.is_none() {
            arrives = Some((before, at.velocity.abs()));
        }
        before = at.velocity.abs();
    });
    let (earlier, later) = arrives.unwrap();
    let mut bench = Bench::new(&machine, 1000.0, 1000);
    bench.unmute();
    bench.tone(drive.frequency, drive.amplitude, drive.over);
    bench.run(3.0);
    let truth = bench.rig.truth();
    let first = truth.stop_hit_speeds[0].si();
    let (low, high) = (earlier.min(later), earlier.max(later));
    assert!(first > low * 0.999 && first < high * 1.001, "{first} of {low} to {high}");
    assert_eq!(truth.stop_hit_speeds.len(), truth.stop_hits as usize);
    let largest = truth.stop_hit_speeds.iter().fold(0.0f64, |m, v| m.max(v.si()));
    assert!((largest - truth.stop_hit_speed_max.si()).abs() <= 0.0);
    bench.run(40.0);
    let truth = bench.rig.truth();
    assert!(truth.stop_hits > 100 && truth.stop_hit_speeds.len() == 100, "{}", truth.stop_hits);
}
