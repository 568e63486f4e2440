//! How requests are answered: problems, conditional reads, keys, limits.

use super::identity::house;
use serde_json::{Value, json};
use tests::doors::{Ask, House};

fn submission(name: &str) -> Value {
    json!({ "name": name, "job": "plan = \"p.toml\"", "files": { "p.toml": "format = 1" } })
}

fn operator(house: &House, method: &str, path: &str) -> Ask {
    house.ask(method, path).unwrap().token(house.token("operator"))
}

#[test]
fn every_failure_is_a_problem_with_a_code() {
    let house = house();
    let cases = [
        (operator(&house, "GET", "/api/v1/nowhere"), 404, "not_there"),
        (operator(&house, "GET", "/api/v1/jobs/99"), 404, "not_there"),
        (operator(&house, "GET", "/api/v1/jobs/x"), 404, "not_there"),
        (operator(&house, "GET", "/api/v1/runs/..%2f..%2fetc"), 404, "not_there"),
        (operator(&house, "DELETE", "/api/v1/jobs"), 405, "method"),
        (operator(&house, "GET", "/api/v1/stop"), 405, "method"),
        (operator(&house, "GET", "/api/v1/runs?limit=0"), 400, "request"),
        (operator(&house, "GET", "/api/v1/runs?colour=red"), 400, "request"),
        (operator(&house, "GET", "/api/v1/audit?limit=x"), 400, "request"),
        (operator(&house, "GET", "/api/v1/news?since=-1"), 400, "request"),
        (operator(&house, "POST", "/api/v1/jobs").body("text/plain", b"{}"), 415, "media_type"),
        (operator(&house, "POST", "/api/v1/jobs").body("application/json", b"{"), 400, "request"),
        (operator(&house, "POST", "/api/v1/jobs").json(&json!({ "name": "x" })), 422, "input"),
        (
            operator(&house, "POST", "/api/v1/jobs").json(&json!({ "name": "x", "job": "", "files": {} })),
            422,
            "input",
        ),
        (operator(&house, "POST", "/api/v1/jobs/2/move").json(&json!({ "place": 0 })), 422, "input"),
        (
            operator(&house, "POST", "/api/v1/jobs/2/hold").json(&json!({ "reason": "x", "by": "y" })),
            422,
            "input",
        ),
    ];
    for (ask, status, code) in cases {
        let answer = ask.answer().unwrap();
        assert_eq!(answer.problem().unwrap(), (status, code.into()), "{ask:?}");
        assert_eq!(status == 405, answer.header("allow").is_some(), "{ask:?}");
    }
}

#[test]
fn what_a_page_does_not_understand_it_says_as_a_page() {
    let house = house();
    let form = |path| operator(&house, "POST", path).header("Origin", &house.url().unwrap()).form("x=%ff");
    let cases = [
        (operator(&house, "GET", "/audit?before=x"), 400),
        (operator(&house, "GET", "/sensors/s?at=x"), 400),
        (operator(&house, "GET", "/runs/r/points/x"), 404),
        (form("/do/jobs/x/hold"), 404),
        (form("/login"), 400),
    ];
    for (ask, status) in cases {
        let answer = ask.answer().unwrap();
        assert_eq!(answer.status, status, "{ask:?}");
        let text = answer.text();
        assert!(text.contains("<h1>") && text.contains("To the rig"), "{ask:?}: {text}");
    }
}

#[test]
fn a_body_that_is_too_large_is_refused() {
    let house = house();
    let mut large = submission("large");
    large["job"] = json!("x".repeat(5 << 20));
    let answer = operator(&house, "POST", "/api/v1/jobs").json(&large).answer().unwrap();
    assert_eq!(answer.problem().unwrap(), (413, "too_large".into()));
}

#[test]
fn a_submission_that_is_sent_again_is_the_same_job() {
    let house = house();
    let submit = |key: &str, body: &Value| {
        operator(&house, "POST", "/api/v1/jobs").header("Idempotency-Key", key).json(body).answer().unwrap()
    };
    let first = submit("a1", &submission("x"));
    assert_eq!(first.status, 201);
    let number = first.json()["job"].clone();
    assert_eq!(first.header("location"), Some(format!("/api/v1/jobs/{number}").as_str()));
    assert_eq!(submit("a1", &submission("x")).json()["job"], number);
    assert_eq!(submit("a1", &submission("y")).problem().unwrap(), (422, "key_used".into()));
    assert_ne!(submit("a2", &submission("x")).json()["job"], number);
    for odd in ["", "two words", &"k".repeat(129)] {
        assert_eq!(submit(odd, &submission("x")).problem().unwrap(), (400, "request".into()), "{odd:?}");
    }
}

#[test]
fn what_did_not_change_is_not_sent_again() {
    let house = house();
    let ask = || operator(&house, "GET", "/api/v1/jobs");
    let first = ask().answer().unwrap();
    let tag = first.header("etag").unwrap().to_owned();
    let again = ask().header("If-None-Match", &tag).answer().unwrap();
    assert_eq!((again.status, again.body.len()), (304, 0));
    assert_eq!(again.header("etag"), Some(tag.as_str()));
    operator(&house, "POST", "/api/v1/jobs").json(&submission("new")).answer().unwrap();
    let changed = ask().header("If-None-Match", &tag).answer().unwrap();
    assert_eq!(changed.status, 200);
    assert_ne!(changed.header("etag"), Some(tag.as_str()));
}

#[test]
fn whatever_watches_the_daemon_needs_no_identity_to_see_that_it_lives() {
    let house = house();
    for path in ["/health", "/ready"] {
        assert_eq!(house.ask("GET", path).unwrap().answer().unwrap().status, 200);
    }
    let metrics = operator(&house, "GET", "/metrics").answer().unwrap();
    assert!(metrics.header("content-type").unwrap().starts_with("text/plain; version=0.0.4"));
    let text = metrics.text();
    assert!(text.contains("# TYPE calwright_tripped gauge\ncalwright_tripped 0\n"), "{text}");
    assert!(text.contains("calwright_jobs{stage=\"held\"} 1\n"), "{text}");
    assert!(text.contains("\ncalwright_database_up 1\n"), "{text}");
    assert!(text.contains("# TYPE calwright_trips_total counter\ncalwright_trips_total 2\n"), "{text}");
    assert!(text.contains("\ncalwright_runs_total{outcome=\"done\"} 0\n"), "what is not counted yet is 0");
    assert!(text.contains("\ncalwright_disk_free_bytes 1073741824\n") && !text.contains("notices"), "{text}");
}

#[test]
fn without_its_database_the_daemon_lives_is_not_ready_and_still_tells_of_the_rig() {
    let house = house();
    house.desk.set_away(true);
    let status = |path| house.ask("GET", path).unwrap().answer().unwrap().status;
    assert_eq!((status("/health"), status("/ready")), (200, 503));
    let metrics = operator(&house, "GET", "/metrics").answer().unwrap();
    assert_eq!(metrics.status, 200);
    let text = metrics.text();
    assert!(text.contains("\ncalwright_tripped 0\n"), "{text}");
    assert!(text.contains("\ncalwright_database_up 0\n") && !text.contains("calwright_jobs"), "{text}");
    house.desk.set_away(false);
    assert_eq!(status("/ready"), 200);
}

#[test]
fn the_description_names_every_route_that_there_is() {
    let house = house();
    let answer = operator(&house, "GET", "/api/v1/openapi.json").answer().unwrap();
    let document = answer.json();
    assert_eq!(document["openapi"], "3.1.0");
    let paths = document["paths"].as_object().unwrap();
    assert_eq!(paths.len(), 24, "{:?}", paths.keys());
    for (path, item) in paths {
        for (method, operation) in item.as_object().unwrap() {
            let concrete = path.replace("{job}", "2").replace("{run}", "r").replace("{name}", "n");
            let method = method.to_uppercase();
            let nobody = house.ask(&method, &concrete.replace("{serial}", "s")).unwrap().answer().unwrap();
            let open = path.ends_with("/stop");
            assert_eq!(nobody.status, if open { 200 } else { 401 }, "{method} {path}");
            assert!(operation["responses"]["500"].is_object(), "{method} {path}");
        }
    }
}
