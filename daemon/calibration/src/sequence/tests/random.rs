//! Whatever comes, in whatever order: no panic, no tone without leave, and rest in the end.

use super::bench::{Bench, plan};
use crate::sequence::*;
use plan_schema::units::{Celsius, Hertz, SampleIndex, Seconds, Volts};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const POINTS: [(&str, &str, &str); 3] =
    [("8 Hz", "1 g pk", "repeats = 2"), ("25 Hz", "0.5 g pk", ""), ("16 Hz", "1 g pk", "")];

/// One thing that happens. Whether a tone has leave is asserted by the bench itself.
#[derive(Debug, Clone)]
enum Happens {
    /// So many ordinary blocks.
    Blocks(u32),
    /// A block of some size after samples that were lost.
    Odd {
        frames: u64,
        lost: u64,
    },
    /// Replies and receipts are kept back, or come, the latest first or last.
    Slow,
    Catch {
        backwards: bool,
    },
    /// An input that fits nothing that was asked for, or does.
    Input(u8),
    /// Time passes without samples.
    Idle(u64),
    /// Gain of a column.
    Gain(usize, f64),
    /// A column shows something that is no number.
    Garbage(usize),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        12 => (1..120_u32).prop_map(Happens::Blocks),
        2 => (0..300_u64, prop_oneof![3 => Just(0), 1 => 1..500_u64]).prop_map(|(frames, lost)| Happens::Odd { frames, lost }),
        1 => Just(Happens::Slow),
        2 => any::<bool>().prop_map(|backwards| Happens::Catch { backwards }),
        3 => any::<u8>().prop_map(Happens::Input),
        1 => (0..400_000_000_u64).prop_map(Happens::Idle),
        2 => (0..7_usize, -2.0..4.0_f64).prop_map(|(column, gain)| Happens::Gain(column, gain)),
        1 => (0..7_usize).prop_map(Happens::Garbage),
    ]
}

/// An input by number; the harmless ones are the more frequent.
fn input(bench: &Bench, number: u8) -> Input<'static> {
    let at = SampleIndex(bench.now + u64::from(number));
    let soon = Effective { not_before: SampleIndex(bench.now), not_after: at };
    let failed = |consequence| Input::Failed { instrument: "x".into(), detail: "y".into(), consequence };
    let (frequency, amplitude) = (Hertz::new(f64::from(number) / 8.0 + 1.0), Volts::new(0.1));
    match number % 24 {
        0 => failed(Consequence::RejectPoint),
        1 => failed(Consequence::FailRun),
        2 => failed(Consequence::Trip),
        3 => Input::Contacts { emergency_stop_closed: number < 200, inputs: Vec::new() },
        4 => Input::Amplifier { fault: number > 200, muted: bench.muted },
        5 => Input::Operator(if number > 128 { Operator::Stop } else { Operator::Cancel }),
        6 if number > 128 => Input::StoreWaits("full".into()),
        6 => Input::StoreFailed("full".into()),
        7 => Input::MakeSafeFailed { target: Target::Source, detail: "no".into() },
        8 | 9 => Input::Stored(Stored::Point),
        10 | 11 => Input::Stored(Stored::FirstMotion),
        12 | 13 => Input::Stored(Stored::Quiet(QuietTime::After)),
        14 => Input::Replied(Reply::SourceOff, soon),
        15 => Input::Replied(Reply::Unmuted, soon),
        16 => Input::Replied(Reply::MadeSafe(Target::Amplifier), soon),
        17 | 18 => Input::Replied(Reply::Tone { frequency, amplitude, way: Seconds::new(0.1) }, soon),
        19..=21 => Input::Ambient { temperature: Celsius::new(f64::from(number) / 4.0), humidity: None },
        _ => Input::Tick,
    }
}

fn happen(bench: &mut Bench, what: &Happens) {
    match what {
        Happens::Blocks(count) => (0..*count).for_each(|_| bench.block()),
        Happens::Odd { frames, lost } => bench.frames(*frames, *lost),
        Happens::Slow => bench.slow = true,
        Happens::Catch { backwards } => {
            bench.slow = false;
            let mut pending = std::mem::take(&mut bench.pending);
            if *backwards {
                pending.reverse();
            }
            pending.into_iter().for_each(|input| bench.feed(input));
        }
        Happens::Input(number) => {
            let input = input(bench, *number);
            bench.feed(input);
        }
        Happens::Idle(nanoseconds) => {
            bench.idle += nanoseconds;
            bench.feed(Input::Tick);
        }
        Happens::Gain(column, gain) => bench.wires[*column].gain = *gain,
        Happens::Garbage(column) => bench.wires[*column].offset = f64::NAN,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, rng_seed: RngSeed::Fixed(1), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_comes_ends_at_rest(
        begun in 0..500_u32,
        all in prop::collection::vec(happens(), 0..24),
        points in 1..4_usize,
    ) {
        let mut bench = Bench::new(&plan("", &POINTS[..points]));
        bench.feed(Input::Started { starts_at_zero: begun % 2 == 0 });
        (0..begun).for_each(|_| bench.block());
        for what in &all {
            happen(&mut bench, what);
        }
        happen(&mut bench, &Happens::Catch { backwards: false });
        bench.feed(Input::Operator(Operator::Cancel));
        for _ in 0..200 {
            bench.block();
        }
        prop_assert!(bench.run.is_done(), "{:?}", bench.log);
        bench.at_rest();
        // What is over says nothing more.
        let length = bench.log.len();
        bench.block();
        bench.feed(Input::Operator(Operator::Stop));
        prop_assert_eq!(bench.log.len(), length);
        prop_assert_eq!(bench.log.iter().filter(|(w, _)| *w == "finish").count(), 1);
    }
}
