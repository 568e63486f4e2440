//! A record that comes in pieces, is looked at on the way, and is fitted again from the samples that were kept.

use super::*;
use plan_schema::units::SampleCount;

fn record(frequency: f64, count: usize, seed: u64) -> [Vec<f32>; 2] {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let input = Signal {
        harmonics: vec![Complex::new(1.0, 0.2), Complex::new(0.02, 0.0)],
        offset: 12.0,
        slope: 0.01,
    };
    let output =
        Signal { harmonics: vec![Complex::new(0.1, 0.4), Complex::new(0.0, 0.03)], offset: -2.0, slope: 0.0 };
    [input.noisy(frequency, count, 0.002, &mut rng), output.noisy(frequency, count, 0.005, &mut rng)]
}

fn first(channels: &[Vec<f32>; 2], count: usize) -> [&[f32]; 2] {
    [&channels[0][..count], &channels[1][..count]]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_bits_do_not_depend_on_how_the_samples_come(
        frequency in 3.0..200.0_f64,
        base in 300..900_usize,
        pieces in prop::collection::vec(1..1500_usize, 1..12),
        off in -5e-4..5e-4_f64,
    ) {
        let channels = record(frequency, base * 8, 3);
        let options = DwellOptions {
            base: Some(SampleCount(base as u64)),
            mains: Some(Hertz::new(50.02)),
            nominal: Some(Hertz::new(frequency)),
            ..DwellOptions::default()
        };
        let start = Hertz::new(frequency * (1.0 + off));
        let fresh = |longest: usize| DwellFit::new(2, RATE, 0, start, SampleCount(longest as u64), &options).unwrap();
        let mut live = fresh(base * 8);
        let mut pieces = pieces.iter().cycle();
        let mut pushed = 0;
        for length in [1, 2, 4, 8].map(|times| times * base) {
            while pushed < length {
                let until = length.min(pushed + pieces.next().unwrap());
                live.push(&[&channels[0][pushed..until], &channels[1][pushed..until]]).unwrap();
                pushed = until;
            }
            let kept = first(&channels, length);
            let seen = live.look(&kept);
            prop_assert_eq!(&seen, &live.look(&kept));
            let mut again = fresh(length);
            again.push(&kept).unwrap();
            prop_assert_eq!(format!("{:?}", seen), format!("{:?}", again.look(&kept)));
        }
    }
}

/// A good start takes one pass; what a wrong one takes is done again, to the same answer.
#[test]
fn passes_are_taken_as_needed() {
    let count = 200_000;
    let channels = record(16.0, count, 4);
    let fit = |start: f64| {
        let options = DwellOptions { nominal: Some(Hertz::new(16.0)), ..DwellOptions::default() };
        dwell(&first(&channels, count), RATE, 0, Hertz::new(start), &options).unwrap()
    };
    let exact = fit(16.0);
    assert_eq!(exact.passes, 1);
    // Summed at the frequency itself nothing is neglected.
    let best = fit(exact.frequency.si());
    for (start, passes) in
        [(16.0, 1), (16.0 * (1.0 + 1e-8), 1), (16.0 * (1.0 + 1e-4), 2), (16.0 * (1.0 - 9e-4), 3)]
    {
        let found = fit(start);
        assert!(found.passes <= passes, "{start}: {} passes", found.passes);
        assert!((found.frequency.si() / best.frequency.si() - 1.0).abs() < 1e-13, "{start}");
        let off = found.ratios[0].ratio / best.ratios[0].ratio - 1.0;
        assert!(off.norm() < 1e-11, "{start}: {off}");
        for (a, b) in found.channels.iter().zip(&best.channels) {
            let off = a.amplitude / b.amplitude - 1.0;
            // The phase at the first sample takes over what the last step leaves to the frequency.
            assert!(off.re.abs() < 1e-11 && off.im.abs() < 1e-9, "{start}: {off}");
            assert!((a.residual_rms.si() / b.residual_rms.si() - 1.0).abs() < 1e-7);
        }
        // Segments are cut by the start.
        let same = found.segments == best.segments;
        assert!(!same || (found.ratios[0].u_rel_a.si() / best.ratios[0].u_rel_a.si() - 1.0).abs() < 1e-6);
    }
}

#[test]
fn what_does_not_fit_together_is_refused() {
    let channels = record(16.0, 1000, 5);
    let options = DwellOptions::default();
    let mut fit = DwellFit::new(2, RATE, 0, Hertz::new(16.0), SampleCount(1000), &options).unwrap();
    assert!(matches!(fit.push(&[&channels[0]]), Err(EstimateError::OtherChannels { .. })));
    assert!(matches!(
        fit.push(&[&channels[0], &channels[1][1..]]),
        Err(EstimateError::UnequalChannels { channel: 1, .. })
    ));
    fit.push(&first(&channels, 1000)).unwrap();
    assert!(matches!(fit.look(&first(&channels, 999)), Err(EstimateError::UnequalChannels { .. })));
    assert!(fit.look(&first(&channels, 1000)).is_ok());
    let decays = vec![None, Some(plan_schema::units::Seconds::new(0.0))];
    let wrong = DwellOptions { decays, ..options };
    let refused = DwellFit::new(2, RATE, 0, Hertz::new(16.0), SampleCount(1000), &wrong);
    assert!(matches!(refused.err(), Some(EstimateError::DecayOutOfRange { channel: 1, .. })));
}

/// Parts with unknown gaps between them: the ratio is that of the whole, and the parts' phases do not matter.
#[test]
fn parts_are_joined_without_their_phases() {
    let channels = record(16.003, 12_000, 6);
    let cuts = [0..3000, 3017..5000, 6500..12_000];
    let parts: Vec<Vec<&[f32]>> =
        cuts.iter().map(|cut| channels.iter().map(|c| &c[cut.clone()]).collect()).collect();
    let found = gated(&parts, RATE, 0, Hertz::new(16.0), &DwellOptions::default()).unwrap();
    assert!((found.frequency.si() - 16.003).abs() < 1e-4, "{}", found.frequency.si());
    let truth = Complex::new(0.1, 0.4) / Complex::new(1.0, 0.2);
    let ratio = &found.ratios[0];
    let off = ratio.ratio / truth - 1.0;
    assert!(
        off.re.abs() < 4.0 * ratio.u_rel_a.si() && off.im.abs() < 4.0 * ratio.u_phase_a.si(),
        "{ratio:?}"
    );
    assert!((1.5e-4..5e-4).contains(&ratio.u_rel_a.si()), "{ratio:?}");
    let scatters = ratio.magnitude_basis == TypeABasis::Scatter;
    assert!(if scatters { (ratio.dof - 2.0).abs() < 1e-12 } else { ratio.dof > 10_000.0 });
    assert!(found.segments == vec![0..3000, 3000..4983, 4983..10_483]);
    assert!(found.channels[0].amplitude.im.abs() < 1e-12);
    assert!(close(found.channels[1].amplitude, truth * Complex::new(1.0, 0.2).norm(), 2e-3));
    let (a, b) = (
        found.channels[1].harmonics[0],
        Complex::new(0.0, 0.03) * Complex::from_polar(1.0, -2.0 * 0.2_f64.atan()),
    );
    assert!((a - b).norm() < 1e-3, "{a} {b}");
    assert!(gated(&[], RATE, 0, Hertz::new(16.0), &DwellOptions::default()).is_err());
    let short = vec![channels.iter().map(|c| &c[..30]).collect::<Vec<_>>()];
    assert!(matches!(
        gated(&short, RATE, 0, Hertz::new(16.0), &DwellOptions::default()),
        Err(EstimateError::TooFewCycles { .. })
    ));
}
