//! Scatter over many noisy records against the bound and against what is stated.

use super::*;

/// The Cramér–Rao bound of a record with N = 1000, A = 1, σ = 0.05, 10.37 cycles, phase 0.7, offset
/// 0.2. Standard deviations from the exact Fisher matrix `σ²(JᵀJ)⁻¹` of that record (numpy 2.4.6, computed outside
/// this program); 4000 runs know a standard deviation to 1.1 %.
#[test]
fn reaches_the_fisher_bound() {
    const RUNS: usize = 4000;
    let frequency = 10.37;
    let truth = Signal { harmonics: vec![Complex::from_polar(1.0, 0.7)], offset: 0.2, slope: 0.0 };
    let mut rng = ChaCha8Rng::seed_from_u64(1057);
    let options =
        |frequency| DwellOptions { harmonics: 1, drift: false, frequency, ..DwellOptions::default() };
    let known = options(FrequencySearch::Nominal);
    let measured = options(FrequencySearch::Measure { within: Fraction::new(0.01) });
    let mut runs: [Vec<f64>; 6] = Default::default();
    for _ in 0..RUNS {
        let samples = truth.noisy(frequency, 1000, 0.05, &mut rng);
        for (options, columns) in [(&known, [0, 1, 2]), (&measured, [3, 4, 5])] {
            let found = dwell(&[&samples], RATE, 0, Hertz::new(frequency), options).unwrap();
            let third = if columns[2] == 2 {
                found.channels[0].offset.si()
            } else {
                TAU * found.frequency.si() / 1000.0
            };
            runs[columns[0]].push(found.channels[0].amplitude.norm());
            runs[columns[1]].push(found.channels[0].amplitude.arg());
            runs[columns[2]].push(third);
        }
    }
    let bounds = [
        ("amplitude, known frequency", 0.002_247_2),
        ("phase, known frequency", 0.002_226_9),
        ("offset, known frequency", 0.001_582_4),
        ("amplitude, measured frequency", 0.002_247_5),
        ("phase, measured frequency", 0.004_400_5),
        ("frequency in rad per sample", 7.64e-6),
    ];
    for (values, (name, bound)) in runs.iter().zip(bounds) {
        let deviation = standard_deviation(values);
        assert!((deviation / bound - 1.0).abs() < 0.05, "{name}: {deviation} against {bound}");
    }
}

fn standard_deviation(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// The stated type A uncertainty against the scatter of 600 repeats: for white noise, where it is the larger of two
/// estimates of the same thing and so a little high, and for a gain that wanders from segment to segment, which the
/// residual alone would understate (the formula for white noise: `2σ₁²/(N A₁²) + 2σ₂²/(N A₂²)`).
#[test]
fn type_a_states_the_scatter() {
    let (reference, sensor) = (Signal::tone(Complex::new(1.0, 0.3)), Signal::tone(Complex::new(0.0, 0.5)));
    let mut rng = ChaCha8Rng::seed_from_u64(43);
    for wander in [0.0, 0.002] {
        let (mut magnitudes, mut phases, mut stated, mut stated_phase) = (vec![], vec![], vec![], vec![]);
        for _ in 0..600 {
            let input = reference.noisy(10.0, 2000, 0.01, &mut rng);
            let mut output = sensor.noisy(10.0, 2000, 0.02, &mut rng);
            for part in output.chunks_mut(100) {
                let gain = 1.0 + noise(wander).sample(&mut rng) as f32;
                part.iter_mut().for_each(|v| *v *= gain);
            }
            let found =
                dwell(&[&input, &output], RATE, 0, Hertz::new(10.0), &DwellOptions::default()).unwrap();
            magnitudes.push(found.ratios[0].ratio.norm());
            phases.push(found.ratios[0].ratio.arg());
            stated.push(found.ratios[0].u_rel_a.si());
            stated_phase.push(found.ratios[0].u_phase_a.si());
            let scatters = found.ratios[0].magnitude_basis == TypeABasis::Scatter;
            assert!((found.ratios[0].dof - if scatters { 9.0 } else { 1988.0 }).abs() < 1e-12);
        }
        let truth = sensor.harmonics[0].norm() / reference.harmonics[0].norm();
        let excess = root_mean_square(&stated) / (standard_deviation(&magnitudes) / truth);
        assert!((0.97..1.25).contains(&excess), "magnitude, wander {wander}: {excess}");
        let excess = root_mean_square(&stated_phase) / standard_deviation(&phases);
        assert!((0.97..1.25).contains(&excess), "phase, wander {wander}: {excess}");
        if wander < 1e-9 {
            let white = (2.0 * 1e-4 / (2000.0 * 1.09) + 2.0 * 4e-4 / (2000.0 * 0.25_f64)).sqrt();
            assert!((standard_deviation(&magnitudes) / truth / white - 1.0).abs() < 0.1);
        }
    }
}

/// Two channels over 2.3 cycles, the frequency common to both: scatter of the ratio and what is stated for it against
/// the exact bound `σ² (JᵀJ)⁻¹` of the whole model, written out. 3000 runs know a variance to 2.6 %.
#[test]
fn the_ratio_reaches_the_bound_of_the_whole_model() {
    const COUNT: usize = 600;
    const SIGMA: f64 = 0.01;
    let frequency = 2.3 * RATE.si() / COUNT as f64;
    let truth = [Complex::from_polar(1.0, 0.7), Complex::from_polar(0.5, -0.9)];
    let jacobian = DMatrix::from_fn(2 * COUNT, 9, |row, column| {
        let (channel, n) = (row / COUNT, (row % COUNT) as f64);
        let (sin, cos) = (TAU * frequency * n / RATE.si()).sin_cos();
        let own = [1.0, n / COUNT as f64 - 0.5, cos, sin];
        match column {
            8 => (-truth[channel].re * sin - truth[channel].im * cos) * n / COUNT as f64,
            _ if column / 4 == channel => own[column % 4],
            _ => 0.0,
        }
    });
    let covariance = jacobian.tr_mul(&jacobian).try_inverse().unwrap() * (SIGMA * SIGMA);
    let bound = |part: fn(Complex<f64>) -> f64| {
        let weight = |x: Complex<f64>| [part(1.0 / x), part(Complex::new(0.0, -1.0) / x)];
        let ([a, b], [c, d]) = (weight(truth[0]), weight(truth[1]));
        let gradient = DVector::from_row_slice(&[0.0, 0.0, -a, -b, 0.0, 0.0, c, d, 0.0]);
        gradient.dot(&(&covariance * &gradient))
    };
    let bounds = [bound(|z| z.re), bound(|z| z.im)];
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let options = DwellOptions {
        harmonics: 1,
        segments: 1,
        frequency: FrequencySearch::Measure { within: Fraction::new(0.1) },
        ..DwellOptions::default()
    };
    let (mut off, mut stated) = ([vec![], vec![]], [0.0; 2]);
    for _ in 0..3000 {
        let [a, b] = truth.map(|x| Signal::tone(x).noisy(frequency, COUNT, SIGMA, &mut rng));
        let found = dwell(&[&a, &b], RATE, 0, Hertz::new(frequency * 1.0001), &options).unwrap();
        let ratio = &found.ratios[0];
        assert_eq!((ratio.magnitude_basis, found.segments.len()), (TypeABasis::Residual, 1));
        let relative = ratio.ratio * truth[0] / truth[1];
        off[0].push(relative.norm());
        off[1].push(relative.arg());
        let white = [ratio.u_rel_a.si(), ratio.u_phase_a.si()];
        stated.iter_mut().zip(white).for_each(|(sum, u)| *sum += u * u / 3000.0);
    }
    for (what, bound) in [0, 1].into_iter().zip(bounds) {
        let variance = standard_deviation(&off[what]).powi(2) / bound;
        assert!((0.9..1.1).contains(&variance), "{what}: {variance}");
        let excess = stated[what] / bound;
        assert!((0.97..1.03).contains(&excess), "{what}: {excess}");
    }
}
