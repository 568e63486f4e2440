//! When the acquisition samples: clocks, skew between channels, start-up, gates, hum.

use crate::bench::{Bench, degrees, fit, wait};
use crate::facts::{Facts, RATE, no_faults};
use drivers::{AcquisitionRequest, ChannelRequest, Continuity, ErrorKind};
use plan_schema::units::{SampleIndex, SamplesPerSecond, Seconds, Volts};
use std::f64::consts::TAU;

/// Frequency in Hz of a sine, `RATE` taken for true: the four-parameter fit of IEEE Std 1057, from a near start.
fn frequency_of(samples: &[f64], start: f64) -> f64 {
    let (mut frequency, (mut a, mut b)) = (start, (0.0, 0.0));
    for round in 0..8 {
        let mut normal = nalgebra::Matrix4::zeros();
        let mut right = nalgebra::Vector4::zeros();
        for (n, sample) in samples.iter().enumerate() {
            let t = n as f64 / RATE;
            let (sin, cos) = (TAU * frequency * t).sin_cos();
            let slope = if round == 0 { 0.0 } else { TAU * t * (b * cos - a * sin) };
            let row = nalgebra::Vector4::new(cos, sin, 1.0, slope);
            normal += row * row.transpose();
            right += row * *sample;
        }
        if round == 0 {
            normal[(3, 3)] = 1.0;
        }
        let x = normal.try_inverse().unwrap() * right;
        (a, b) = (x[0], x[1]);
        frequency += x[3];
    }
    frequency
}

/// 30 ppm fast and 20 ppm slow make 50 ppm between them, found to 0.001 ppm from 20 s.
#[test]
fn clocks_differ_by_their_parts_per_million() {
    let facts = Facts {
        source: "clock_error = \"30 ppm\"",
        acquisition: "clock_error = \"-20 ppm\"",
        ..Facts::default()
    };
    let mut bench = Bench::new(&facts);
    bench.unmute();
    assert!((bench.tone(50.0, 1.0).frequency.si() - 50.0).abs() < 1e-12, "it reads back what it was set to");
    bench.run(2.0);
    let found = frequency_of(&bench.run(20.0)[0], 50.0) / 50.0;
    let expected = (1.0 + 30e-6) / (1.0 - 20e-6);
    assert!((found / expected - 1.0).abs() < 1e-9, "{:e}", found / expected - 1.0);
    // 22 s of its own are a little more than 22 s.
    let now = bench.rig.now().0 as f64 * 1e-9;
    assert!((now - 22.0 / (1.0 - 20e-6)).abs() < 1e-6, "{now}");
}

/// Skew makes a phase in proportion to frequency and leaves magnitude as it was, up to a tenth of the sample rate.
#[test]
fn skew_is_a_delay() {
    let facts = Facts { errors: ["2 deg", "0 %", "0 %", "0 K"], sensors: vec!["", ""], ..Facts::default() };
    for seed in 1..4 {
        let at = |frequency: f64, volts: f64| {
            let mut bench = Bench::with(&facts, seed, &no_faults(), 200);
            bench.unmute();
            bench.tone(frequency, volts);
            bench.run(4.0);
            let fits: Vec<(f64, f64)> = bench.run(0.5).iter().map(|c| fit(c, frequency, 0)).collect();
            (
                fits[1].0 / fits[0].0 / 2.0 - 1.0,
                degrees(fits[1].1 - fits[0].1) / frequency,
                degrees(fits[2].1 - fits[1].1) / frequency,
            )
        };
        let (_, first, second) = at(50.0, 2.0);
        assert!(first.abs() > 1e-4 && second.abs() > 1e-4 && (first - second).abs() > 1e-4);
        for frequency in [200.0, 1000.0] {
            let (ratio, one, other) = at(frequency, 4.0);
            assert!(ratio.abs() < 1e-6, "{frequency} Hz: {ratio:e}");
            let off = frequency * (one - first).abs().max((other - second).abs());
            assert!(off < 1e-4, "{frequency} Hz: {off:e} deg");
        }
    }
}

/// The delay of the anti-alias filters is the same for all: nothing is seen of it but that everything comes later.
#[test]
fn a_delay_delays_everything() {
    let delayed = Facts { acquisition: "delay = \"1.234 ms\"", ..Facts::default() };
    let channels = |facts: &Facts| {
        let mut bench = Bench::new(facts);
        bench.unmute();
        bench.tone(50.0, 1.0);
        bench.run(4.0);
        bench.run(0.4).iter().map(|c| fit(c, 50.0, 0)).collect::<Vec<_>>()
    };
    for (now, later) in channels(&Facts::default()).iter().zip(channels(&delayed)) {
        assert!((later.0 / now.0 - 1.0).abs() < 1e-6);
        let lag = degrees(now.1 - later.1) - 360.0 * 50.0 * 1.234e-3;
        assert!(lag.abs() < 1e-4, "{lag:e}");
    }
}

#[test]
fn it_starts_up_before_its_first_sample() {
    let facts = Facts { acquisition: "startup = \"123 ms\"", ..Facts::default() };
    let mut bench = Bench::new(&facts);
    assert_eq!(wait(bench.acquisition.next_block(Seconds::new(0.05))).unwrap(), None);
    let block = wait(bench.acquisition.next_block(Seconds::new(1.0))).unwrap().unwrap();
    assert_eq!((block.first_sample, block.gap_before.0), (SampleIndex(0), 0));
    assert_eq!(bench.rig.now().0, 143_000_000);
    let block = bench.block().unwrap();
    assert_eq!((block.first_sample, block.gap_before.0), (SampleIndex(200), 0));
}

/// Gates of 50 ms with pauses of 30 ms hold two blocks of 20 ms each; what does not fit and the pause are the gap.
#[test]
fn gates_leave_gaps_that_are_counted() {
    let facts = Facts { acquisition: "gate = \"50 ms\"\npause = \"30 ms\"", ..Facts::default() };
    let mut bench = Bench::new(&facts);
    assert_eq!(bench.acquisition.continuity(), Continuity::Gated);
    assert_eq!(Bench::new(&Facts::default()).acquisition.continuity(), Continuity::Continuous);
    bench.unmute();
    bench.tone(50.0, 1.0);
    let mut joined = vec![f64::NAN; 8000];
    for n in 0..20u64 {
        let block = wait(bench.acquisition.next_block(Seconds::new(0.1))).unwrap().unwrap();
        let expected = n / 2 * 800 + n % 2 * 200;
        let gap = if n > 0 && n % 2 == 0 { 400 } else { 0 };
        assert_eq!((block.first_sample.0, block.gap_before.0), (expected, gap), "block {n}");
        for (k, value) in block.channel(0).iter().enumerate() {
            joined[usize::try_from(expected).unwrap() + k] = f64::from(*value);
        }
    }
    // What is sampled is what a continuous acquisition samples at these instants.
    let mut continuous = Bench::new(&Facts::default());
    continuous.unmute();
    continuous.tone(50.0, 1.0);
    let whole = continuous.run(0.8).swap_remove(0);
    let seen: Vec<(&f64, &f64)> = joined.iter().zip(&whole).filter(|(j, _)| !j.is_nan()).collect();
    assert_eq!(seen.len(), 4000);
    assert!(seen.iter().all(|(j, w)| j.to_bits() == w.to_bits()));
    // A block has to fit its gate.
    wait(bench.acquisition.stop()).unwrap();
    let want = AcquisitionRequest {
        rate: SamplesPerSecond::new(RATE),
        frames: 501,
        channels: vec![ChannelRequest { input: 0, range: Volts::new(10.0) }],
    };
    let refused = wait(bench.acquisition.configure(&want)).unwrap_err();
    assert_eq!(refused.kind, ErrorKind::OutOfRange, "{refused}");
}

/// Lines at the mains frequency and its second, third and fifth harmonic, at rest; none elsewhere.
#[test]
fn hum_has_its_lines() {
    let facts = Facts {
        acquisition: "hum = \"3 mV pk\"\nhum_second = \"1 mV pk\"\nhum_third = \"0.6 mV pk\"\nhum_fifth = \"0.2 mV pk\"",
        ..Facts::default()
    };
    let channels = Bench::new(&facts).run(2.0);
    for (line, volts) in
        [(50.0, 3e-3), (100.0, 1e-3), (150.0, 0.6e-3), (200.0, 0.0), (250.0, 0.2e-3), (300.0, 0.0)]
    {
        for samples in &channels {
            let got = fit(samples, line, 0).0;
            assert!((got - volts).abs() < 1e-8, "{line} Hz: {got}");
        }
    }
    let phases: Vec<f64> = channels.iter().map(|c| fit(c, 50.0, 0).1).collect();
    assert!((phases[0] - phases[1]).abs() > 1e-3, "each channel's own: {phases:?}");
}
