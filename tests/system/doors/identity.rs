//! Who may do what: every change needs an identity and its role; `stop` needs none.

use serde_json::{Value, json};
use tests::doors::{Ask, House, PlayDesk};

pub(super) fn house() -> House {
    House::open(PlayDesk::new(&[]).unwrap(), |_| ()).unwrap()
}

/// Every change, with a body that fits.
pub(super) fn changes() -> Vec<(&'static str, Value)> {
    let reason = json!({ "reason": "a trial" });
    vec![
        ("/api/v1/jobs", json!({ "name": "x", "job": "plan = \"p\"", "files": {} })),
        ("/api/v1/jobs/2/hold", reason.clone()),
        ("/api/v1/jobs/2/unhold", Value::Null),
        ("/api/v1/jobs/2/move", json!({ "place": 1 })),
        ("/api/v1/jobs/2/cancel", reason.clone()),
        ("/api/v1/queue/hold", reason),
        ("/api/v1/queue/unhold", Value::Null),
        ("/api/v1/runs/r/resume", Value::Null),
        ("/api/v1/runs/r/approve", Value::Null),
        ("/api/v1/arm", json!({ "hours": 1.0, "confirmed": [] })),
        ("/api/v1/acknowledge", json!({ "reason": "a trial" })),
        ("/api/v1/reload", json!({ "reason": "a trial" })),
        ("/api/v1/drain", json!({ "reason": "a trial" })),
    ]
}

pub(super) fn post(house: &House, path: &str, body: &Value) -> Ask {
    let ask = house.ask("POST", path).unwrap();
    if body.is_null() { ask } else { ask.json(body) }
}

#[test]
fn no_change_is_made_without_an_identity() {
    let house = house();
    for (path, body) in changes() {
        let answer = post(&house, path, &body).answer().unwrap();
        assert_eq!(answer.problem().unwrap(), (401, "no_identity".into()), "{path}");
        assert!(answer.header("www-authenticate").unwrap().starts_with("Bearer"), "{path}");
        let wrong = post(&house, path, &body).token("calwright_0").answer().unwrap();
        let (status, _) = wrong.problem().unwrap();
        assert!([401, 429].contains(&status), "{path}: {status}");
    }
    assert_eq!(house.desk.done(), [], "nothing reached the desk");
}

#[test]
fn a_viewer_looks_and_changes_nothing() {
    let house = house();
    for role in ["viewer", "stopper"] {
        for path in
            ["/api/v1/rig", "/api/v1/jobs", "/api/v1/jobs/2", "/api/v1/runs", "/api/v1/audit", "/metrics"]
        {
            assert_eq!(
                house.ask("GET", path).unwrap().token(house.token(role)).answer().unwrap().status,
                200
            );
            let nobody = house.ask("GET", path).unwrap().answer().unwrap();
            assert_eq!(nobody.problem().unwrap(), (401, "no_identity".into()), "{path}");
        }
        for (path, body) in changes() {
            let answer = post(&house, path, &body).token(house.token(role)).answer().unwrap();
            assert_eq!(answer.problem().unwrap(), (403, "not_allowed".into()), "{role} {path}");
        }
    }
    assert_eq!(house.desk.done(), [], "nothing reached the desk");
}

#[test]
fn an_operator_runs_jobs_but_releases_nothing_and_moves_the_rig_at_the_machine_only() {
    let house = house();
    for (path, body) in changes() {
        let answer = post(&house, path, &body).token(house.token("operator")).answer().unwrap();
        let expected = match path {
            "/api/v1/jobs" => 201,
            "/api/v1/queue/hold" | "/api/v1/queue/unhold" => 204,
            "/api/v1/runs/r/resume" => 404,
            "/api/v1/runs/r/approve"
            | "/api/v1/arm"
            | "/api/v1/acknowledge"
            | "/api/v1/reload"
            | "/api/v1/drain" => 403,
            _ => 200,
        };
        assert_eq!(answer.status, expected, "{path}: {}", answer.text());
    }
    let arm = post(&house, "/api/v1/arm", &json!({ "hours": 1.0, "confirmed": [] }));
    let problem = arm.token(house.token("operator")).answer().unwrap().problem().unwrap();
    assert_eq!(problem, (403, "at_machine_only".into()));
    let done: Vec<String> = house.desk.done().into_iter().map(|(what, _)| what).collect();
    assert_eq!(done, ["submit", "hold", "unhold", "move", "cancel", "hold", "unhold"]);
}

#[test]
fn an_approver_releases_and_moves_nothing() {
    let house = house();
    for (path, body) in changes() {
        let answer = post(&house, path, &body).token(house.token("approver")).answer().unwrap();
        let expected = if path.ends_with("approve") { 404 } else { 403 };
        assert_eq!(answer.status, expected, "{path}: {}", answer.text());
    }
}

#[test]
fn everybody_can_stop_and_whoever_is_known_is_named() {
    let house = house();
    let stop = || house.ask("POST", "/api/v1/stop").unwrap();
    for ask in [stop(), stop().token("calwright_wrong"), stop().token(house.token("stopper"))] {
        let answer = ask.answer().unwrap();
        assert_eq!((answer.status, answer.json()["message"].as_str()), (200, Some("everything is at rest")));
    }
    let over_socket = house.ask_socket("POST", "/api/v1/stop").answer().unwrap();
    assert_eq!(over_socket.status, 200);
    let who: Vec<Option<String>> = house.desk.done().into_iter().map(|(_, who)| who).collect();
    assert_eq!(who[..3], [None, None, Some("A. stopper".to_owned())]);
    assert!(who[3].is_some(), "the socket says which user it is");
}

#[test]
fn whoever_runs_the_daemon_is_known_over_the_socket_and_is_at_the_machine() {
    let house = house();
    let list = house.ask_socket("GET", "/api/v1/rig").answer().unwrap().json()["checklist"].clone();
    let arm = house.ask_socket("POST", "/api/v1/arm").json(&json!({ "hours": 2.0, "confirmed": list }));
    let answer = arm.answer().unwrap();
    assert_eq!(answer.status, 200, "{}", answer.text());
    assert!(answer.json()["leave_by"].is_string());
}

#[test]
fn another_user_of_the_machine_is_nobody_until_the_settings_name_them() {
    let asked = |settings: &str| {
        let house = House::open(PlayDesk::new(&[]).unwrap(), |doors| {
            doors.people = serde_json::from_str(settings).unwrap();
        })
        .unwrap();
        house.ask_socket("POST", "/api/v1/queue/unhold").answer().unwrap().status
    };
    let own = rustix_user();
    assert_eq!(asked("[]"), 204);
    assert_eq!(asked(&format!(r#"[{{ "user": "{own}", "roles": ["viewer"] }}]"#)), 403);
    assert_eq!(asked(&format!(r#"[{{ "user": "{own}", "roles": ["operator"] }}]"#)), 204);
}

fn rustix_user() -> u32 {
    rustix::process::geteuid().as_raw()
}

#[test]
fn looking_may_be_free_while_changes_are_not() {
    let house = House::open(PlayDesk::new(&[]).unwrap(), |doors| doors.look_without_identity = true).unwrap();
    assert_eq!(house.ask("GET", "/api/v1/rig").unwrap().answer().unwrap().status, 200);
    assert_eq!(house.ask("GET", "/").unwrap().answer().unwrap().status, 200);
    for (path, body) in changes() {
        assert_eq!(post(&house, path, &body).answer().unwrap().status, 401, "{path}");
    }
}

#[test]
fn arming_over_the_port_is_a_setting() {
    let house = House::open(PlayDesk::new(&[]).unwrap(), |doors| doors.arm_over_port = true).unwrap();
    let ask = post(&house, "/api/v1/acknowledge", &json!({ "reason": "seen" }));
    assert_eq!(ask.token(house.token("operator")).answer().unwrap().status, 200);
}

#[test]
fn too_many_wrong_tokens_are_told_so_and_lock_nobody_out() {
    let house = house();
    let ask = |token: &str| house.ask("GET", "/api/v1/rig").unwrap().token(token).answer().unwrap();
    let codes: Vec<u16> = (0..12).map(|n| ask(&format!("calwright_{n}")).status).collect();
    assert_eq!(codes[..10], [401; 10]);
    assert_eq!(codes[10..], [429; 2]);
    assert_eq!(ask(house.token("viewer")).status, 200);
}
