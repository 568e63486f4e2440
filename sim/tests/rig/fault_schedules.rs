//! Whatever strikes whenever: nothing panics, samples stay finite, the armature within its stops, and the amplifier mutes.

use crate::bench::{Bench, wait};
use crate::facts::{Facts, POINTS, faults};
use drivers::StopReason;
use plan_schema::faults::{Fault, FaultKind, PointPhase};
use plan_schema::units::{Hertz, Seconds};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// A rig that all kinds can strike.
fn facts() -> Facts {
    Facts {
        sensors: vec![
            "zero_output = \"1 V\"",
            "natural_frequency = \"2 kHz\"\ndamping_ratio = \"5 %\"\nlower_corner = \"0.5 Hz\"",
        ],
        shaker: "coil_heat_capacity = \"1 J/K\"\ncoil_heat_resistance = \"1 K/W\"\ncoil_temperature_limit = \"60 °C\"\nresistance_coefficient = \"0.39 %/K\"",
        tables: "[[permissive]]\nname = \"guard door\"\ninput = 0\n",
        noise: "20 uV rms",
        bits: 24,
        ..Facts::default()
    }
}

/// The smallest and largest size of a kind, as it is written.
fn sizes(kind: FaultKind) -> Option<[&'static str; 4]> {
    match kind {
        FaultKind::GainJump => Some(["-100 %", "0.3 %", "200 %", "10000 %"]),
        FaultKind::SensorClipped => Some(["1 uV pk", "10 mV pk", "1 V pk", "100 V pk"]),
        FaultKind::LooseMount => Some(["0.001 %", "1 %", "5 %", "100 %"]),
        FaultKind::Hum => Some(["1 nV pk", "1 mV pk", "1 V pk", "100 V pk"]),
        FaultKind::CoilOverheating => Some(["1 K", "20 K", "100 K", "1000 K"]),
        FaultKind::SlowDrift => Some(["-100 %", "0.5 %", "10 %", "100 %"]),
        FaultKind::CableIntermittent => Some(["0.1 %", "10 %", "50 %", "100 %"]),
        _ => None,
    }
}

fn written(kind: FaultKind, at: &str, sensor: usize, size: usize, lasts: Option<u32>) -> String {
    let mut text = format!("[[fault]]\nkind = \"{}\"\nat = {at}\n", kind.word());
    if Fault::needs_channel(kind) {
        text += &format!("channel = \"ch{sensor}\"\n");
    }
    if Fault::needs_permissive(kind) {
        text += "channel = \"guard door\"\n";
    }
    if let Some(sizes) = sizes(kind) {
        text += &format!("value = \"{}\"\n", sizes[size]);
    }
    if let Some(ms) = lasts {
        text += &format!("lasts = \"{ms} ms\"\n");
    }
    text
}

fn moment() -> impl Strategy<Value = String> {
    prop_oneof![
        (0u32..1500).prop_map(|ms| format!("\"{ms} ms\"")),
        (1usize..5, prop::sample::select(vec!["settle", "dwell"]), 0u32..20).prop_map(
            |(point, phase, cycles)| {
                format!("{{ point = {point}, phase = \"{phase}\", after_cycles = {cycles} }}")
            }
        ),
    ]
}

fn schedule() -> impl Strategy<Value = String> {
    let one = (
        prop::sample::select(FaultKind::ALL.to_vec()),
        moment(),
        1usize..3,
        0usize..4,
        prop::option::of(1u32..800),
    );
    prop::collection::vec(one, 1..12).prop_map(|faults| {
        faults
            .into_iter()
            .map(|(kind, at, sensor, size, lasts)| written(kind, &at, sensor, size, lasts))
            .collect()
    })
}

/// The same cases in every run.
fn config() -> ProptestConfig {
    ProptestConfig {
        cases: 64,
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

/// Makes both instruments safe; what is true of them a moment later: muted, and the output of the source.
fn made_safe(bench: &mut Bench) -> (bool, f64) {
    assert!(wait(bench.generator.safe.make_safe(StopReason::Trip)).unwrap().is_safe());
    assert!(wait(bench.power.safe.make_safe(StopReason::Trip)).unwrap().is_safe());
    bench.rig.run_out(Seconds::new(0.1));
    let truth = bench.rig.truth();
    (truth.muted, truth.final_drive.si())
}

proptest! {
    #![proptest_config(config())]
    #[test]
    fn no_schedule_breaks_the_rig(text in schedule(), seed in 0u64..100, drives in prop::collection::vec((0.0f64..5.0, any::<bool>()), 4)) {
        let mut bench = Bench::with(&facts(), seed, &faults(&text), 137);
        for (n, (volts, wants)) in drives.iter().enumerate() {
            if *wants {
                // It may refuse: a fault of its own.
                let _ = wait(bench.amplifier.unmute(&bench.permit));
            }
            let frequency = POINTS[n];
            bench.tone(frequency, *volts);
            for phase in [PointPhase::Settle, PointPhase::Dwell] {
                bench.rig.progress(n + 1, phase, Hertz::new(frequency));
                for _ in 0..20 {
                    // None while the acquisition is stalled.
                    if let Some(block) = bench.block() {
                        prop_assert!((0..3).all(|c| block.channel(c).iter().all(|v| v.abs() <= 10.0)), "{text}");
                    }
                }
            }
            let truth = bench.rig.truth();
            prop_assert!(truth.displacement_max.si() <= 6.5e-3 + 1e-12, "{text}");
            prop_assert!(truth.current_max.si() <= 3.5 * (1.0 + 1e-9), "{text}");
            prop_assert!(truth.coil_temperature_max.is_finite() && truth.final_drive.si() <= 5.0, "{text}");
        }
        let (muted, _) = made_safe(&mut bench);
        prop_assert!(muted, "{text}");
    }
}

/// Every kind but the two of a source that does not follow leaves the source able to go to zero; the mute works always.
#[test]
fn every_fault_leaves_a_way_to_be_made_safe() {
    for kind in FaultKind::ALL {
        let text = written(*kind, "\"100 ms\"", 1, 2, None);
        let mut bench = Bench::with(&facts(), 1, &faults(&text), 200);
        bench.unmute();
        bench.tone(50.0, 0.3);
        for _ in 0..52 {
            bench.block();
        }
        let struck = bench.rig.truth().faults_struck;
        assert_eq!(struck.len(), 1, "{}", kind.word());
        assert!(struck[0].kind == *kind && struck[0].moving && (struck[0].at.si() - 0.1).abs() < 1e-12);
        let (muted, drive) = made_safe(&mut bench);
        assert!(muted, "{}", kind.word());
        let follows = !matches!(kind, FaultKind::SourceDeaf | FaultKind::SourceHoldsLast);
        assert_eq!(drive <= 0.0, follows, "{}: {drive} V", kind.word());
    }
}
