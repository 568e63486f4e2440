//! Check standards, a second reference and supplies are there as they are on a real rig; and what the truth says of motion
//! point by point.

use crate::bench::{Bench, degrees, fit};
use crate::facts::{Facts, RATE, no_faults};
use plan_schema::faults::PointPhase;
use plan_schema::units::Hertz;
use std::f64::consts::TAU;

/// A second reference of twice the sensitivity, U = 1 %; the first one's is as good as exact.
const SECOND: &str = r#"
[[reference]]
serial = "R2"
make = "Invented Instruments"
model = "I-R"
calibrated_as = "chain"
range = "500 m/s2 pk"
noise_density = "0 ug/sqrtHz"
transverse_sensitivity = "0 %"
temperature_coefficient = "0 %/K"
drift_per_year = "0 %"
[[reference.calibration]]
certificate = "C-2"
laboratory = "Invented Laboratory"
date = 2026-01-15
due = 2027-01-15
[[reference.calibration.point]]
frequency = "0.1 Hz"
sensitivity = "20 mV/(m/s2)"
u = "1 %"
[[reference.calibration.point]]
frequency = "4 kHz"
sensitivity = "20 mV/(m/s2)"
u = "1 %"
"#;

/// The middle one of these is what the sensor truly shows; its low-pass takes 0.1 % at 50 Hz.
const STANDARD: &str = r#"
supply = "5 V"
natural_frequency = "700 Hz"
damping_ratio = "65 %"
expected = [
    { frequency = "0.5 Hz", sensitivity = "21.5 mV/(m/s2)", limit = "1 %" },
    { frequency = "50 Hz", sensitivity = "21.5 mV/(m/s2)", limit = "1 %" },
    { frequency = "500 Hz", sensitivity = "19 mV/(m/s2)", limit = "1 %" },
]
"#;

/// Sensor S1 under test with its supply on ch4, S2 as a check standard, a second reference on ch3.
fn witnessed() -> Facts {
    Facts {
        sensors: vec!["supply = \"5 V\"\nsupply_dependence = \"ratiometric\"", STANDARD],
        mounted: vec!["supply_channel = \"ch4\"", "role = \"check standard\""],
        more_channels: 2,
        tables: "[second_reference]\nserial = \"R2\"\nchannel = \"ch3\"\n",
        references: SECOND,
        spread: "3 %",
        more_spread: "supply = \"5 %\"",
        ..Facts::default()
    }
}

/// What each channel shows of a steady 50 Hz, over the reference.
fn ratios(facts: &Facts, seed: u64) -> Vec<f64> {
    let mut bench = Bench::with(facts, seed, &no_faults(), 200);
    bench.unmute();
    bench.tone(50.0, 1.0);
    bench.run(1.6);
    let channels = bench.run(0.1);
    channels.iter().map(|c| fit(c, 50.0, 0).0 / fit(&channels[0], 50.0, 0).0).collect()
}

#[test]
fn a_check_standard_shows_what_is_expected_of_it() {
    for seed in 0..5 {
        let ratio = ratios(&witnessed(), seed)[2];
        assert!((ratio * 10.0 / 21.5 - 1.0).abs() < 1e-5, "seed {seed}: {ratio}");
    }
    let truth = Bench::new(&witnessed()).rig.truth();
    let serials: Vec<&str> = truth.sensors.iter().map(|s| s.serial.as_str()).collect();
    assert_eq!(serials, ["S1"], "the truth is about sensors under test");
}

/// U = 1 %, k = 2: a deviation of 0.5 % over seeds, which n draws know to √(1/2n).
#[test]
fn a_second_reference_is_off_by_a_draw_of_its_own() {
    let seeds = 100_u32;
    let square = |seed: u32| (ratios(&witnessed(), u64::from(seed))[3] / 2.0 - 1.0).powi(2);
    let deviation = ((0..seeds).map(square).sum::<f64>() / f64::from(seeds)).sqrt();
    assert!((deviation / 0.005 - 1.0).abs() < 4.0 / f64::from(2 * seeds).sqrt(), "{deviation}");
}

/// The supply is off by as much as the output of the sensor that depends on it, and has the noise of its channel.
#[test]
fn a_supply_is_read() {
    let mut off = Vec::new();
    for seed in 0..5 {
        let facts = Facts { spread: "0 %", noise: "100 uV rms", bits: 24, ..witnessed() };
        let sensor = ratios(&Facts { noise: "0 V rms", bits: 32, ..facts.clone() }, seed)[1] / 2.0 - 1.0;
        let mut bench = Bench::with(&facts, seed, &no_faults(), 200);
        let volts = bench.run(2.0).swap_remove(4);
        let count = volts.len() as f64;
        let mean = volts.iter().sum::<f64>() / count;
        let rms = (volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt();
        assert!((mean / 5.0 - 1.0 - sensor).abs() < 2e-6, "seed {seed}: {mean} V, sensor off by {sensor}");
        assert!((rms / 100e-6 - 1.0).abs() < 4.0 / (2.0 * count).sqrt(), "{rms}");
        assert!(sensor.abs() <= 0.05);
        off.push(sensor);
    }
    assert!(off.iter().any(|o| o.abs() > 0.005), "{off:?}");
}

/// What is mounted beside it changes nothing at a sensor, to the bit.
#[test]
fn witnesses_leave_the_sensor_as_it_was() {
    let record = |facts: &Facts| {
        let mut bench = Bench::with(facts, 9, &no_faults(), 200);
        bench.unmute();
        bench.tone(50.0, 1.0);
        let mut channels = bench.run(0.5);
        channels.truncate(2);
        channels
    };
    let noisy = Facts { noise: "50 uV rms", density: "100 ug/sqrtHz", bits: 24, ..witnessed() };
    let alone = Facts {
        sensors: vec![noisy.sensors[0]],
        mounted: Vec::new(),
        more_channels: 0,
        tables: "",
        references: "",
        ..noisy.clone()
    };
    assert_eq!(record(&noisy), record(&alone));
}

/// The amplifier's gain acts alike at all frequencies, the moving mass above the resonance, the stiffness below it; with an
/// imposed current `A = w² Bl I / |k − m w²|`.
#[test]
fn the_machine_is_off_by_what_is_drawn_for_each_quantity() {
    let amplitude = |facts: &Facts, seed: u64, frequency: f64| {
        let mut bench = Bench::with(facts, seed, &no_faults(), 200);
        bench.unmute();
        bench.tone(frequency, 0.05);
        bench.run(20.0);
        fit(&bench.run(4.0)[0], frequency, 0).0
    };
    let exact = Facts { mode: "current", ..Facts::default() };
    let (below, above) = (0.5, 100.0);
    for seed in 0..3 {
        let off = |more_spread: &'static str, frequency: f64| {
            let facts = Facts { more_spread, ..exact.clone() };
            amplitude(&facts, seed, frequency) / amplitude(&exact, seed, frequency) - 1.0
        };
        let within = |value: f64, most: f64| value.abs() > most * 1e-3 && value.abs() <= most * 1.001;
        let gain = "amplifier_gain = \"3 %\"";
        assert!(within(off(gain, below), 0.03), "{}", off(gain, below));
        assert!((off(gain, below) - off(gain, above)).abs() < 1e-5);
        let force = "force_factor = \"2 %\"";
        assert!(within(off(force, below), 0.02) && (off(force, below) - off(force, above)).abs() < 1e-5);
        let mass = "moving_mass = \"1 %\"";
        assert!(within(off(mass, above), 0.0103) && off(mass, below).abs() < 3e-4, "{}", off(mass, below));
        let stiffness = "stiffness = \"5 %\"";
        assert!(within(off(stiffness, below), 0.055) && off(stiffness, above).abs() < 1e-4);
    }
}

/// The largest displacement of each point, from its beginning to that of the next: a sine's amplitude is that of its
/// acceleration over w².
#[test]
fn displacement_is_told_point_by_point() {
    let mut bench = Bench::new(&Facts::default());
    let begin = |bench: &Bench, point: usize| {
        bench.rig.progress(point, PointPhase::Settle, Hertz::new(5.0));
        bench.rig.progress(point, PointPhase::Dwell, Hertz::new(5.0));
    };
    bench.unmute();
    let mut amplitudes = Vec::new();
    for (point, volts) in [(2, 0.05), (1, 0.2), (4, 0.1)] {
        begin(&bench, point);
        bench.tone_over(5.0, volts, 3.0);
        bench.run(4.0);
        amplitudes.push(fit(&bench.run(1.0)[0], 5.0, 0).0 / 0.010 / (TAU * 5.0).powi(2));
    }
    let so_far = |bench: &Bench| -> Vec<f64> {
        bench.rig.truth().displacement_by_point.iter().map(|d| d.si()).collect()
    };
    let close = |got: f64, wanted: f64| assert!((got / wanted - 1.0).abs() < 2e-3, "{got} m, not {wanted} m");
    let first = so_far(&bench);
    close(first[1], amplitudes[0]);
    close(first[0], amplitudes[1]);
    assert_eq!(first[2].to_bits(), 0.0_f64.to_bits(), "a point that was never begun");
    // The way down from the point before counts.
    close(first[3], amplitudes[1]);
    let most = first.iter().copied().fold(0.0, f64::max);
    assert_eq!(most.to_bits(), bench.rig.truth().displacement_max.si().to_bits());
    // Back at point 2 with more than before, then at point 1 with less.
    begin(&bench, 2);
    bench.run(1.0);
    begin(&bench, 1);
    bench.tone_over(5.0, 0.0, 1.0);
    bench.run(2.0);
    let then = so_far(&bench);
    close(then[1], amplitudes[2]);
    assert_eq!((then[0].to_bits(), then[3].to_bits()), (first[0].to_bits(), first[3].to_bits()));
}

/// Wherever it is begun, a tone from rest has the same phase after its command.
#[test]
fn a_tone_from_rest_has_a_known_phase() {
    let mut bench = Bench::new(&Facts::default());
    assert!(bench.source.limits().starts_at_zero);
    bench.unmute();
    let mut phases = Vec::new();
    for pause in [0.5, 0.52, 0.58] {
        bench.run(pause);
        bench.tone(33.0, 1.0);
        bench.run(2.0);
        // 2 s are 66 turns.
        phases.push(fit(&bench.run(1.0)[0], 33.0, 0).1);
        bench.tone(33.0, 0.0);
        bench.run(2.0);
    }
    assert!(phases.iter().all(|p| degrees(p - phases[0]).abs() < 0.02), "{phases:?} at {RATE} S/s");
}
