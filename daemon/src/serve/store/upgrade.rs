//! A database of an older program, opened by this one: copied, brought forward, nothing of it lost; and what it can't know yet.

use super::*;
use crate::serve::words::{RunFilter, UsedItem, UsedRole};
use sqlx::sqlite::SqliteConnectOptions;
use std::path::Path;

/// What was in the tables of version 1: a table, and how many rows it had.
const ROWS: [(&str, i64); 9] = [
    ("SELECT count(*) FROM jobs", 2),
    ("SELECT count(*) FROM runs WHERE run = 'invented-1' AND reference_calibration = 'C-1'", 1),
    ("SELECT count(*) FROM run_sensors WHERE conditioner = 'INVENTED-K' AND fixture = 'plate'", 1),
    ("SELECT count(*) FROM points", 2),
    ("SELECT count(*) FROM points WHERE sensitivity = 0.05 AND status = 'accepted'", 1),
    ("SELECT count(*) FROM registers WHERE version = 'C-1'", 1),
    ("SELECT count(*) FROM audit WHERE who = 'A. Person'", 1),
    ("SELECT count(*) FROM keys WHERE job = 1", 1),
    ("SELECT count(*) FROM house WHERE key = 'held'", 1),
];

/// Every version that a program made, the present one last.
const DUMPS: [&str; 3] =
    [include_str!("schemas/0001.sql"), include_str!("schemas/0002.sql"), include_str!("schemas/0003.sql")];

async fn of_dump(path: &Path, dump: &'static str) {
    let options = SqliteConnectOptions::new().filename(path).create_if_missing(true).foreign_keys(false);
    let pool = SqlitePool::connect_with(options).await.unwrap();
    sqlx::raw_sql(dump).execute(&pool).await.unwrap();
    pool.close().await;
}

async fn old(path: &Path) {
    of_dump(path, DUMPS[0]).await;
}

/// Tables and indices as they are written, but for those of the library that brings them forward.
async fn layout(pool: &SqlitePool) -> Vec<(String, String)> {
    let query =
        "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE '%sql%' ORDER BY name";
    sqlx::query_as(query).fetch_all(pool).await.unwrap()
}

#[tokio::test]
async fn every_version_that_there_was_comes_out_as_the_present_one_with_its_rows() {
    let dir = tempfile::tempdir().unwrap();
    let new = Store::open(&dir.path().join("new.sqlite")).await.unwrap();
    let version: i64 =
        sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations").fetch_one(&new.pool).await.unwrap();
    assert_eq!(version, DUMPS.len() as i64, "a new migration wants a dump of what it makes");
    let wanted = layout(&new.pool).await;
    assert!(wanted.len() > 10, "{wanted:?}");
    for (n, dump) in DUMPS.into_iter().enumerate() {
        let path = dir.path().join(format!("{n}.sqlite"));
        of_dump(&path, dump).await;
        let store = Store::open(&path).await.unwrap();
        keeps_its_rows(&store.pool).await;
        assert_eq!(layout(&store.pool).await, wanted, "of version {}", n + 1);
        for (table, since) in [("used", 1), ("versions", 2)] {
            let query = sqlx::AssertSqlSafe(format!("SELECT count(*) FROM {table}"));
            let rows: i64 = sqlx::query_scalar(query).fetch_one(&store.pool).await.unwrap();
            assert_eq!(rows > 0, n >= since, "{table} of version {}", n + 1);
        }
        store.close().await;
    }
}

async fn keeps_its_rows(pool: &SqlitePool) {
    for (query, rows) in ROWS {
        let found: i64 = sqlx::query_scalar(query).fetch_one(pool).await.unwrap();
        assert_eq!(found, rows, "{query}");
    }
}

#[tokio::test]
async fn a_database_of_version_1_is_copied_and_brought_forward() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.sqlite");
    old(&path).await;
    std::fs::write(dir.path().join("a.before-3.sqlite"), "of a try that failed").unwrap();
    let store = Store::open(&path).await.unwrap();
    keeps_its_rows(&store.pool).await;
    assert_eq!(store.queue_held().await.unwrap().as_deref(), Some("somebody looks at the rig"));
    assert_eq!(store.list_runs(&RunFilter::default()).await.unwrap().len(), 1);
    // The next job takes the next number, not one that was used.
    let next: i64 = sqlx::query_scalar("SELECT seq FROM sqlite_sequence WHERE name = 'jobs'")
        .fetch_one(&store.pool)
        .await
        .unwrap();
    assert_eq!(next, 2);
    store.close().await;

    let failed = std::fs::read_to_string(dir.path().join("a.before-3.sqlite")).unwrap();
    assert_eq!(failed, "of a try that failed", "no copy is overwritten");
    let copy = dir.path().join("a.before-3.2.sqlite");
    let pool = SqlitePool::connect_with(SqliteConnectOptions::new().filename(&copy)).await.unwrap();
    keeps_its_rows(&pool).await;
    let tables = "SELECT count(*) FROM sqlite_master WHERE name = 'used'";
    let found: i64 = sqlx::query_scalar(tables).fetch_one(&pool).await.unwrap();
    assert_eq!(found, 0, "the copy is of before");
    pool.close().await;

    std::fs::remove_file(&copy).unwrap();
    Store::open(&path).await.unwrap().close().await;
    assert!(!copy.exists(), "opened again there is nothing to do");
}

#[tokio::test]
async fn what_old_runs_used_is_known_once_the_index_is_made_again() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.sqlite");
    let new = Store::open(&path).await.unwrap();
    assert!(!new.needs_reindex().await.unwrap(), "a new one lacks nothing");
    new.close().await;

    let path = dir.path().join("b.sqlite");
    old(&path).await;
    let store = Store::open(&path).await.unwrap();
    assert!(store.needs_reindex().await.unwrap());
    let item = |role, serial: &str, version: Option<&str>| UsedItem {
        role,
        serial: serial.to_owned(),
        version: version.map(str::to_owned),
    };
    let used = vec![
        item(UsedRole::Conditioner, "INVENTED-K", Some("C-1")),
        item(UsedRole::Conditioner, "INVENTED-K", Some("due 2000-03-31")),
        item(UsedRole::Fixture, "plate", None),
    ];
    let run = |name: &str, started: &str, used: &[UsedItem]| IndexedRun {
        run: name.to_owned(),
        job: None,
        name: "invented".to_owned(),
        state: "draft".to_owned(),
        simulated: true,
        started: started.parse().unwrap(),
        ended: None,
        outcome: "interrupted".to_owned(),
        trip: None,
        hold: None,
        reference: ("INVENTED-R".to_owned(), "C-1".to_owned()),
        ambient_sensor: None,
        temperature_degc: None,
        sensors: Vec::new(),
        registers: Vec::new(),
        used: used.to_vec(),
    };
    store.index(&run("invented-1", "2000-01-01T09:00:00Z", &used)).await.unwrap();
    store.index(&run("invented-1", "2000-01-01T09:00:00Z", &used)).await.unwrap();
    store.index(&run("invented-2", "2000-01-02T23:59:59.9Z", &used[1..])).await.unwrap();
    store.reindexed().await.unwrap();
    assert!(!store.needs_reindex().await.unwrap());

    let text = |t: &str| Some(t.to_owned());
    let asked = RunFilter { used: text("INVENTED-K"), ..RunFilter::default() };
    let names = async |filter: RunFilter| {
        let runs = store.list_runs(&filter).await.unwrap();
        runs.iter().map(|run| format!("{} {}", run.run, run.used.len())).collect::<Vec<_>>().join(", ")
    };
    assert_eq!(names(asked.clone()).await, "invented-2 1, invented-1 2", "put in twice, it is there once");
    assert_eq!(names(RunFilter { limit: Some(1), ..asked.clone() }).await, "invented-2 1");
    assert_eq!(names(RunFilter { after: text("invented-2"), ..asked.clone() }).await, "invented-1 2");
    assert_eq!(names(RunFilter { calibration: text("C-1"), ..asked.clone() }).await, "invented-1 1");
    assert_eq!(names(RunFilter { role: Some(UsedRole::Channel), ..asked.clone() }).await, "");
    assert_eq!(names(RunFilter { state: text("released"), ..asked.clone() }).await, "");
    assert_eq!(names(RunFilter { serial: text("INVENTED-1"), ..asked.clone() }).await, "");
    assert_eq!(names(RunFilter { since: text("2000-01-02"), ..asked.clone() }).await, "invented-2 1");
    assert_eq!(
        names(RunFilter { until: text("2000-01-02"), ..asked.clone() }).await,
        "invented-2 1, invented-1 2"
    );
    assert_eq!(names(RunFilter { until: text("2000-01-01"), ..asked }).await, "invented-1 2");
    let days = RunFilter { until: text("2000-01-01"), ..RunFilter::default() };
    assert_eq!(names(days).await, "invented-1 0", "days are asked for by themselves too");
    store.forget("invented-1").await.unwrap();
    let plate = RunFilter { used: text("plate"), ..RunFilter::default() };
    assert_eq!(names(plate).await, "invented-2 1", "what is forgotten takes along what it used");
}
