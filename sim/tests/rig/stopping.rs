//! How the armature comes to rest: coil shorted, coil opened, stops.

use crate::bench::{Bench, fit, wait};
use crate::facts::{Facts, RATE, shaker};
use drivers::{ErrorKind, StopReason};
use plan_schema::units::Seconds;
use std::f64::consts::TAU;

/// Roots of the characteristic equation of the shorted coil, by Newton from `start`:
/// `(L s + R)(m s² + c s + k) + Bl² s = 0`.
fn shorted_pole(start: f64) -> f64 {
    let s = shaker();
    let (l, r, m, c, k, b) = (s.inductance, s.resistance, s.mass, s.damping, s.stiffness, s.force_factor);
    let mut pole = start;
    for _ in 0..50 {
        let value = (l * pole + r) * (m * pole * pole + c * pole + k) + b * b * pole;
        let slope = l * (m * pole * pole + c * pole + k) + (l * pole + r) * (2.0 * m * pole + c) + b * b;
        pole -= value / slope;
    }
    pole
}

/// Muted into a short, velocity dies with the braking pole, near −(Bl²/R + c)/m, and the centre returns with the slow one.
#[test]
fn a_shorted_coil_brakes_with_its_pole() {
    let s = shaker();
    let rough = -(s.force_factor.powi(2) / s.resistance + s.damping) / s.mass;
    let (fast, slow) = (shorted_pole(rough), shorted_pole(0.0));
    let mut bench = Bench::new(&Facts::default());
    bench.unmute();
    bench.tone(16.0, 1.5);
    bench.run(3.0);
    bench.mute();
    let tail = &bench.run(0.3)[0];
    // Three samples that are equally far apart determine two exponentials' weights: check what they predict.
    let at = |n: usize| tail[n];
    let (first, step) = (100, 60);
    let power = |pole: f64, n: usize| (pole * n as f64 / RATE).exp();
    let (p, q) = (power(fast, step), power(slow, step));
    let fast_weight = (at(first + step) - q * at(first)) / (p - q);
    let slow_weight = at(first) - fast_weight;
    assert!(fast_weight.abs() > 1e-3, "{fast_weight}");
    for later in [10, 40, 120, 300, 900] {
        let expected = fast_weight * power(fast, later) + slow_weight * power(slow, later);
        assert!((at(first + later) - expected).abs() < 2e-7, "{later}: {} {expected}", at(first + later));
    }
    // Bl²/R alone would make it m R / Bl², 11.1 ms.
    let constant = -1.0 / fast;
    assert!((0.009..0.015).contains(&constant), "{constant}");
}

/// Muted into an open coil, the armature coasts: from the middle of a stroke of `x` at `f` it reaches
/// `x f/f0 exp(−ζ/√(1−ζ²) arccos ζ)` (free decay of a damped oscillator that starts with its largest velocity).
#[test]
fn an_opened_coil_lets_the_armature_coast() {
    let s = shaker();
    let natural = (s.stiffness / s.mass).sqrt();
    let ratio = s.damping / (2.0 * s.mass * natural);
    let damped = (1.0 - ratio * ratio).sqrt();
    let frequency = 8.0;
    let mut farthest = (0.0f64, 0.0f64);
    for late in 0..32 {
        let facts = Facts { mute: "opens", stop: "100 mm pk", ..Facts::default() };
        let mut bench = Bench::with(&facts, 1, &crate::facts::no_faults(), 20);
        bench.unmute();
        bench.tone(frequency, 1.0);
        let channels = bench.run(3.0);
        let (a, _) = fit(&channels[0][20_000..], frequency, 0);
        let stroke = a / 0.010 / (TAU * frequency).powi(2);
        bench.run(f64::from(late) / 32.0 / frequency);
        bench.mute();
        bench.run(0.5);
        let truth = bench.rig.truth();
        assert!(truth.muted && truth.stop_hits == 0);
        if truth.displacement_max.si() > farthest.0 {
            farthest = (truth.displacement_max.si(), stroke);
        }
    }
    let (reached, stroke) = farthest;
    let expected = stroke * TAU * frequency / natural * (-ratio / damped * ratio.acos()).exp();
    // 32 phases: the worst is missed by at most 1 − cos(π/32), 0.5 %.
    assert!((reached / expected - 1.0).abs() < 6e-3, "{reached} {expected} from {stroke}");
}

/// Off by the source: the amplifier at 0 V brakes, and the output is truly at 0 V.
#[test]
fn making_safe_stops_the_armature_and_proves_it() {
    let mut bench = Bench::new(&Facts::default());
    bench.unmute();
    bench.tone(16.0, 1.5);
    bench.run(1.0);
    for _ in 0..2 {
        let drive = wait(bench.generator.safe.make_safe(StopReason::Trip)).unwrap();
        let mute = wait(bench.power.safe.make_safe(StopReason::Trip)).unwrap();
        assert!(drive.is_safe() && drive.drive.is_some() && drive.muted.is_none(), "{drive:?}");
        assert!(mute.is_safe() && mute.muted == Some(true) && mute.drive.is_none(), "{mute:?}");
    }
    assert!(bench.generator.safe_within.si() <= 0.025 + 1e-9 && bench.power.safe_within.si() <= 0.002 + 1e-9);
    bench.run(bench.generator.safe_within.si());
    let truth = bench.rig.truth();
    assert!(truth.muted && truth.final_drive.si() <= 0.0, "{truth:?}");
    bench.run(2.0);
    assert!(bench.run(0.1)[0].iter().all(|v| v.abs() < 1e-6));
}

/// Driven beyond its stroke the armature hits both stops in each cycle, each contact counted once, and stays within.
#[test]
fn stops_hold_and_are_counted() {
    let facts = Facts { current_limit: "20 A pk", ..Facts::default() };
    let mut bench = Bench::new(&facts);
    bench.unmute();
    bench.tone(2.0, 3.0);
    bench.run(1.0);
    let before = bench.rig.truth().stop_hits;
    bench.run(2.0);
    let truth = bench.rig.truth();
    assert_eq!(truth.stop_hits - before, 8, "two contacts in each of four cycles");
    assert!((truth.displacement_max.si() - 6.5e-3).abs() < 1e-12, "{:?}", truth.displacement_max);
}

/// What the armature does after the last block counts: run out, the opened coil lets it coast farther than it was.
#[test]
fn the_truth_counts_how_it_came_to_rest() {
    let facts = Facts { mute: "opens", stop: "100 mm pk", ..Facts::default() };
    let mut bench = Bench::with(&facts, 1, &crate::facts::no_faults(), 20);
    bench.unmute();
    // Slowly, so that the start does not swing farther than the steady motion.
    bench.tone_over(8.0, 1.0, 1.0);
    bench.run(2.05);
    bench.mute();
    let (driven, now) = (bench.rig.truth(), bench.rig.now());
    assert!(!driven.muted, "the mute is under way");
    bench.rig.run_out(Seconds::new(1.0));
    let rested = bench.rig.truth();
    assert!(
        rested.muted && rested.displacement_max.si() > 1.2 * driven.displacement_max.si(),
        "{:?} after {:?}",
        rested.displacement_max,
        driven.displacement_max
    );
    assert!((bench.rig.now().since(now).si() - 1.0).abs() < 1e-9);
    let after = wait(bench.acquisition.next_block(Seconds::new(1.0)));
    assert_eq!(after.map_err(|e| e.kind), Err(ErrorKind::Protocol));
}
