//! A disk that takes no record for a while: nothing is driven meanwhile, and what is measured is the same.

use super::bench::{Bench, FRAMES, plan};
use crate::sequence::*;

/// Blocks in ten minutes.
const LONGEST: u64 = 600 * 2000 / FRAMES;

fn points() -> String {
    plan("", &[("8 Hz", "1 g pk", "repeats = 2"), ("16 Hz", "1 g pk", "")])
}

/// A run whose disk is full for the record number `n`, for so many blocks.
fn full_for(n: usize, blocks: usize) -> Bench {
    let stored = |bench: &Bench| bench.log.iter().filter(|(word, _)| word.starts_with("store ")).count();
    let mut left = blocks;
    let mut driven_late = false;
    let mut bench = Bench::new(&points()).run(|bench, _| {
        bench.full = stored(bench) == n && left > 0;
        let owed = bench.owed.is_some();
        left = left.saturating_sub(usize::from(owed));
        // A second after the pause began everything is at zero.
        driven_late |= owed && blocks - left > 50 && bench.tone.wanted() != 0.0;
        if left == 0 { bench.owed.take() } else { None }
    });
    assert!(!driven_late, "record {n}");
    bench.full = false;
    bench
}

#[test]
fn a_pause_costs_time_and_nothing_else() {
    let whole = Bench::new(&points()).finish();
    let records = whole.log.iter().filter(|(word, _)| word.starts_with("store ")).count();
    for n in 0..records {
        let bench = full_for(n, 400);
        assert_eq!(bench.outcome, Some(Outcome::Done), "record {n}: {:?}", bench.log);
        bench.at_rest();
        assert!(bench.events.iter().any(|e| matches!(e, Event::Paused(_))));
        assert!(bench.events.contains(&Event::GoesOn));
        let key = |m: &&Measurement| (m.point, m.repeat, m.closing);
        let (was, is): (Vec<_>, Vec<_>) =
            (whole.dwells().iter().map(key).collect(), bench.dwells().iter().map(key).collect());
        assert_eq!(was, is, "record {n}");
        assert!(bench.dwells().iter().all(|m| m.findings.is_empty()));
    }
}

#[test]
fn a_pause_that_takes_too_long_ends_the_run_in_good_order() {
    for n in [0, 1, 2, 4] {
        let bench = full_for(n, usize::MAX);
        assert_eq!(bench.outcome, Some(Outcome::Failed), "record {n}");
        bench.at_rest();
        let (_, began) = *bench.log.iter().rfind(|(word, _)| word.starts_with("store ")).unwrap();
        assert!((LONGEST..LONGEST + 200).contains(&(bench.now / FRAMES - began)), "record {n}");
    }
}

/// What ends a run at any time ends it in a pause too.
#[test]
fn a_pause_has_every_way_out() {
    let open = || Input::Contacts { emergency_stop_closed: false, inputs: Vec::new() };
    type Cause<'a> = &'a dyn Fn() -> Input<'static>;
    let cases: [(Outcome, Cause<'_>); 4] = [
        (Outcome::Cancelled, &|| Input::Operator(Operator::Cancel)),
        (Outcome::Cancelled, &|| Input::Operator(Operator::Stop)),
        (Outcome::Failed, &|| Input::StoreFailed("gone".into())),
        (Outcome::Tripped, &open),
    ];
    for later in [0, 3, 90] {
        for (outcome, cause) in &cases {
            let mut owed = 0;
            let bench = Bench::new(&points()).run(|bench, _| {
                bench.full = bench.ended() == 1;
                owed += usize::from(bench.owed.is_some());
                (owed == later + 1).then(cause)
            });
            assert_eq!(bench.outcome, Some(*outcome), "{later} blocks into the pause");
            bench.at_rest();
        }
    }
}
