//! Sensors and source as electronics: polarity, base strain, lines, densities, a stream's hold.

use crate::bench::{Bench, degrees, fit, wait};
use crate::facts::{Facts, RATE, SOURCE_LATENCY, faults, no_faults};
use plan_schema::units::Seconds;
use std::f64::consts::{PI, TAU};

/// Amplitude and phase on each channel at `frequency`, long after the drive of `volts` began.
fn steady(facts: &Facts, frequency: f64, volts: f64) -> (Vec<(f64, f64)>, Bench) {
    let mut bench = Bench::new(facts);
    bench.unmute();
    bench.tone(frequency, volts);
    bench.run(4.0);
    let channels = bench.run((4.0 / frequency).max(0.4));
    let fits = channels.iter().map(|c| fit(c, frequency, 0)).collect();
    (fits, bench)
}

#[test]
fn a_reversed_sensor_is_truly_reversed() {
    let facts =
        Facts { sensors: vec!["polarity = \"reversed\"\nzero_output = \"0.5 V\""], ..Facts::default() };
    let (fits, bench) = steady(&facts, 50.0, 1.0);
    let truth = bench.rig.truth().sensors[0].points[2];
    assert!((truth.phase.si() - PI).abs() < 1e-12 && (truth.sensitivity.si() - 0.020).abs() < 1e-12);
    assert!((degrees(fits[1].1 - fits[0].1).abs() - 180.0).abs() < 1e-4);
}

/// 1 % at 10 Hz, falling with the square of frequency: 4 % at 5 Hz, 0.04 % at 50 Hz; and no part of the truth.
#[test]
fn base_strain_falls_with_the_square_of_frequency() {
    let facts = Facts { sensors: vec!["base_strain = \"1 %\"", ""], ..Facts::default() };
    for (frequency, share) in [(5.0, 0.04), (50.0, 0.0004)] {
        let (fits, bench) = steady(&facts, frequency, 0.05);
        let ratio = fits[1].0 / fits[2].0 - 1.0;
        assert!((ratio / share - 1.0).abs() < 1e-2, "{frequency} Hz: {ratio}");
        assert!(degrees(fits[1].1 - fits[2].1).abs() < 1e-3);
        let truth = bench.rig.truth();
        assert!(truth.sensors[0].points == truth.sensors[1].points);
    }
}

/// A differential sensor on a channel that takes one line: half the signal, about the common mode.
#[test]
fn one_line_shows_half() {
    let sensors = vec!["output = \"differential\"\ncommon_mode = \"2.5 V\""];
    let whole = Facts { sensors: sensors.clone(), ..Facts::default() };
    let half = Facts { sensors, channel: "connection = \"single_ended\"", ..Facts::default() };
    let (whole, _) = steady(&whole, 50.0, 1.0);
    let (fits, mut bench) = steady(&half, 50.0, 1.0);
    assert!((fits[1].0 / whole[1].0 - 0.5).abs() < 1e-6 && (fits[0].0 / whole[0].0 - 1.0).abs() < 1e-6);
    let samples = &bench.run(0.4)[1];
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    assert!((mean - 2.5).abs() < 1e-5, "{mean}");
}

/// DC-coupled, the line of built-in electronics rests on its bias, and on the compliance voltage when the cable is cut.
#[test]
fn a_cut_cable_shows_the_compliance_voltage() {
    let facts = Facts {
        sensors: vec!["lower_corner = \"0.1 Hz\"\nbias = \"5 V\"\ncompliance = \"9 V\""],
        kind: "iepe",
        ..Facts::default()
    };
    let script = faults("[[fault]]\nkind = \"sensor_open\"\nchannel = \"ch1\"\nat = \"1 s\"\n");
    let mut bench = Bench::with(&facts, 1, &script, 200);
    let before = bench.run(1.0);
    let after = bench.run(0.1);
    assert!(before[1].iter().all(|v| (v - 5.0).abs() < 1e-6));
    assert!(after[1].iter().all(|v| (v - 9.0).abs() < 1e-6));
    assert!(after[0].iter().all(|v| v.abs() <= 0.0));
}

/// Supply off by what is drawn within 5 %: a ratiometric sensor is off with it, a regulated one is not, truth says nominal.
#[test]
fn an_off_supply_is_an_error_of_ratiometric_sensors() {
    let facts = Facts {
        sensors: vec!["supply = \"5 V\"\nsupply_dependence = \"ratiometric\"", "supply = \"5 V\""],
        more_spread: "supply = \"5 %\"",
        ..Facts::default()
    };
    let (fits, bench) = steady(&facts, 50.0, 1.0);
    let off = fits[1].0 / fits[0].0 / 2.0 - 1.0;
    assert!(off.abs() > 1e-4 && off.abs() <= 0.05, "{off}");
    assert!((fits[2].0 / fits[0].0 / 2.0 - 1.0).abs() < 1e-6);
    assert!((bench.rig.truth().sensors[0].points[2].sensitivity.si() - 0.020).abs() < 1e-12);
}

/// Density at a frequency by the power of sines fitted to pieces of a second (a periodogram at whole hertz).
fn density(samples: &[f64], frequency: f64) -> f64 {
    let pieces: Vec<f64> =
        samples.chunks_exact(10_000).map(|piece| fit(piece, frequency, 0).0.powi(2) / 2.0).collect();
    pieces.iter().sum::<f64>() / pieces.len() as f64
}

/// 300 µg/√Hz × 20 mV/(m/s²) with a corner of 20 Hz, through the whole chain: white level within 3 %, the level at 5 Hz
/// to 15 Hz within 10 %. A periodogram over 400 s is known to 5 % at each frequency; here are 100 and 11 of them.
#[test]
fn densities_are_as_stated() {
    let facts =
        Facts { sensors: vec!["noise_corner = \"20 Hz\""], density: "300 ug/sqrtHz", ..Facts::default() };
    let samples = Bench::new(&facts).run(400.0).swap_remove(1);
    let white = (300e-6f64 * 9.80665 * 0.020).powi(2);
    let level = (0..100).map(|n| density(&samples, f64::from(1500 + 31 * n))).sum::<f64>() / 100.0;
    let expected = white * (0..100).map(|n| 1.0 + 20.0 / f64::from(1500 + 31 * n)).sum::<f64>() / 100.0;
    assert!((level / expected - 1.0).abs() < 0.03, "{}", level / expected);
    let rise: f64 =
        (5..16).map(|f| (density(&samples, f64::from(f)) / white - 1.0) * f64::from(f) / 20.0).sum::<f64>()
            / 11.0;
    assert!((rise - 1.0).abs() < 0.1, "{rise}");
}

/// A hold of 0.5 ms: 500 Hz comes out by sin(π/4)/(π/4) smaller and 45° late, and drive and truth know nothing of it.
#[test]
fn a_stream_is_held() {
    let plain = Facts::default();
    let held = Facts { source: "streams = true\nupdate_rate = \"2 kS/s\"", ..Facts::default() };
    for frequency in [50.0, 500.0] {
        let ((direct, _), (stream, bench)) = (steady(&plain, frequency, 1.0), steady(&held, frequency, 1.0));
        let half = PI * frequency / 2000.0;
        let ratio = stream[0].0 / direct[0].0 / (half.sin() / half) - 1.0;
        let lag = degrees(direct[0].1 - stream[0].1) - half.to_degrees();
        assert!(ratio.abs() < 1e-6 && lag.abs() < 1e-4, "{frequency} Hz: {ratio:e} {lag:e}");
        assert!((bench.rig.truth().final_drive.si() - 1.0).abs() < 1e-12);
    }
}

/// A stream that stops holds its last value: acceleration dies, the centre stays off, and "off" changes nothing.
#[test]
fn a_stream_that_stops_holds_its_last_value() {
    let facts = Facts { source: "streams = true", ..Facts::default() };
    // A quarter of a period after a whole number of them, counted from when the tone began.
    let at = (1.0 + 1.0 / 200.0) + SOURCE_LATENCY as f64 / RATE;
    let text = format!("[[fault]]\nkind = \"source_holds_last\"\nat = \"{at} s\"\nlasts = \"2 s\"\n");
    let mut bench = Bench::with(&facts, 1, &faults(&text), 50);
    bench.unmute();
    bench.tone(50.0, 0.2);
    bench.run(1.2);
    let held = bench.rig.truth().final_drive.si();
    // The lag of the hold, 5 µs, is 0.09° at 50 Hz.
    assert!((held / 0.2 - 1.0).abs() < 1e-3, "{held}");
    wait(bench.source.output_off(Seconds::ZERO)).unwrap();
    let still = bench.run(1.5);
    let tail = &still[0][still[0].len() - 1000..];
    assert!(tail.iter().all(|v| v.abs() < 1e-4), "{}", tail[0]);
    assert!((bench.rig.truth().final_drive.si() - held).abs() < 1e-15);
    bench.run(1.0);
    assert!((bench.rig.truth().final_drive.si() - 0.2).abs() < 1e-12, "it goes on where it would be");
}

/// The displacement transducer: `x = −a/w²` through 100 V/m on a channel of the rig.
#[test]
fn displacement_can_be_sampled() {
    let facts = Facts {
        tables: "[[channel]]\nname = \"x\"\ninput = 9\nrange = \"1 V pk\"\n[displacement]\nchannel = \"x\"\nsensitivity = \"100 V/m\"",
        ..Facts::default()
    };
    let mut bench = Bench::with(&facts, 1, &no_faults(), 200);
    bench.unmute();
    bench.tone(8.0, 0.3);
    bench.run(4.0);
    let channels = bench.run(0.5);
    let ((a, phase), (x, turned)) = (fit(&channels[0], 8.0, 0), fit(&channels[2], 8.0, 0));
    let expected = a / 0.010 / (TAU * 8.0).powi(2) * 100.0;
    assert!((x / expected - 1.0).abs() < 1e-5, "{x} {expected}");
    assert!((degrees(turned - phase).abs() - 180.0).abs() < 1e-3);
}

/// Gain of the conditioner and of the channel, response and filter at 50 Hz by hand; a plate that moves 1 % more, and a sensor
/// on its head there. Truth knows nothing of it.
#[test]
fn a_chain_shows_what_its_file_says() {
    let channel = "conditioner_gain = \"2 V/V\"\ngain = [{ range = \"10 V pk\", gain = \"1.01 V/V\", u = \"0 %\" }]\n\
                   filter_corner = \"500 Hz\"\nresponse = [{ frequency = \"0.1 Hz\", magnitude = \"100 %\" }, { frequency = \"50 \
                   Hz\", magnitude = \"98 %\", phase = \"-3 deg\" }, { frequency = \"1 kHz\", magnitude = \"90 %\" }]";
    let sensors = || vec!["", ""];
    let plate = "[[fixture]]\nname = \"plate\"\nmass = \"1 g\"\npoint = [{ position = \"A\", frequency = \"0.1 Hz\", ratio = \"101 \
                 %\", u = \"0 %\" }, { position = \"A\", frequency = \"1 kHz\", ratio = \"101 %\", u = \"0 %\" }]";
    let written = Facts {
        sensors: sensors(),
        channel,
        tables: plate,
        mounted: vec!["", "fixture = \"plate\"\nposition = \"A\"\narrow = \"against_motion\""],
        ..Facts::default()
    };
    let (plain, before) = steady(&Facts { sensors: sensors(), ..Facts::default() }, 50.0, 1.0);
    let (fits, bench) = steady(&written, 50.0, 1.0);
    // The plate weighs on the motion, so sensors are compared with the first.
    let ratio = |n: usize, by: usize| (fits[n].0 / plain[n].0) / (fits[by].0 / plain[by].0);
    assert!((ratio(2, 1) - 1.01).abs() < 1e-6, "{}", ratio(2, 1));
    assert!((degrees(fits[2].1 - fits[1].1).abs() - 180.0).abs() < 1e-4);
    let moved = bench.rig.truth().displacement_max / before.rig.truth().displacement_max;
    let chain = 2.0 * 1.01 * 0.98 / 1.01f64.sqrt();
    // The armature's largest displacement has its start in it: good to a part in a thousand.
    assert!(
        (fits[1].0 / plain[1].0 / moved / chain - 1.0).abs() < 2e-3,
        "{} {moved}",
        fits[1].0 / plain[1].0
    );
    assert!(bench.rig.truth().sensors == before.rig.truth().sensors);
}

/// An uncertainty of 2 % (k = 2) of the gain of a channel lets it be off, by another share for each seed and channel.
#[test]
fn a_stated_gain_is_off_by_what_is_drawn() {
    let facts = Facts {
        sensors: vec!["", ""],
        channel: "gain = [{ range = \"10 V pk\", gain = \"1 V/V\", u = \"2 %\" }]",
        ..Facts::default()
    };
    let off = |seed: u64| {
        let mut bench = Bench::with(&facts, seed, &no_faults(), 200);
        bench.unmute();
        bench.tone(50.0, 1.0);
        bench.run(4.0);
        let channels = bench.run(0.4);
        fit(&channels[1], 50.0, 0).0 / fit(&channels[2], 50.0, 0).0 - 1.0
    };
    let drawn = [off(1), off(2), off(3)];
    assert!(drawn.iter().all(|d| d.abs() > 1e-6 && d.abs() < 0.01 * 2f64.sqrt() * 4.0), "{drawn:?}");
    assert!((drawn[0] - drawn[1]).abs() > 1e-6 && (drawn[1] - drawn[2]).abs() > 1e-6, "{drawn:?}");
}
