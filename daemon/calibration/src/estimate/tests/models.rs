//! Every term of the model against a dense least-squares fit of the columns written out.

use super::*;
use plan_schema::units::Seconds;

/// Offset, slope per record, harmonics, lines, decay.
struct Dense {
    harmonics: Vec<Complex<f64>>,
    lines: Vec<Complex<f64>>,
    offset: f64,
    drift: f64,
    decay: f64,
}

/// By orthogonal reflections. (The singular values of this library leave some matrices 1e-8 off the least squares, as
/// the gradient shows.)
fn dense(samples: &[f32], frequency: f64, harmonics: usize, lines: &[f64], tau: Option<f64>) -> Dense {
    let count = samples.len();
    let tones: Vec<f64> =
        (1..=harmonics).map(|h| h as f64 * frequency).chain(lines.iter().copied()).collect();
    let columns = 2 + 2 * tones.len() + usize::from(tau.is_some());
    let design = DMatrix::from_fn(count, columns, |n, column| {
        let time = n as f64 / RATE.si();
        match column {
            0 => 1.0,
            1 => (n as f64 - (count as f64 - 1.0) / 2.0) / count as f64,
            _ => match tones.get(column / 2 - 1) {
                Some(tone) if column % 2 == 0 => (TAU * tone * time).cos(),
                Some(tone) => (TAU * tone * time).sin(),
                None => (-time / tau.unwrap()).exp(),
            },
        }
    });
    let values = DVector::from_iterator(count, samples.iter().map(|v| f64::from(*v)));
    let (q, r) = design.qr().unpack();
    let found = r.solve_upper_triangular(&q.tr_mul(&values)).unwrap();
    let pair = |at: usize| Complex::new(found[2 + 2 * at], -found[3 + 2 * at]);
    Dense {
        harmonics: (0..harmonics).map(pair).collect(),
        lines: (harmonics..tones.len()).map(pair).collect(),
        offset: found[0],
        drift: found[1] / (count as f64 / RATE.si()),
        decay: tau.map_or(0.0, |_| found[columns - 1]),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn every_term_is_that_of_the_dense_fit(
        frequency in 4.0..80.0_f64,
        count in 500..1400_usize,
        bias in -12.0..12.0_f64,
        tau in 0.02..0.2_f64,
        mains in 49.9..50.1_f64,
        seed in 0..1000_u64,
    ) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let signal = Signal {
            harmonics: vec![Complex::from_polar(1.0, 0.4), Complex::new(0.01, 0.03), Complex::new(0.0, 0.02)],
            offset: bias,
            slope: 0.1,
        };
        let noise = noise(0.01);
        let channels = [(); 2].map(|()| (0..count).map(|n| {
            let time = n as f64 / RATE.si();
            let hum = 0.2 * (TAU * mains * time + 1.0).cos() + 0.05 * (TAU * 3.0 * mains * time).sin();
            (signal.at(frequency, n) + hum + 0.3 * (-time / tau).exp() + noise.sample(&mut rng)) as f32
        }).collect::<Vec<f32>>());
        let options = DwellOptions {
            harmonics: 3,
            frequency: FrequencySearch::Nominal,
            mains: Some(Hertz::new(mains)),
            decays: vec![None, Some(Seconds::new(tau))],
            ..DwellOptions::default()
        };
        let found = dwell(&[&channels[0], &channels[1]], RATE, 0, Hertz::new(frequency), &options).unwrap();
        let expected_lines = plan_schema::mains::fitted(
            Hertz::new(frequency), 3, Hertz::new(mains), Seconds::new(count as f64 / RATE.si()));
        for (channel, (estimate, tau)) in found.channels.iter().zip([None, Some(tau)]).enumerate() {
            let lines: Vec<f64> = expected_lines.iter().map(|line| f64::from(*line) * mains).collect();
            let outside = dense(&channels[channel], frequency, 3, &lines, tau);
            let mut pairs = vec![(estimate.amplitude, outside.harmonics[0])];
            pairs.extend(estimate.harmonics.iter().copied().zip(outside.harmonics[1..].iter().copied()));
            pairs.extend(estimate.mains.iter().map(|(_, x)| *x).zip(outside.lines.iter().copied()));
            prop_assert_eq!(pairs.len(), 3 + lines.len());
            for (ours, theirs) in pairs {
                prop_assert!((ours - theirs).norm() < 1e-10, "{} {}", ours, theirs);
            }
            prop_assert!((estimate.offset.si() - outside.offset).abs() < 1e-10);
            prop_assert!((estimate.drift - outside.drift).abs() < 1e-9, "{} {}", estimate.drift, outside.drift);
            prop_assert_eq!(estimate.decay.is_some(), tau.is_some());
            prop_assert!((estimate.decay.unwrap_or_default() - outside.decay).abs() < 1e-10);
        }
    }
}

/// Hum of a tenth of the signal 3 Hz beside it moves the ratio unless it is fitted.
#[test]
fn mains_beside_the_signal_is_taken_out() {
    let tone = Signal::tone(Complex::new(1.0, 0.0));
    let input = tone.samples(47.0, 1100);
    let output: Vec<f32> = (0..1100)
        .map(|n| (tone.at(47.0, n) + 0.1 * (TAU * 50.0 * f64::from(n as u32) / 1000.0).sin()) as f32)
        .collect();
    let error = |mains| {
        let options = DwellOptions { mains, frequency: FrequencySearch::Nominal, ..DwellOptions::default() };
        let found = dwell(&[&input, &output], RATE, 0, Hertz::new(47.0), &options).unwrap();
        ((found.ratios[0].ratio - 1.0).norm(), found.channels[1].mains.clone())
    };
    assert!(error(None).0 > 1e-3);
    let (left, lines) = error(Some(Hertz::new(50.0)));
    assert!(left < 1e-7, "{left}");
    assert!((lines[0].0, (lines[0].1 - Complex::new(0.0, -0.1)).norm() < 1e-7) == (1, true), "{lines:?}");
}

/// A decay much slower than the record is a straight line to it, and is left to that.
#[test]
fn a_decay_too_slow_is_left_out() {
    let samples = Signal::tone(Complex::new(1.0, 0.0)).samples(16.0, 1000);
    let options = DwellOptions { decays: vec![Some(Seconds::new(500.0))], ..DwellOptions::default() };
    let found = dwell(&[&samples], RATE, 0, Hertz::new(16.0), &options).unwrap();
    assert_eq!(found.channels[0].decay, None);
}

#[test]
fn the_trend_of_the_motion_is_told() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let noise = noise(0.01);
    let (mut off, mut stated) = (vec![], vec![]);
    for _ in 0..300 {
        let samples: Vec<f32> = (0..2000)
            .map(|n| {
                let size = 1.0 + 0.02 * (f64::from(n) - 999.5) / 2000.0;
                (size * (TAU * 7.03 * f64::from(n) / 1000.0).cos() + noise.sample(&mut rng)) as f32
            })
            .collect();
        let trend =
            dwell(&[&samples], RATE, 0, Hertz::new(7.03), &DwellOptions::default()).unwrap().trend.unwrap();
        off.push((trend.change - 0.02) / trend.uncertainty);
        stated.push(trend.uncertainty);
    }
    let scatter = (off.iter().map(|v| v * v).sum::<f64>() / 300.0).sqrt();
    assert!((0.88..1.12).contains(&scatter), "{scatter}");
    // √(12 · 2/N) σ/A for white noise (the bound of a slope over ±½ weighted by half the samples).
    assert!((stated[0] / (24.0_f64 / 2000.0).sqrt() / 0.01 - 1.0).abs() < 0.1, "{}", stated[0]);
}
