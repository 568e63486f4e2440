//! One point of a run: its budgets, its waveforms and what the fit leaves over, from the raw files, fitted again.

use super::frame::Frame;
use super::text::{self, digits, frequency};
use super::{budget, residual, waves};
use crate::http::api::Part;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::record::RunRecord;
use crate::record::journal::{Journal, PointEntry, What};
use crate::record::raw::Raw;
use crate::serve::desk::RunFile;
use axum::extract::State;
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::sync::Arc;

pub(super) async fn page(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Part((run, point)): Part<(String, u64)>,
) -> Result<Markup, Problem> {
    let summary = shared.desk.run(&run).await?;
    let record = shared.desk.file(&run, "run.json").await?;
    let journal = shared.desk.file(&run, "journal.jsonl").await?;
    let entries = blocking(move || entries(&journal, point)).await?;
    if entries.is_empty() {
        return Err(Problem::new(Code::NotThere, format!("run '{run}' did not measure point {point}")));
    }
    let reference = blocking(move || reference(&record)).await?;
    let mut parts = Vec::new();
    for entry in entries {
        let file = shared.desk.file(&run, &format!("raw/{}.parquet", entry.raw_sha256)).await?;
        parts.push(blocking(move || part(&entry, &file, reference)).await?);
    }
    // A run that goes on or was cut off has no result, and no budgets.
    let budgets = shared.desk.result(&run).await.ok().map(|result| budget::of_point(&result, point));
    let draft = summary.state == "draft";
    Ok(frame.marked(&format!("Point {point} of {run}"), draft, &html! {
        h1 { "Point " (point) " " span class="number" { a href={ "/runs/" (run) } { (run) } } }
        @if let Some(budgets) = budgets { (budgets) }
        p class="hint" {
            "Each channel as recorded, and what is left of it after offset, drift, fundamental, harmonics and what else the run fitted. "
            "Of many samples the extremes are drawn."
        }
        @for part in &parts { (part) }
    }))
}

/// Reads and fits apart from what answers others.
async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, String> + Send + 'static,
) -> Result<T, Problem> {
    let done = tokio::task::spawn_blocking(work).await;
    let why = match done {
        Ok(Ok(done)) => return Ok(done),
        Ok(Err(why)) => why,
        Err(error) => error.to_string(),
    };
    tracing::error!(why, "waveforms of a run can't be shown");
    Err(Problem::new(Code::Environment, "the records of this run can't be read; the daemon's log says more"))
}

fn bytes(file: &RunFile) -> Result<Vec<u8>, String> {
    fs::read(&file.path).map_err(|error: io::Error| format!("{}: {error}", file.path.display()))
}

/// Measurements of a point, repeats and closing look included.
fn entries(journal: &RunFile, point: u64) -> Result<Vec<PointEntry>, String> {
    let journal = Journal::read(&bytes(journal)?)?;
    let measured = journal.entries.into_iter().filter_map(|entry| match entry.what {
        What::Point(measured) if measured.point == point => Some(measured),
        _ => None,
    });
    Ok(measured.collect())
}

/// Points that were measured so far, each with its frequency, in the order of their numbers.
pub(super) async fn measured(journal: RunFile) -> Result<BTreeMap<u64, f64>, Problem> {
    blocking(move || {
        let journal = Journal::read(&bytes(&journal)?)?;
        let measured = journal.entries.iter().filter_map(|entry| match &entry.what {
            What::Point(measured) => Some((measured.point, measured.applied_frequency_hz)),
            _ => None,
        });
        Ok(measured.collect())
    })
    .await
}

/// Column of the reference.
fn reference(record: &RunFile) -> Result<usize, String> {
    let record: RunRecord = serde_json::from_slice(&bytes(record)?).map_err(|e| e.to_string())?;
    Ok(record.job().map_err(|e| e.to_string())?.reference.column)
}

fn part(entry: &PointEntry, file: &RunFile, reference: usize) -> Result<Markup, String> {
    let raw = Raw::decode(bytes(file)?).map_err(|e| e.to_string())?;
    let fitted = residual::fit(&raw, reference);
    let what = match (entry.closing, entry.repeat) {
        (true, _) => "Once more at the end".to_owned(),
        (false, 1) => "Measurement".to_owned(),
        (false, n) => format!("Repeat {}", n - 1),
    };
    Ok(html! {
        section class="panel" {
            h2 { (what) " at " (frequency(entry.applied_frequency_hz)) " Hz" }
            p class="facts" {
                "Drive " (text::volts(entry.drive_v_peak, 4)) " peak · settled in " (text::decimals(entry.settle_s, 2)) " s"
                @if let Ok(fitted) = &fitted { " · fitted at " (digits(fitted.estimate.frequency.si(), 8)) " Hz" }
                @if let Some(t) = entry.temperature_degc { " · " (text::decimals(t, 1)) " °C" }
            }
            @if let Err(why) = &fitted { p class="wrong" { "It can't be fitted: " (why) } }
            @for (channel, (name, samples)) in std::iter::zip(&raw.names, &raw.columns).enumerate() {
                (channel_part(name, samples, channel, &fitted))
            }
        }
    })
}

fn channel_part(
    name: &str,
    samples: &[f32],
    channel: usize,
    fitted: &Result<residual::Fitted, String>,
) -> Markup {
    let Ok(fitted) = fitted else { return html! {} };
    let signal: Vec<f64> = samples.iter().map(|v| f64::from(*v)).collect();
    let estimate = fitted.estimate.channels.get(channel);
    let left = fitted.residual(samples, channel);
    html! {
        h3 { (name) }
        @if let Some(estimate) = estimate {
            p class="facts" {
                "Fundamental " (text::volts(estimate.peak().si(), 5)) " peak"
                " · residual " (text::volts(estimate.residual_rms.si(), 3)) " rms"
                @if let Some(thd) = estimate.thd { " · harmonics " (digits(thd * 100.0, 3)) " %" }
                " · signal to noise " (text::decimals(estimate.snr_db, 1)) " dB"
            }
        }
        div class="pair" {
            @if let Some(wave) = waves::drawn(&signal, fitted.rate_hz, &format!("{name}: as recorded")) {
                figure { figcaption { "As recorded" } (wave) }
            }
            @if let Some(wave) = left.and_then(|left| waves::drawn(&left, fitted.rate_hz, &format!("{name}: residual"))) {
                figure { figcaption { "Residual" } (wave) }
            }
        }
    }
}
