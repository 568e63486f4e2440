//! The database by itself: order of the queue, keys, versions, and what a locked database does.

use super::*;
use crate::serve::words::{Person, RunFilter, Submission, Way};
use std::collections::BTreeMap;
use std::path::Path;

fn submission(name: &str) -> Submission {
    let (job, files) = (String::new(), BTreeMap::new());
    Submission { name: name.to_owned(), job, files, seed: None, faults: None }
}

fn person() -> Person {
    Person { name: "A. Person".to_owned(), roles: [].into(), way: Way::Socket }
}

fn said<'a>(who: &'a Person, what: &'static str) -> Said<'a> {
    Said { at: "2000-01-01T00:00:00Z".parse().unwrap(), who: Some(who), what, detail: "x" }
}

async fn submit(store: &Store, name: &str, key: Option<(&str, &str)>) -> Submitted {
    let submission = submission(name);
    let who = person();
    let new = NewJob {
        submission: &submission,
        by: &who.name,
        serials: &["S-1".to_owned()],
        mounted: "m",
        points: 3,
        rig_s: 1.0,
        key,
    };
    store.submit(&new, &said(&who, "submit")).await.unwrap()
}

async fn opened(folder: &Path) -> Store {
    Store::open(&folder.join("a.sqlite")).await.unwrap()
}

async fn order(store: &Store) -> Vec<i64> {
    store.open_jobs().await.unwrap().iter().map(|j| j.job).collect()
}

#[tokio::test]
async fn the_queue_keeps_its_order_and_places_can_be_changed() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    let who = person();
    for name in ["a", "b", "c", "d"] {
        submit(&store, name, None).await;
    }
    assert_eq!(order(&store).await, [1, 2, 3, 4]);
    assert!(store.move_job(4, 2, &said(&who, "move")).await.unwrap());
    assert_eq!(order(&store).await, [1, 4, 2, 3]);
    assert!(store.move_job(1, 99, &said(&who, "move")).await.unwrap());
    assert_eq!(order(&store).await, [4, 2, 3, 1]);
    assert!(!store.move_job(7, 1, &said(&who, "move")).await.unwrap());
    let cancelled = (StoredStage::Cancelled, Some("why"));
    assert!(store.change_stage(2, &[StoredStage::Waiting], cancelled, None).await.unwrap());
    assert!(!store.change_stage(2, &[StoredStage::Waiting], cancelled, None).await.unwrap());
    assert_eq!(order(&store).await, [4, 3, 1]);
    let audited = store.audited(None, 10).await.unwrap();
    assert_eq!(audited.len(), 6, "what was refused is not in it");
    assert_eq!(store.audited(Some(audited[3].id), 10).await.unwrap().len(), 2);
}

#[tokio::test]
async fn a_key_makes_one_job() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    assert_eq!(submit(&store, "a", Some(("k", "1"))).await, Submitted::New(1));
    assert_eq!(submit(&store, "a", Some(("k", "1"))).await, Submitted::Before(1));
    assert_eq!(submit(&store, "b", Some(("k", "2"))).await, Submitted::KeyUsed);
    assert_eq!(order(&store).await, [1]);
}

#[tokio::test]
async fn a_run_is_begun_once_and_its_job_waits_again_where_nothing_came_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    submit(&store, "a", None).await;
    submit(&store, "b", None).await;
    let serials = ["S-1".to_owned()];
    let begun = BegunRun {
        run: "a-1",
        job: 1,
        name: "a",
        simulated: true,
        started: "2000-01-01T00:00:00Z".parse().unwrap(),
        serials: &serials,
    };
    assert!(store.begin_run(&begun).await.unwrap());
    assert!(!store.begin_run(&BegunRun { run: "a-1.2", ..begun }).await.unwrap(), "it runs already");
    assert_eq!(store.running_runs().await.unwrap(), ["a-1"]);
    store.not_begun("a-1", 1, None).await.unwrap();
    assert_eq!(order(&store).await, [1, 2], "first again");
    assert!(store.list_runs(&RunFilter::default()).await.unwrap().is_empty());
}

#[tokio::test]
async fn a_newer_database_is_refused_by_its_version() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    let newer = "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'later', 1, x'00', 0)";
    sqlx::query(newer).execute(&store.pool).await.unwrap();
    store.close().await;
    let error = Store::open(&dir.path().join("a.sqlite")).await.unwrap_err();
    assert!(matches!(error, OpenError::Newer { found: 9999, known: 3 }), "{error}");
}

#[tokio::test]
async fn a_database_that_another_has_is_an_error_and_no_hang() {
    let dir = tempfile::tempdir().unwrap();
    let (store, other) = (opened(dir.path()).await, opened(dir.path()).await);
    let held = other.pool.begin_with("BEGIN IMMEDIATE").await.unwrap();
    let who = person();
    let refused = store.hold_queue(Some("why"), &said(&who, "hold")).await;
    assert!(matches!(refused, Err(StoreError::Database(_))), "{refused:?}");
    drop(held);
    store.hold_queue(Some("why"), &said(&who, "hold")).await.unwrap();
    assert_eq!(store.queue_held().await.unwrap().as_deref(), Some("why"));
}

#[tokio::test]
async fn a_copy_holds_what_was_there_at_the_moment() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    submit(&store, "a", None).await;
    let copy = dir.path().join("it's a copy.sqlite");
    store.copy_to(&copy).await.unwrap();
    submit(&store, "b", None).await;
    assert!(store.copy_to(&copy).await.is_err(), "nothing is overwritten");
    assert_eq!(order(&Store::open(&copy).await.unwrap()).await, [1]);
}

fn indexed(run: &str, started: &str, certificate: &str, due: &str) -> IndexedRun {
    let calibration = format!(
        "{{\"serial\":\"R-1\",\"make\":\"M\",\"model\":\"N\",\"calibration\":[{{\"certificate\":\"{certificate}\",\"laboratory\":\"L\",\
         \"date\":\"{}\",\"due\":\"{due}\"}}]}}",
        due.replace("20", "19")
    );
    let sensor = "{\"serial\":\"S-1\",\"make\":\"M\",\"model\":\"N\",\"kind\":\"capacitive\",\"nominal_sensitivity\":\"100 mV/g\"}";
    let entry = |kind, serial: &str, version: Option<&str>, text: &str| RegisterEntry {
        kind,
        serial: serial.to_owned(),
        version: version.map(str::to_owned),
        sha256: crate::hash::sha256(text.as_bytes()),
        entry: text.to_owned(),
    };
    IndexedRun {
        run: run.to_owned(),
        job: None,
        name: "a".to_owned(),
        state: "draft".to_owned(),
        simulated: true,
        started: started.parse().unwrap(),
        ended: None,
        outcome: "done".to_owned(),
        trip: None,
        hold: None,
        reference: ("R-1".to_owned(), certificate.to_owned()),
        ambient_sensor: None,
        temperature_degc: None,
        sensors: vec![IndexedSensor {
            serial: "S-1".to_owned(),
            decision: Some("pass".to_owned()),
            channel: None,
            conditioner: None,
            fixture: None,
            points: Vec::new(),
        }],
        registers: vec![
            entry("sensor", "S-1", None, sensor),
            entry("reference", "R-1", Some(certificate), &calibration),
        ],
        used: Vec::new(),
    }
}

#[tokio::test]
async fn registers_hold_each_version_once_with_the_run_that_used_it_first() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    assert!(store.registered_references().await.unwrap().is_empty());
    let runs = [
        indexed("a-1", "2020-01-01T00:00:00Z", "C-1", "2020-12-31"),
        indexed("a-2", "2020-02-01T00:00:00Z", "C-1", "2020-12-31"),
        indexed("a-3", "2021-01-01T00:00:00Z", "C-2", "2021-12-31"),
    ];
    store.index_all(&runs).await.unwrap();
    let references = store.registered_references().await.unwrap();
    let [reference] = &references[..] else { panic!("{references:?}") };
    let seen: Vec<_> = reference
        .calibrations
        .iter()
        .map(|c| (c.certificate.as_str(), c.run.as_str(), c.runs, c.due.as_str()))
        .collect();
    assert_eq!(seen, [("C-1", "a-1", 2, "2020-12-31"), ("C-2", "a-3", 1, "2021-12-31")]);
    let sensors = store.registered_sensors().await.unwrap();
    let [sensor] = &sensors[..] else { panic!("{sensors:?}") };
    assert_eq!((sensor.runs, sensor.versions, sensor.last_run.as_deref()), (3, 1, Some("a-3")));
    // An older run that comes later, as an imported one does, is neither the last nor without a say in what came first.
    store.index(&indexed("b-1", "2019-01-01T00:00:00Z", "C-1", "2020-12-31")).await.unwrap();
    let first = store.registered_references().await.unwrap().remove(0).calibrations.remove(0);
    assert_eq!((first.run.as_str(), first.runs), ("b-1", 3));
    let sensor = store.registered_sensors().await.unwrap().remove(0);
    assert_eq!((sensor.runs, sensor.last_run.as_deref()), (4, Some("a-3")));
    assert_eq!((sensor.kind.as_str(), sensor.last_decision.map(|d| d.word())), ("capacitive", Some("pass")));
}

#[tokio::test]
async fn a_history_is_in_the_order_in_which_the_runs_began() {
    let dir = tempfile::tempdir().unwrap();
    let store = opened(dir.path()).await;
    let started = ["2021-01-01T00:00:00.25Z", "2020-01-01T00:00:00Z", "2021-01-01T00:00:00Z"];
    for (name, started) in std::iter::zip(["a-1", "a-2", "a-3"], started) {
        let mut run = indexed(name, started, "C-1", "2020-12-31");
        run.sensors[0].points = vec![IndexedPoint {
            frequency_hz: 16.0,
            status: "accepted".to_owned(),
            sensitivity: Some(0.05),
            sensitivity_unit: "V/(m/s²)".to_owned(),
            u_rel_percent: Some(0.5),
        }];
        store.index(&run).await.unwrap();
    }
    let history = store.points_of("S-1").await.unwrap();
    assert_eq!(history.iter().map(|p| p.run.as_str()).collect::<Vec<_>>(), ["a-2", "a-3", "a-1"]);
}
