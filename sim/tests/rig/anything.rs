//! Whatever is commanded: the armature stays within its stops, samples stay finite, and making safe works.

use crate::bench::{Bench, wait};
use crate::facts::{Facts, no_faults};
use drivers::StopReason;
use plan_schema::units::Seconds;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

#[derive(Debug, Clone)]
enum Act {
    Tone(f64, f64),
    Off,
    Mute,
    Unmute,
    Run(u32),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        // Frequencies over four decades.
        4 => (-1.0f64..3.5, 0.0f64..5.0).prop_map(|(decade, volts)| Act::Tone(10f64.powf(decade), volts)),
        1 => Just(Act::Off),
        1 => Just(Act::Mute),
        3 => Just(Act::Unmute),
        6 => (1u32..20).prop_map(Act::Run),
    ]
}

fn facts() -> impl Strategy<Value = Facts> {
    let filter = "natural_frequency = \"2 kHz\"\ndamping_ratio = \"5 %\"\nlower_corner = \"0.5 Hz\"";
    (prop::sample::select(vec!["voltage", "current"]), prop::sample::select(vec!["shorts", "opens"]))
        .prop_map(move |(mode, mute)| Facts {
            mode,
            mute,
            sensors: vec!["", filter],
            spread: "10 %",
            ..Facts::default()
        })
}

/// The same cases in every run.
fn config() -> ProptestConfig {
    ProptestConfig {
        cases: 48,
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config())]
    #[test]
    fn the_rig_stays_a_rig(facts in facts(), seed in 0u64..1000, acts in prop::collection::vec(act(), 1..30)) {
        let mut bench = Bench::with(&facts, seed, &no_faults(), 137);
        for act in acts {
            match act {
                Act::Tone(frequency, amplitude) => {
                    let applied = bench.tone(frequency, amplitude);
                    prop_assert!(applied.amplitude.si() <= amplitude && applied.amplitude.si() > amplitude - 1.1e-5);
                    prop_assert!((applied.frequency.si() - frequency).abs() < 1e-6);
                }
                Act::Off => {
                    wait(bench.source.output_off(Seconds::ZERO)).unwrap();
                }
                Act::Mute => bench.mute(),
                Act::Unmute => bench.unmute(),
                Act::Run(blocks) => {
                    for _ in 0..blocks {
                        let block = bench.block().unwrap();
                        prop_assert!((0..3).all(|c| block.channel(c).iter().all(|v| v.abs() <= 10.0)));
                    }
                }
            }
            prop_assert!(bench.rig.truth().displacement_max.si() <= 6.5e-3 + 1e-12);
        }
        prop_assert!(wait(bench.generator.safe.make_safe(StopReason::RunEnded)).unwrap().is_safe());
        prop_assert!(wait(bench.power.safe.make_safe(StopReason::RunEnded)).unwrap().is_safe());
        bench.run(bench.generator.safe_within.si().max(bench.power.safe_within.si()) + 1e-4);
        let truth = bench.rig.truth();
        prop_assert!(truth.muted && truth.final_drive.si() <= 0.0, "{truth:?}");
        // Nothing drives it any more: the motion dies away.
        let first: f64 = bench.run(1.0)[0].iter().map(|v| v * v).sum();
        let second: f64 = bench.run(1.0)[0].iter().map(|v| v * v).sum();
        prop_assert!(second <= first, "{second} {first}");
    }
}
