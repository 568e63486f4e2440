//! Each reason for which leave lapses, by itself.

use super::*;
use crate::station::latch::Acknowledgement;

fn time(text: &str) -> UtcTime {
    text.parse().unwrap()
}

fn leave() -> Leave {
    Leave {
        generation: 3,
        name: "A. Person".into(),
        given_utc: time("2000-01-01T08:00:00Z"),
        until_utc: time("2000-01-01T16:00:00Z"),
        checklist: vec!["hands clear".into()],
        boot_id: Some("boot-1".into()),
        given_up_s: Some(500.0),
        rig_sha256: "rig-1".into(),
        mounted_sha256: None,
        acknowledged_utc: None,
        withdrawn: None,
    }
}

fn clear(acknowledged: Option<&str>) -> Latch {
    let acknowledged = acknowledged.map(|at| Acknowledgement {
        at_utc: at.into(),
        name: "A. Person".into(),
        reason: "looked".into(),
        trip: "overload".into(),
    });
    Latch::Clear { at_utc: "2000-01-01T07:00:00Z".into(), acknowledged }
}

fn tripped(reason: &str) -> Latch {
    Latch::Tripped { at_utc: "x".into(), run: None, reason: reason.into(), message: "m".into() }
}

const NOON: &str = "2000-01-01T12:00:00Z";

/// The rule with one thing changed from a leave that stands.
fn judge(leave: impl FnOnce(&mut Leave), around: impl FnOnce(&mut Around<'_>), latch: &Latch) -> Standing {
    let mut record = self::leave();
    leave(&mut record);
    let mut at = Around {
        now: time(NOON),
        boot_id: Some("boot-1"),
        up_s: Some(500.0 + 4.0 * 3600.0),
        rig_sha256: "rig-1",
        mounted_sha256: Some("mounted-1"),
        latch,
    };
    around(&mut at);
    standing(&Found::Record(Box::new(record)), &at)
}

fn lapse(standing: Standing) -> Lapse {
    let Standing::Lapsed(lapse) = standing else { panic!("{standing:?}") };
    lapse
}

#[test]
fn it_stands_until_its_time() {
    let given = Standing::Given(time("2000-01-01T16:00:00Z"));
    assert_eq!(judge(|_| (), |_| (), &clear(None)), given);
    assert_eq!(judge(|l| l.mounted_sha256 = Some("mounted-1".into()), |_| (), &clear(None)), given);
    // Where no job is at hand nothing is said of what is mounted.
    let unasked =
        judge(|l| l.mounted_sha256 = Some("mounted-2".into()), |a| a.mounted_sha256 = None, &clear(None));
    assert_eq!(unasked, given);
    let old = "2000-01-01T07:00:00.000Z";
    assert_eq!(judge(|l| l.acknowledged_utc = Some(old.into()), |_| (), &clear(Some(old))), given);
    assert_eq!(judge(|l| l.boot_id = None, |a| a.boot_id = None, &clear(None)), given);
    assert_eq!(judge(|_| (), |a| a.now = time("2000-01-01T15:59:59.999Z"), &clear(None)), given);
}

#[test]
fn nothing_and_nonsense_are_no_leave() {
    let latch = clear(None);
    let around = Around {
        now: time(NOON),
        boot_id: None,
        up_s: None,
        rig_sha256: "rig-1",
        mounted_sha256: None,
        latch: &latch,
    };
    assert_eq!(lapse(standing(&Found::Nothing, &around)), Lapse::NeverGiven);
    let torn = Found::Unreadable("torn".into());
    assert_eq!(lapse(standing(&torn, &around)), Lapse::Unreadable("torn".into()));
}

#[test]
fn its_time() {
    let at_the_end = judge(|_| (), |a| a.now = time("2000-01-01T16:00:00Z"), &clear(None));
    assert_eq!(lapse(at_the_end), Lapse::TimeOver(time("2000-01-01T16:00:00Z")));
    let before = judge(|_| (), |a| a.now = time("2000-01-01T07:59:59Z"), &clear(None));
    assert_eq!(lapse(before), Lapse::ClockWentBack(time("2000-01-01T08:00:00Z")));
    // A wall clock that was set back does not make it longer.
    let up = |hours: f64| judge(|_| (), |a| a.up_s = Some(500.0 + hours * 3600.0), &clear(None));
    assert_eq!(up(7.999), Standing::Given(time("2000-01-01T16:00:00Z")));
    assert_eq!(lapse(up(8.0)), Lapse::TimeOver(time("2000-01-01T16:00:00Z")));
}

#[test]
fn a_restart_of_the_machine() {
    for boot in [Some("boot-2"), None] {
        assert_eq!(lapse(judge(|_| (), |a| a.boot_id = boot, &clear(None))), Lapse::Restarted);
    }
    assert_eq!(lapse(judge(|l| l.boot_id = None, |_| (), &clear(None))), Lapse::Restarted);
}

#[test]
fn a_trip_before_and_after_it_was_acknowledged() {
    assert_eq!(lapse(judge(|_| (), |_| (), &tripped("overload"))), Lapse::Tripped("overload".into()));
    assert_eq!(lapse(judge(|_| (), |_| (), &clear(Some("2000-01-01T09:00:00.000Z")))), Lapse::TrippedSince);
    // Not by comparing times: a clock that was set back must not revive it.
    assert_eq!(lapse(judge(|_| (), |_| (), &clear(Some("1999-01-01T09:00:00.000Z")))), Lapse::TrippedSince);
}

#[test]
fn a_run_that_was_cut_off() {
    assert_eq!(lapse(judge(|_| (), |_| (), &tripped("restart_while_moving"))), Lapse::CutOff);
    let moving = Latch::MayBeMoving { at_utc: "x".into(), run: "r".into() };
    assert_eq!(lapse(judge(|_| (), |_| (), &moving)), Lapse::CutOff);
}

#[test]
fn another_rig_file() {
    assert_eq!(lapse(judge(|_| (), |a| a.rig_sha256 = "rig-2", &clear(None))), Lapse::RigChanged);
}

#[test]
fn a_remount() {
    let remounted = judge(|l| l.mounted_sha256 = Some("mounted-2".into()), |_| (), &clear(None));
    assert_eq!(lapse(remounted), Lapse::Remounted);
}

#[test]
fn stop_guard_and_trip() {
    for by in [WithdrawnBy::Stop, WithdrawnBy::Guard, WithdrawnBy::Trip] {
        let withdrawal = Withdrawal { at_utc: time("2000-01-01T10:00:00Z"), by };
        let withdrawn = judge(|l| l.withdrawn = Some(withdrawal.clone()), |_| (), &clear(None));
        assert_eq!(lapse(withdrawn), Lapse::Withdrawn(withdrawal));
    }
}

#[test]
fn the_leave_of_a_run_that_goes_on_is_judged_by_everything_but_the_latch() {
    let latch = Latch::MayBeMoving { at_utc: "x".into(), run: "r".into() };
    let judge = |leave: Leave, now: &str| {
        let at = Around {
            now: time(now),
            boot_id: Some("boot-1"),
            up_s: Some(500.0 + 4.0 * 3600.0),
            rig_sha256: "rig-1",
            mounted_sha256: None,
            latch: &latch,
        };
        standing_in_run(&Found::Record(Box::new(leave)), &at)
    };
    let acknowledged = Leave { acknowledged_utc: Some("2000-01-01T07:00:00Z".into()), ..leave() };
    assert_eq!(judge(acknowledged, NOON), Standing::Given(time("2000-01-01T16:00:00Z")));
    assert!(matches!(lapse(judge(leave(), "2000-01-01T17:00:00Z")), Lapse::TimeOver(_)));
    let withdrawn = Withdrawal { at_utc: time(NOON), by: WithdrawnBy::Stop };
    let withdrawn = Leave { withdrawn: Some(withdrawn), ..leave() };
    assert!(matches!(lapse(judge(withdrawn, NOON)), Lapse::Withdrawn(_)));
}
