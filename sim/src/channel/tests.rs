//! A channel by itself: cut and shorted lines, coupling, noise, hum, the converter.

use super::*;
use std::f64::consts::TAU;

const RATE: f64 = 10_000.0;
const STRETCH: usize = 500;

fn facts(noise: f64) -> Facts<'static> {
    Facts {
        name: "c",
        seed: 5,
        rate: RATE,
        gain_error: 0.0,
        delay: 0.0,
        ac_corner: None,
        chain_gain: 1.0,
        conditioner_gain: 1.0,
        response: None,
        own_response: None,
        noise,
        hum: Vec::new(),
        mains: Hum::new(50.0 / RATE, 0.0),
    }
}

fn iepe() -> Source {
    Source { line: Line { open: 24.0, short: 0.0, rest: 11.0 }, ..Source::default() }
}

/// Samples of `channel` over `stretches` with a constant voltage on the line.
fn samples(channel: &mut Channel, volts: f64, disturbed: &Disturbance, stretches: usize) -> Vec<f32> {
    let (signal, mut all) = ([volts; STRETCH], Vec::new());
    for n in 0..stretches {
        let mut out = [0.0; STRETCH];
        channel.feed(Some(&signal), STRETCH, disturbed);
        channel.sample((n * STRETCH) as u64, disturbed, 30.0, 24f64.exp2(), &mut out);
        all.extend(out);
    }
    all
}

/// DC-coupled, the bias shows what the cable does: 11 V, the compliance voltage, nothing.
#[test]
fn a_bias_shows_a_cut_and_a_short() {
    let mut channel = Channel::new(facts(0.0), Wire::Sensor(0), &iepe(), STRETCH);
    let open = Disturbance { open: true, ..Disturbance::default() };
    let short = Disturbance { shorted: true, ..Disturbance::default() };
    for (disturbed, expected) in
        [(Disturbance::default(), 11.0), (open, 24.0), (short, 0.0), (Disturbance::default(), 11.0)]
    {
        let seen = samples(&mut channel, 11.0, &disturbed, 1);
        assert!(seen.iter().all(|v| (v - expected).abs() < 1e-5), "{expected}: {}", seen[0]);
    }
}

/// AC-coupled, the bias is gone, a cut jumps by 13 V and dies away with the time constant of the coupling.
#[test]
fn coupling_hides_the_bias() {
    let coupled = Facts { ac_corner: Some(1.0), ..facts(0.0) };
    let mut channel = Channel::new(coupled, Wire::Sensor(0), &iepe(), STRETCH);
    assert!(samples(&mut channel, 11.0, &Disturbance::default(), 2).iter().all(|v| v.abs() < 1e-5));
    let open = Disturbance { open: true, ..Disturbance::default() };
    let jumped = samples(&mut channel, 11.0, &open, 4);
    for n in [10, 1000, 1900] {
        // Within half a sample: the jump goes linearly over one.
        let expected = 13.0 * (-(n as f64 + 0.5) / RATE * TAU).exp();
        assert!((f64::from(jumped[n]) / expected - 1.0).abs() < 1e-6, "{n}: {} {expected}", jumped[n]);
    }
}

/// A part of a least significant bit: noise far above it makes the rounding error even, LSB/√12 within 3 %.
#[test]
fn rounding_noise_is_an_lsb_over_root_twelve() {
    let bits = 10.0f64;
    let step = 2.0 * 10.0 / bits.exp2();
    let noisy: Vec<f64> = {
        let mut signal = vec![0.0; 200_000];
        Noise::new(3, "dither", 3.0 * step, 0.0, RATE).add_to(&mut signal);
        signal
    };
    let mut out = vec![0.0f32; noisy.len()];
    assert!(!convert(&noisy, 10.0, bits.exp2(), &mut out));
    let errors: Vec<f64> = out.iter().zip(&noisy).map(|(o, n)| f64::from(*o) - n).collect();
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
    assert!((rms / (step / 12f64.sqrt()) - 1.0).abs() < 0.03, "{}", rms / step);
    assert!(mean.abs() < 4.0 * rms / (errors.len() as f64).sqrt());
    assert!(errors.iter().all(|e| e.abs() <= step / 2.0 * (1.0 + 1e-6)));
}

/// Noise of sensor and channel in one: white power is the sum, and with the cable open the channel's own is left.
#[test]
fn noises_add_by_power() {
    let source = Source { noise: (3e-3, 0.0), ..Source::default() };
    let mut channel = Channel::new(facts(4e-3), Wire::Sensor(0), &source, STRETCH);
    let rms = |s: &[f32]| (s.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / s.len() as f64).sqrt();
    let error = 4.0 / 200_000f64.sqrt();
    let both = rms(&samples(&mut channel, 0.0, &Disturbance::default(), 200));
    assert!((both / 5e-3 - 1.0).abs() < error, "{both}");
    let open = Disturbance { open: true, ..Disturbance::default() };
    let own = rms(&samples(&mut channel, 0.0, &open, 200));
    assert!((own / 4e-3 - 1.0).abs() < error, "{own}");
}

#[test]
#[expect(clippy::float_cmp, reason = "codes are exact")]
fn the_converter_rounds_and_saturates() {
    let mut out = [0.0; 6];
    // 3 bits over ±4 V: steps of 1 V from −4 V to 3 V
    assert!(!convert(&[0.4, 0.6, -0.6, -3.4, 2.5, 3.5], 4.0, 8.0, &mut out));
    assert_eq!(out, [0.0, 1.0, -1.0, -3.0, 2.0, 3.0]);
    assert!(convert(&[0.0, 4.0], 4.0, 8.0, &mut out));
    assert!(convert(&[-4.0], 4.0, 8.0, &mut out));
    assert_eq!(out[..2], [-4.0, 3.0]);
}

/// At a bias of 11 V, what drifts and clips does so about 11 V.
#[test]
fn faults_of_a_sensor_leave_its_bias() {
    let disturbed = Disturbance { clip: Some(0.1), drift: (0.5, 0.0), ..Disturbance::default() };
    for (volts, expected) in [(11.0, 11.0), (11.04, 11.06), (10.96, 10.94), (12.0, 11.1), (0.0, 10.9)] {
        let mut channel = Channel::new(facts(0.0), Wire::Sensor(0), &iepe(), STRETCH);
        let seen = samples(&mut channel, volts, &disturbed, 1);
        assert!(seen.iter().all(|v| (f64::from(*v) - expected).abs() < 1e-5), "{volts}: {}", seen[0]);
    }
    // A sensitivity may vanish, but does not turn round.
    let gone = Disturbance { drift: (-3.0, 0.0), ..Disturbance::default() };
    let mut channel = Channel::new(facts(0.0), Wire::Sensor(0), &iepe(), STRETCH);
    assert!(samples(&mut channel, 12.0, &gone, 1).iter().all(|v| (v - 11.0).abs() < 1e-5));
}
