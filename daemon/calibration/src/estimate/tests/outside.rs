//! The same data solved by an outside library.

use super::*;

/// The record of the outside check: a formula and a linear congruential noise that any language repeats.
fn outside_record(
    a: f64,
    phase: f64,
    straight: [f64; 2],
    h2: f64,
    h3: f64,
    level: f64,
    seed: u64,
) -> Vec<f32> {
    let mut state = seed;
    (0..3217)
        .map(|n| {
            state = (1_664_525 * state + 1_013_904_223) % (1 << 32);
            let noise = state as f64 / 4_294_967_296.0 - 0.5;
            let n = f64::from(n);
            let w = TAU * 7.13 * n / 1000.0;
            let tones = a * (w + phase).cos() + h2 * (2.0 * w + 0.3).cos() + h3 * (3.0 * w).sin();
            (tones + straight[0] + straight[1] * n / 1000.0 + level * noise) as f32
        })
        .collect()
}

/// Reference values: `scipy.linalg.lstsq` (scipy 1.17.1, numpy 2.4.6) on the full f64 design matrix of the same f32
/// data; frequency by `scipy.optimize.curve_fit` (Levenberg–Marquardt) with all 13 parameters free.
#[test]
fn agrees_with_scipy() {
    let reference = outside_record(0.8, 0.4, [0.05, 0.01], 0.03, 0.05, 0.02, 1);
    let sensor = outside_record(0.3, -0.9, [2.5, -0.02], 0.01, 0.02, 0.01, 2);
    let channels: [&[f32]; 2] = [&reference, &sensor];
    let nominal = Hertz::new(7.13);
    let known = DwellOptions { frequency: FrequencySearch::Nominal, ..DwellOptions::default() };
    let found = dwell(&channels, RATE, 0, nominal, &known).unwrap().channels;
    let expected = [
        (
            Complex::new(0.736_617_394_219_552_3, 0.311_621_172_242_718),
            0.066_053_043_911_956_53,
            0.009_810_464_712_610_985,
        ),
        (
            Complex::new(0.186_468_903_530_336_35, -0.235_011_415_660_018_2),
            2.467_866_032_633_192_5,
            -0.020_121_484_917_030_83,
        ),
    ];
    let left = [
        (0.005_750_093_597_124_319, 0.072_639_966_319_871_31),
        (0.002_935_389_974_972_808_3, 0.074_226_615_725_275_95),
    ];
    for ((channel, (amplitude, offset, drift)), (rms, thd)) in found.iter().zip(expected).zip(left) {
        assert!(close(channel.amplitude, amplitude, 1e-11), "{channel:?}");
        assert!((channel.offset.si() - offset).abs() < 1e-12);
        assert!((channel.drift - drift).abs() < 1e-11);
        assert!((channel.residual_rms.si() / rms - 1.0).abs() < 1e-10);
        assert!((channel.thd.unwrap() / thd - 1.0).abs() < 1e-10);
    }
    let ratio = found[1].amplitude / found[0].amplitude;
    assert!((ratio.norm() / 0.375_086_247_984_775_74 - 1.0).abs() < 1e-11);
    assert!((ratio.arg() + 1.300_276_703_814_401_6).abs() < 1e-11);
    // From a nominal frequency 300 ppm off.
    let dwell = dwell(&channels, RATE, 0, Hertz::new(7.13 * 1.0003), &DwellOptions::default()).unwrap();
    assert!((dwell.frequency.si() / 7.130_063_995_387_276 - 1.0).abs() < 1e-10, "{}", dwell.frequency.si());
    let FrequencyBasis::Measured { uncertainty } = dwell.frequency_basis else { panic!() };
    assert!((uncertainty.si() / 3.000_715_045_407_366_4e-5 - 1.0).abs() < 1e-3);
}
