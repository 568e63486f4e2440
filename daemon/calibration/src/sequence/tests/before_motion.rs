//! Permissives and warning in a run.

use super::bench::{Bench, RIG, job_on, two_points};
use crate::interlock::TripReason;
use crate::sequence::*;

/// A guard on input 0, a lock that is needed before the first motion on input 1, and the enable input 2.
const CONTACTS: &str = r#"
[[permissive]]
name = "guard door"
input = 0
guard = true
[[permissive]]
name = "transport lock"
input = 1
state = "open"
when = "before"
"#;

const ALL: [bool; 3] = [true, false, true];

/// What is done to the bench at some block.
type Mischief = fn(&mut Bench, usize) -> Option<Input<'static>>;

fn with(top: &str, tables: &str) -> Bench {
    let rig = RIG.replacen("format = 1\n", &format!("format = 1\n{top}\n"), 1) + tables;
    let mut bench = Bench::of(job_on(&two_points(), &rig));
    bench.inputs = ALL.to_vec();
    bench
}

fn permitted() -> Bench {
    with("enable_input = 2\npermissive_wait = \"1 s\"", CONTACTS)
}

/// Block at which this was asked for first.
fn block_of(bench: &Bench, word: &str) -> Option<u64> {
    bench.log.iter().find(|(w, _)| *w == word).map(|(_, block)| *block)
}

#[test]
fn a_run_with_every_permissive_is_as_one_without() {
    let (with, without) = (permitted().finish(), Bench::new(&two_points()).finish());
    assert_eq!(with.outcome, Some(Outcome::Done));
    assert_eq!(with.log, without.log);
    assert!(!with.run.guard_opened() && with.run.refused().is_none());
}

/// Each is lost in the middle of the run: what is needed always trips, what is needed before does not.
#[test]
fn what_is_lost_on_the_way() {
    for (input, trips) in [(0, true), (1, false), (2, true)] {
        let bench = permitted().run(|bench, n| {
            if n == 300 {
                bench.inputs[input] = !bench.inputs[input];
            }
            None
        });
        let reason = bench.run.trip().map(|t| t.reason);
        assert_eq!(reason, trips.then_some(TripReason::PermissiveLost), "input {input}");
        assert_eq!(bench.run.guard_opened(), input == 0);
        bench.at_rest();
        if trips {
            assert_eq!(block_of(&bench, "withdraw"), Some(300), "with the next reading");
        }
    }
}

/// Contacts that answer with fewer inputs than the rig file names are as good as lost.
#[test]
fn an_input_that_is_no_longer_read_trips() {
    let bench = permitted().run(|bench, n| {
        bench.inputs.truncate(if n < 300 { 3 } else { 2 });
        None
    });
    let trip = bench.run.trip().unwrap();
    assert_eq!(trip.reason, TripReason::PermissiveLost);
    assert!(trip.message.contains("'enable'") && trip.message.contains("not read"), "{}", trip.message);
}

#[test]
fn a_permissive_that_comes_in_time_is_waited_for_and_one_that_does_not_refuses() {
    let late = |at: usize| {
        permitted().run(move |bench, n| {
            bench.inputs[1] = n < at;
            None
        })
    };
    // A block lasts 20 ms.
    let good = late(40);
    assert_eq!((good.outcome, block_of(&good, "unmute")), (Some(Outcome::Done), Some(40)));
    let refused = late(60);
    assert_eq!(refused.outcome, Some(Outcome::Failed));
    assert!(refused.run.refused().unwrap().contains("'transport lock'"), "{:?}", refused.run.refused());
    assert_eq!(block_of(&refused, "unmute"), None, "nothing was energised");
    assert!(!refused.run.guard_opened());
}

#[test]
fn a_guard_found_open_refuses_at_once() {
    let mut bench = permitted();
    bench.inputs[0] = false;
    let bench = bench.finish();
    assert_eq!((bench.outcome, block_of(&bench, "unmute")), (Some(Outcome::Failed), None));
    assert!(bench.run.refused().unwrap().contains("give leave anew") && bench.run.guard_opened());
    assert!(bench.log.first().is_some_and(|(_, b)| *b <= 1), "{:?}", bench.log);
}

/// While nothing may move yet a guard that opens trips all the same.
#[test]
fn a_guard_that_opens_while_another_is_waited_for_trips() {
    let bench = permitted().run(|bench, n| {
        bench.inputs = vec![n < 20, true, true];
        None
    });
    assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::PermissiveLost));
    assert_eq!(block_of(&bench, "unmute"), None);
}

#[test]
fn a_warning_comes_before_the_amplifier_is_live_and_goes_off_at_the_end() {
    let bench = with("warning_output = 3\nwarning_time = \"6 s\"", "").finish();
    assert_eq!(bench.outcome, Some(Outcome::Done));
    let (warned, live) = (block_of(&bench, "warn").unwrap(), block_of(&bench, "unmute").unwrap());
    assert_eq!(live - warned, 300, "six seconds of 20 ms each");
    let of_warnings: Vec<&str> =
        bench.log.iter().map(|(w, _)| *w).filter(|l| l.starts_with("warn")).collect();
    assert_eq!(of_warnings, ["warn", "warn no more"]);
    let last: Vec<&str> = bench.log.iter().rev().take(2).rev().map(|(w, _)| *w).collect();
    assert_eq!(last, ["warn no more", "finish"]);
}

/// The record of the quiet part takes longer than a minute: that is a pause, and the first motion is warned of again.
#[test]
fn after_a_pause_it_warns_again() {
    let mut bench = with("warning_output = 3", "");
    bench.keeps_waiting = true;
    let bench = bench.run(|bench, n| {
        (n == 4000).then(|| {
            bench.keeps_waiting = false;
            Input::Stored(Stored::Quiet(QuietTime::Before))
        })
    });
    assert_eq!(bench.outcome, Some(Outcome::Done));
    let of_warnings: Vec<&str> =
        bench.log.iter().map(|(w, _)| *w).filter(|l| l.starts_with("warn")).collect();
    assert_eq!(of_warnings, ["warn", "warn no more", "warn", "warn no more"]);
    let again = bench.log.iter().rfind(|(w, _)| *w == "warn").map(|(_, b)| *b).unwrap();
    assert_eq!(again, 4000);
    assert_eq!(block_of(&bench, "tone"), Some(4250), "five seconds later");
}

/// Whatever ends a run in the middle of the warning, nothing was energised, and the warning goes off.
#[test]
fn a_run_that_ends_while_it_warns_is_at_rest_and_warns_no_more() {
    let cases: [(Outcome, Mischief); 3] = [
        (Outcome::Cancelled, |_, n| (n == 100).then_some(Input::Operator(Operator::Stop))),
        (Outcome::Tripped, |bench, n| {
            (n == 100).then(|| Input::Contacts { emergency_stop_closed: false, inputs: bench.inputs.clone() })
        }),
        (Outcome::Failed, |_, n| {
            (n == 100).then(|| Input::Failed {
                instrument: "panel".into(),
                detail: "no such output".into(),
                consequence: Consequence::FailRun,
            })
        }),
    ];
    for (outcome, mischief) in cases {
        let bench = with("warning_output = 3", "").run(mischief);
        assert_eq!((bench.outcome, block_of(&bench, "unmute")), (Some(outcome), None));
        assert!(bench.did("warn no more"), "{:?}", bench.log);
        bench.at_rest();
    }
}
