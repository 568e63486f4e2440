//! The rules of the queue, by example and for any queue.

use super::*;
use proptest::prelude::*;

fn ended(outcome: Outcome) -> Ended {
    Ended::Run { outcome, trip: None, hold: None, refused: None, failures: Vec::new() }
}

fn with(change: impl FnOnce(&mut Option<String>, &mut Option<String>)) -> Ended {
    let (mut held, mut not_let) = (None, None);
    change(&mut held, &mut not_let);
    Ended::Run { outcome: Outcome::Cancelled, trip: None, hold: held, refused: not_let, failures: Vec::new() }
}

#[test]
fn what_holds_the_queue_and_what_does_not() {
    let holds = |ended: &Ended| hold_after("r", ended).is_some();
    assert!(!holds(&ended(Outcome::Done)), "rejected points and failed sensors do not hold");
    assert!(!holds(&ended(Outcome::Cancelled)), "one job that a person took out does not hold the others");
    assert!(holds(&ended(Outcome::Tripped)));
    assert!(holds(&ended(Outcome::Failed)));
    assert!(holds(&ended(Outcome::Interrupted)));
    assert!(holds(&Ended::Broken("disk".into())));
    assert!(holds(&with(|hold, _| *hold = Some("check standard CS-1 is out of limits".into()))));
    assert!(holds(&with(|_, refused| *refused = Some("the leave to move ended".into()))));
}

#[test]
fn the_reason_is_told() {
    let tripped = Ended::Run {
        outcome: Outcome::Tripped,
        trip: Some("emergency_stop".into()),
        hold: None,
        refused: None,
        failures: Vec::new(),
    };
    insta::assert_snapshot!(
        hold_after("low-frequency-7", &tripped).unwrap(),
        @"run low-frequency-7 tripped (emergency_stop); look, acknowledge, then let the queue go on"
    );
}

proptest! {
    #[test]
    fn nothing_overtakes_and_nothing_held_begins(held in proptest::collection::vec(any::<bool>(), 0..12), queue_held: bool, needs: bool) {
        let waiting: Vec<Waiting> = (1..).zip(&held).map(|(job, held)| Waiting { job, held: *held }).collect();
        let need = |_| if needs { Need::Person("arm".into()) } else { Need::Nothing };
        let first = waiting.iter().find(|w| !w.held).map(|w| w.job);
        let expected = match first {
            Some(job) if !queue_held && needs => Next::Needs(job, "arm".into()),
            Some(job) if !queue_held => Next::Begin(job),
            _ => Next::Nothing,
        };
        prop_assert_eq!(next(&waiting, queue_held, need), expected);
    }

    #[test]
    fn a_held_queue_asks_nobody(count in 0usize..5) {
        let waiting: Vec<Waiting> = (1..).take(count).map(|job| Waiting { job, held: false }).collect();
        prop_assert_eq!(next(&waiting, true, |_| panic!("nobody is to be asked")), Next::Nothing);
    }
}

#[test]
fn the_queue_opens_with_the_check_standard() {
    let at = |text: &str| text.parse::<UtcTime>().unwrap();
    let now = at("2026-03-02T08:00:00Z");
    let waits = |mounted: &[&str], opened: Option<UtcTime>| opening("CS-1", mounted, opened, now).is_some();
    assert!(waits(&[], None) && waits(&["CS-2"], None));
    assert!(!waits(&["CS-2", "CS-1"], None), "the job that measures it may begin");
    assert!(!waits(&[], Some(at("2026-03-01T09:00:00Z"))));
    assert!(waits(&[], Some(at("2026-03-01T08:00:00Z"))), "a day is over");
    assert!(waits(&[], Some(at("2026-03-02T08:00:01Z"))), "a clock that was set back");
    insta::assert_snapshot!(
        opening("CS-1", &[], None, now).unwrap(),
        @r#"the queue opens with the check standard CS-1: put a job before this one in which it is mounted with role = "check standard""#
    );
}
