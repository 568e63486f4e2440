//! The index with many runs: how long a person waits for a list, for the runs of one sensor, for its history, and for what was
//! measured with something.

use crate::Figure;
use anyhow::{Context, Result, ensure};
use calwright::serve::store::{IndexedPoint, IndexedRun, IndexedSensor, Store};
use calwright::serve::words::{RunFilter, UsedItem, UsedRole};
use std::future::Future;
use std::time::Instant;

/// Points of each run.
const POINTS: usize = 20;

/// So many runs are of one sensor: a calibration a year for thirty years, with as found and as left.
const OF_ONE: usize = 60;

/// So many runs rest on one calibration of the reference.
const ON_ONE: usize = 500;

/// Every run was measured with this one.
const REFERENCE: &str = "INVENTED-R";

/// Longest time of each, s.
const LIMIT: f64 = 0.05;

/// Runs that are put into the index in one change.
const AT_ONCE: usize = 1000;

/// Times of the slowest of some tries, with so many runs in the index.
///
/// # Errors
/// Of the database.
pub fn speed(runs: usize, tries: usize) -> Result<Vec<Figure>> {
    let folder = tempfile::tempdir()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let store = Store::open(&folder.path().join("index.sqlite")).await?;
        for first in (0..runs).step_by(AT_ONCE) {
            let some: Vec<IndexedRun> = (first..runs.min(first + AT_ONCE)).map(run).collect::<Result<_>>()?;
            store.index_all(&some).await?;
        }
        let serial = serial_of(runs / 2);
        let filtered = RunFilter { serial: Some(serial.clone()), ..RunFilter::default() };
        let newest = RunFilter::default();
        let page = RunFilter { after: Some(name_of(runs / 2)), ..RunFilter::default() };
        ensure!(store.list_runs(&filtered).await?.len() == OF_ONE.min(50), "not all runs of a sensor");
        ensure!(store.points_of(&serial).await?.len() == OF_ONE * POINTS, "not all points of a sensor");
        // The first calibration lies deepest: every run was measured with the same reference.
        let recalled = RunFilter {
            used: Some(REFERENCE.to_owned()),
            calibration: Some(calibration_of(0)),
            limit: Some(500),
            ..RunFilter::default()
        };
        ensure!(store.list_runs(&recalled).await?.len() == ON_ONE.min(runs), "not all runs on a calibration");
        let sample = format!("{runs} runs of {POINTS} points, {OF_ONE} of one sensor, slowest of {tries}");
        let figure = |what: &str, value: f64| Figure {
            what: what.to_owned(),
            value,
            limit: LIMIT,
            unit: "s",
            sample: sample.clone(),
            seeds: Vec::new(),
        };
        Ok(vec![
            figure(
                "list of the newest runs",
                slowest(tries, async || store.list_runs(&newest).await.map(drop)).await?,
            ),
            figure(
                "list from the middle",
                slowest(tries, async || store.list_runs(&page).await.map(drop)).await?,
            ),
            figure(
                "runs of one sensor",
                slowest(tries, async || store.list_runs(&filtered).await.map(drop)).await?,
            ),
            figure(
                "runs on one calibration of a reference that all runs used",
                slowest(tries, async || store.list_runs(&recalled).await.map(drop)).await?,
            ),
            figure(
                "history of one sensor",
                slowest(tries, async || store.points_of(&serial).await.map(drop)).await?,
            ),
        ])
    })
}

#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
async fn slowest<F, E>(tries: usize, what: impl Fn() -> F) -> Result<f64>
where
    F: Future<Output = std::result::Result<(), E>>,
    E: std::error::Error + Send + Sync + 'static,
{
    let mut slowest: f64 = 0.0;
    for _ in 0..tries {
        let begun = Instant::now();
        what().await?;
        slowest = slowest.max(begun.elapsed().as_secs_f64());
    }
    Ok(slowest)
}

fn name_of(n: usize) -> String {
    format!("invented-{n}")
}

/// Sensors come round again and again.
fn serial_of(n: usize) -> String {
    format!("INVENTED-{}", n / OF_ONE)
}

fn calibration_of(n: usize) -> String {
    format!("C-{}", n / ON_ONE)
}

fn used(role: UsedRole, serial: &str, version: Option<String>) -> UsedItem {
    UsedItem { role, serial: serial.to_owned(), version }
}

fn run(n: usize) -> Result<IndexedRun> {
    let started = "2000-01-01T00:00:00Z".parse().ok().context("a time")?;
    let points = (0..POINTS).map(|p| IndexedPoint {
        frequency_hz: 1.0 + p as f64,
        status: "accepted".to_owned(),
        sensitivity: Some(0.05 + n as f64 * 1e-9),
        sensitivity_unit: "V/(m/s²)".to_owned(),
        u_rel_percent: Some(0.6),
    });
    Ok(IndexedRun {
        run: name_of(n),
        job: None,
        name: "invented".to_owned(),
        state: "draft".to_owned(),
        simulated: true,
        started,
        ended: Some(started),
        outcome: "done".to_owned(),
        trip: None,
        hold: None,
        reference: (REFERENCE.to_owned(), calibration_of(n)),
        ambient_sensor: None,
        temperature_degc: Some((22.5, 23.5)),
        sensors: vec![IndexedSensor {
            serial: serial_of(n),
            decision: Some("pass".to_owned()),
            channel: Some("s1".to_owned()),
            conditioner: None,
            fixture: None,
            points: points.collect(),
        }],
        registers: Vec::new(),
        used: vec![
            used(UsedRole::Reference, REFERENCE, Some(calibration_of(n))),
            used(UsedRole::Channel, "s1", None),
            used(UsedRole::Conditioner, "INVENTED-K", Some(calibration_of(n))),
        ],
    })
}
