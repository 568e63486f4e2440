//! Checks of the estimator as a whole: against an outside least-squares solver, the Fisher bound, and truth.
#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the tests chose")]

use super::*;
use nalgebra::{DMatrix, DVector};
use plan_schema::units::{Fraction, Hertz, SamplesPerSecond};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::f64::consts::TAU;

mod growing;
mod models;
mod outside;
mod statistics;

const RATE: SamplesPerSecond = SamplesPerSecond::new(1000.0);

fn noise(sigma: f64) -> Normal<f64> {
    Normal::new(0.0, sigma).unwrap()
}

/// A channel: harmonics as complex amplitudes, h = 1 …, with offset and slope per second.
#[derive(Debug, Clone)]
struct Signal {
    harmonics: Vec<Complex<f64>>,
    offset: f64,
    slope: f64,
}

impl Signal {
    fn tone(amplitude: Complex<f64>) -> Self {
        Self { harmonics: vec![amplitude], offset: 0.0, slope: 0.0 }
    }

    fn at(&self, frequency: f64, n: usize) -> f64 {
        let t = n as f64 / RATE.si();
        let tones = (1..)
            .zip(&self.harmonics)
            .map(|(h, x)| (x * Complex::from_polar(1.0, TAU * f64::from(h) * (frequency * t).fract())).re);
        self.offset + self.slope * t + tones.sum::<f64>()
    }

    fn samples(&self, frequency: f64, count: usize) -> Vec<f32> {
        (0..count).map(|n| self.at(frequency, n) as f32).collect()
    }

    fn noisy(&self, frequency: f64, count: usize, sigma: f64, rng: &mut ChaCha8Rng) -> Vec<f32> {
        let noise = noise(sigma);
        (0..count).map(|n| (self.at(frequency, n) + noise.sample(rng)) as f32).collect()
    }
}

fn close(a: Complex<f64>, b: Complex<f64>, relative: f64) -> bool {
    (a - b).norm() <= relative * b.norm()
}

/// Least squares by orthogonal reflections on the design matrix written out: another road to the same answer.
fn by_reflections(samples: &[f32], frequency: Hertz, harmonics: i32) -> Complex<f64> {
    let count = samples.len();
    let columns = 2 + 2 * harmonics as usize;
    let design = DMatrix::from_fn(count, columns, |n, column| match column {
        0 => 1.0,
        1 => (n as f64 - (count as f64 - 1.0) / 2.0) / count as f64,
        _ => {
            let angle = TAU * (column / 2) as f64 * frequency.si() * n as f64 / RATE.si();
            if column % 2 == 0 { angle.cos() } else { angle.sin() }
        }
    });
    let values = DVector::from_iterator(count, samples.iter().map(|v| f64::from(*v)));
    let (q, r) = design.qr().unpack();
    let found = r.solve_upper_triangular(&q.tr_mul(&values)).unwrap();
    Complex::new(found[2], -found[3])
}

#[test]
fn a_wrong_nominal_frequency_is_corrected() {
    let reference = Signal {
        harmonics: vec![Complex::from_polar(0.5, 2.0), Complex::new(0.02, 0.01), Complex::new(0.0, 0.03)],
        offset: 0.3,
        slope: 0.02,
    };
    for (frequency, seconds) in [(0.5, 20.0), (16.0, 5.0), (100.0, 30.0), (130.7, 60.0)] {
        let samples = reference.samples(frequency, (seconds * RATE.si()) as usize);
        for ppm in [-900.0, -100.0, 100.0, 900.0] {
            let nominal = Hertz::new(frequency * (1.0 + ppm * 1e-6));
            let found = dwell(&[&samples], RATE, 0, nominal, &DwellOptions::default()).unwrap();
            assert!((found.frequency.si() / frequency - 1.0).abs() < 1e-9, "{frequency} Hz, {ppm} ppm");
            assert!(close(found.channels[0].amplitude, reference.harmonics[0], 1e-7));
            assert!(matches!(found.frequency_basis, FrequencyBasis::Measured { .. }));
        }
    }
}

#[test]
fn the_same_samples_give_the_same_bits() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let signal = Signal::tone(Complex::new(1.0, 0.0));
    let (a, b) = (signal.noisy(12.3, 5000, 0.1, &mut rng), signal.noisy(12.3, 5000, 0.1, &mut rng));
    let run =
        || dwell(&[&a.clone(), &b.clone()], RATE, 1, Hertz::new(12.3), &DwellOptions::default()).unwrap();
    assert_eq!(run(), run());
    assert_eq!(format!("{:?}", run()), format!("{:?}", run()));
}

#[test]
fn what_the_record_does_not_hold_is_said() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    let tone = Signal::tone(Complex::new(1.0, 0.0));
    let good = tone.samples(10.0, 2000);
    let silent = Signal::tone(Complex::new(0.0, 0.0)).noisy(10.0, 2000, 0.1, &mut rng);
    let zeros = vec![0.0; 2000];
    let options = DwellOptions::default();
    let nominal = Hertz::new(10.0);
    let run = |channels: &[&[f32]], reference, nominal| dwell(channels, RATE, reference, nominal, &options);
    assert_eq!(run(&[], 0, nominal), Err(EstimateError::NoSuchReference { reference: 0, channels: 0 }));
    assert!(matches!(run(&[&good], 1, nominal), Err(EstimateError::NoSuchReference { .. })));
    assert!(matches!(
        run(&[&good, &good[1..]], 0, nominal),
        Err(EstimateError::UnequalChannels { channel: 1, .. })
    ));
    assert!(matches!(run(&[&good[..90]], 0, nominal), Err(EstimateError::TooFewCycles { .. })));
    let expected = Err(EstimateError::TooFewSamples { samples: 4, needed: 5 });
    assert_eq!(run(&[&good[..4]], 0, Hertz::new(400.0)), expected);
    assert!(matches!(run(&[&silent], 0, nominal), Err(EstimateError::ReferenceSilent { .. })));
    assert!(matches!(run(&[&zeros, &good], 0, nominal), Err(EstimateError::ReferenceSilent { .. })));
    assert!(matches!(run(&[&good], 0, Hertz::new(10.1)), Err(EstimateError::FrequencyOff { .. })));
    assert!(matches!(run(&[&good], 0, Hertz::new(500.0)), Err(EstimateError::FrequencyOutOfRange { .. })));
    for bad in [f32::NAN, f32::INFINITY] {
        let mut broken = good.clone();
        broken[1234] = bad;
        let expected = Err(EstimateError::NotFinite { channel: 1, sample: 1234 });
        assert_eq!(run(&[&good, &broken], 0, nominal), expected);
        assert_eq!(run(&[&broken], 0, nominal), Err(EstimateError::NotFinite { channel: 0, sample: 1234 }));
    }
    // A dead sensor is a bad measurement, not an error.
    let found = run(&[&good, &zeros], 0, nominal).unwrap();
    assert!(found.ratios[0].ratio.norm() < 1e-12);
    assert!(found.ratios[0].u_rel_a.si().is_infinite() && found.channels[1].thd.is_none());
}

/// 1.3 cycles in noise tell the frequency to some percent: the nominal one is better.
#[test]
fn a_frequency_that_is_known_better_stays() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let samples = Signal::tone(Complex::new(1.0, 0.0)).noisy(1.0, 1300, 0.05, &mut rng);
    let found = dwell(&[&samples, &samples], RATE, 0, Hertz::new(1.0), &DwellOptions::default()).unwrap();
    assert_eq!((found.frequency_basis, found.frequency), (FrequencyBasis::Unresolved, Hertz::new(1.0)));
    assert_eq!(found.segments.len(), 1);
    assert_eq!(found.ratios[0].magnitude_basis, TypeABasis::Residual);
    assert!((found.ratios[0].dof - (1300.0 - 12.0)).abs() < 1e-12);
}

fn amplitudes(count: usize) -> impl Strategy<Value = Vec<Complex<f64>>> {
    let one = (0.05..2.0_f64, -3.1..3.1_f64);
    prop::collection::vec(one, count).prop_map(|all| {
        let sizes = (0..).map(|h| if h == 0 { 1.0 } else { 0.1 });
        all.into_iter().zip(sizes).map(|((a, p), size)| Complex::from_polar(a * size, p)).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    /// Truth, up to what rounding to f32 leaves; and the same data solved by reflections, to 1e-9.
    #[test]
    fn random_records_are_recovered(
        frequency in 1.0..40.0_f64,
        cycles in 1.2..60.0_f64,
        reference in amplitudes(4),
        sensor in amplitudes(4),
        offset in -2.0..2.0_f64,
        slope in -0.05..0.05_f64,
    ) {
        let count = ((cycles / frequency * RATE.si()).ceil() as usize).clamp(48, 12_000);
        prop_assume!(count as f64 * frequency / RATE.si() >= 1.2);
        let input = Signal { harmonics: reference, offset: 0.1, slope: -slope };
        let output = Signal { harmonics: sensor, offset, slope };
        let (a, b) = (input.samples(frequency, count), output.samples(frequency, count));
        let options = DwellOptions { frequency: FrequencySearch::Nominal, ..DwellOptions::default() };
        let found = dwell(&[&a, &b], RATE, 0, Hertz::new(frequency), &options).unwrap();
        let truth = output.harmonics[0] / input.harmonics[0];
        prop_assert!(close(found.ratios[0].ratio, truth, 2e-5));
        prop_assert!((found.channels[1].drift - slope).abs() < 1e-3);
        for (h, harmonic) in found.channels[0].harmonics.iter().take(3).enumerate() {
            prop_assert!((harmonic - input.harmonics[h + 1]).norm() < 2e-6);
        }
        if count < 1500 {
            let outside = by_reflections(&b, found.frequency, 5) / by_reflections(&a, found.frequency, 5);
            prop_assert!((found.ratios[0].ratio.norm() / outside.norm() - 1.0).abs() < 1e-9);
            prop_assert!((found.ratios[0].ratio / outside).arg().abs() < 1e-9);
        }
    }

    /// A frequency within the limit is found on any number of cycles from two.
    #[test]
    fn random_frequencies_are_found(
        frequency in 1.0..40.0_f64,
        cycles in 2.0..60.0_f64,
        off in -9e-4..9e-4_f64,
        reference in amplitudes(3),
    ) {
        let count = ((cycles / frequency * RATE.si()).ceil() as usize).max(100);
        let input = Signal { harmonics: reference, offset: 0.1, slope: 0.01 };
        let samples = input.samples(frequency, count);
        let found = dwell(&[&samples], RATE, 0, Hertz::new(frequency * (1.0 + off)), &DwellOptions::default()).unwrap();
        prop_assert!((found.frequency.si() / frequency - 1.0).abs() < 2e-5);
        let measured = matches!(found.frequency_basis, FrequencyBasis::Measured { .. });
        prop_assert!(measured);
    }
}
