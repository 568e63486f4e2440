//! What the page and the rest of the doors say of the rig while a run goes on, and after a stop.

use super::identity::house;
use calwright::serve::words::{LatchState, RigState, Stopped};
use tests::doors::House;

fn page(house: &House, path: &str) -> String {
    let answer = house.ask("GET", path).unwrap().token(house.token("operator")).answer().unwrap();
    assert_eq!(answer.status, 200, "{path}: {}", answer.text());
    answer.text()
}

/// A real rig on which a run goes on under somebody's leave.
fn runs(rig: &mut RigState) {
    (rig.simulated, rig.latch, rig.running) = (false, LatchState::MayBeMoving, Some("one".to_owned()));
    (rig.leave_by, rig.leave_missing) = (Some("A. Person".to_owned()), None);
}

#[test]
fn only_a_simulated_rig_is_said_to_need_no_leave() {
    let house = house();
    house.desk.set_rig(runs);
    let shown = page(&house, "/part/rig");
    assert!(shown.contains("Leave to move") && shown.contains("A. Person"), "{shown}");
    assert!(page(&house, "/metrics").contains("\ncalwright_leave 1\n"));
    // Whatever a state says: where something real moves there is leave, or there is none.
    house.desk.set_rig(|rig| rig.leave_by = None);
    let shown = page(&house, "/part/rig");
    assert!(shown.contains("No leave to move") && !shown.contains("No leave needed"), "{shown}");
    assert!(!page(&house, "/arm").contains("Nothing real moves"));
    let acknowledge = page(&house, "/acknowledge");
    assert!(acknowledge.contains("Nothing is tripped"), "a run that goes on is no trip: {acknowledge}");
    house.desk.set_rig(|rig| rig.simulated = true);
    assert!(page(&house, "/part/rig").contains("No leave needed"));
    assert!(page(&house, "/arm").contains("Nothing real moves"));
}

#[test]
fn a_trip_and_a_question_are_shown_while_the_run_goes_on() {
    let house = house();
    house.desk.set_rig(runs);
    assert!(page(&house, "/part/rig").contains("panel state good"));
    assert!(!page(&house, "/part/tripped").contains("TRIPPED"));
    house.desk.set_rig(|rig| rig.asks = Some("connect the sensors".to_owned()));
    let shown = page(&house, "/part/rig");
    assert!(shown.contains("panel state warn") && shown.contains("connect the sensors"), "{shown}");
    house.desk.set_rig(|rig| {
        (rig.latch, rig.trip) = (LatchState::Tripped, Some("make_safe_failed".to_owned()));
        (rig.message, rig.asks) = (Some("cut the power by hand".to_owned()), None);
    });
    let shown = page(&house, "/part/rig");
    assert!(shown.contains("panel state bad") && shown.contains("cut the power by hand"), "{shown}");
    assert!(!shown.contains("No trip"), "{shown}");
    assert!(page(&house, "/metrics").contains("\ncalwright_tripped 1\n"));
    assert!(page(&house, "/part/tripped").contains("TRIPPED"));
}

#[test]
fn the_queue_s_page_renews_what_holds_it() {
    let house = house();
    let shown = page(&house, "/queue");
    for part in ["/part/hold", "/part/tripped"] {
        assert!(shown.contains(&format!("data-part=\"{part}\" data-on=\"rig\"")), "{part}: {shown}");
    }
    assert!(page(&house, "/part/hold").contains("Hold the queue"));
    house.desk.set_rig(|rig| rig.queue_held = Some("run one tripped".to_owned()));
    assert!(page(&house, "/part/hold").contains("run one tripped"));
    house.desk.set_rig(|rig| (rig.queue_held, rig.draining) = (None, true));
    assert!(page(&house, "/part/hold").contains("drains"));
    let shown = page(&house, "/part/rig");
    assert!(shown.contains("Queue drains") && !shown.contains("Queue goes on"), "{shown}");
}

#[test]
fn a_stop_that_did_not_stop_says_so() {
    let house = house();
    let stop = |path: &str| house.ask("POST", path).unwrap().answer().unwrap();
    let origin = house.url().unwrap();
    let form = || house.ask("POST", "/stop").unwrap().header("Origin", &origin).form("").answer().unwrap();
    let answer = stop("/api/v1/stop");
    assert_eq!((answer.status, answer.json()["at_rest"].clone()), (200, true.into()));
    assert!(form().text().contains("<h1>Stopped</h1>"), "{}", form().text());
    let message = "NOT SAFE: the amplifier did not answer; press the emergency stop".to_owned();
    house.desk.set_stopped(Stopped { at_rest: false, message });
    assert_eq!(stop("/api/v1/stop").json()["at_rest"], false);
    let shown = form().text();
    assert!(shown.contains("<h1>NOT STOPPED</h1>") && shown.contains("emergency stop"), "{shown}");
}
