//! What one sensor showed over the years.

use super::deviations::drawn;
use super::drift;
use super::frame::{Frame, escaped, to_sensor};
use super::text;
use crate::certificate::plot::{Figure, Mark};
use crate::http::api::{Asked, Part};
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::record::UtcTime;
use crate::serve::words::{HistoryPoint, RunFilter};
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Runs that are looked through for sensors to offer.
const LATELY: u32 = 100;

/// Runs of a sensor that are shown as rows.
const SHOWN: usize = 200;

#[derive(Debug, Default, Deserialize)]
pub(super) struct Search {
    serial: Option<String>,
}

/// Finds a sensor by its serial, or offers those that were measured lately.
pub(super) async fn search(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Asked(asked): Asked<Search>,
) -> Result<Response, Problem> {
    if let Some(serial) = asked.serial.as_deref().map(str::trim).filter(|s| !s.is_empty()) {
        return Ok(Redirect::to(&to_sensor(serial)).into_response());
    }
    let lately = RunFilter { limit: Some(LATELY), ..RunFilter::default() };
    let runs = shared.desk.runs(&lately).await?;
    let serials: BTreeSet<&str> = runs.iter().flat_map(|r| &r.sensors).map(|s| s.serial.as_str()).collect();
    Ok(frame.page("Sensors", &html! {
        h1 { "Sensors" }
        form method="get" action="/sensors" class="panel inline" role="search" {
            label for="serial" { "Serial" }
            input id="serial" name="serial" required maxlength="100";
            button { "Show" }
        }
        section class="panel" {
            h2 { "Measured lately" }
            @if serials.is_empty() { p class="hint" { "None yet." } }
            ul class="files" { @for serial in serials { li { a href=(to_sensor(serial)) { (serial) } } } }
        }
    }).into_response())
}

/// At which frequency the drift is wanted.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Drift {
    at: Option<f64>,
}

pub(super) async fn page(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Part(serial): Part<String>,
    Asked(drift): Asked<Drift>,
) -> Result<Markup, Problem> {
    let points = shared.desk.history(&serial).await?;
    let mut runs: Vec<(&str, UtcTime, bool, &str)> = Vec::new();
    for point in &points {
        if runs.last().is_none_or(|last| last.0 != point.run) {
            runs.push((&point.run, point.started, point.simulated, &point.reference));
        }
    }
    // Where the rig itself is simulated the page says so already.
    let on_real = frame.rig.as_ref().is_some_and(|rig| !rig.simulated);
    let simulated = on_real && points.iter().any(|p| p.simulated);
    Ok(frame.page(&serial, &html! {
        h1 { "Sensor " (serial) }
        @if simulated { p class="mark simulated" { strong { "SIMULATED" } " Runs on simulated rigs are shown here as what they are; they are no history." } }
        section class="panel" {
            h2 { "Latest sensitivity over frequency" }
            @match runs.last().and_then(|last| latest(&points, last.0)) {
                Some(plot) => figure { (plot) },
                None => p class="hint" { "There is none." },
            }
        }
        (drift_part(&frame, &shared, &serial, &points, drift.at))
        (table(&frame, &serial, &points, &runs))
    }))
}

/// How it moved from run to run; on a real rig simulated runs are no history.
fn drift_part(
    frame: &Frame,
    shared: &Shared,
    serial: &str,
    points: &[HistoryPoint],
    at: Option<f64>,
) -> Markup {
    let on_real = frame.rig.as_ref().is_some_and(|rig| !rig.simulated);
    let counted: Vec<HistoryPoint> = points.iter().filter(|p| !(on_real && p.simulated)).cloned().collect();
    let (frequencies, usual) = drift::frequencies(&counted);
    let at = at.filter(|f| frequencies.iter().any(|known| known.total_cmp(f).is_eq())).or(usual);
    html! {
        section class="panel" {
            h2 { "Drift" }
            @if let Some(at) = at {
                form method="get" action=(to_sensor(serial)) class="inline" {
                    label for="at" { "Frequency" }
                    select id="at" name="at" {
                        @for f in &frequencies { option value=(f) selected[f.total_cmp(&at).is_eq()] { (text::frequency(*f)) " Hz" } }
                    }
                    button { "Show" }
                }
                @match drift::drawn(&counted, at, &shared.zone) {
                    Some(plot) => figure {
                        figcaption { "Change of the sensitivity at " (text::frequency(at)) " Hz since the first run, with expanded uncertainty" }
                        (plot)
                    },
                    None => p class="hint" { "It was measured once at this frequency: a second run shows whether it drifts." },
                }
            } @else { p class="hint" { "There is no accepted point yet." } }
        }
    }
}

fn latest(points: &[HistoryPoint], run: &str) -> Option<Markup> {
    let of: Vec<&HistoryPoint> = points.iter().filter(|p| p.run == run).collect();
    let (scale, unit) = readable(&of.first()?.sensitivity_unit);
    let bar = |p: &HistoryPoint| p.u_rel_percent.map(|u| p.sensitivity * scale * u / 100.0);
    drawn(&Figure {
        x_label: "Frequency in Hz".to_owned(),
        y_label: format!("Sensitivity in {unit}"),
        marks: of
            .iter()
            .map(|p| Mark { frequency_hz: p.frequency_hz, value: p.sensitivity * scale, uncertainty: bar(p) })
            .collect(),
        tolerance: Vec::new(),
        lost_hz: Vec::new(),
        decimal_mark: '.',
    })
}

/// The unit with the prefix that leaves few digits, and its factor.
pub(super) fn readable(unit: &str) -> (f64, String) {
    match unit.chars().next() {
        Some('V') => (1e3, format!("m{unit}")),
        Some('C') => (1e12, format!("p{unit}")),
        Some('(') => (1e3, unit.replacen("(V", "(mV", 1)),
        _ => (1.0, unit.to_owned()),
    }
}

/// A row a run, a column a frequency: how a sensor drifts is read down a column.
fn table(
    frame: &Frame,
    serial: &str,
    points: &[HistoryPoint],
    runs: &[(&str, UtcTime, bool, &str)],
) -> Markup {
    let (frequencies, _) = drift::frequencies(points);
    let mut by_place: BTreeMap<(&str, u64), &HistoryPoint> = BTreeMap::new();
    for point in points {
        by_place.entry((&point.run, point.frequency_hz.to_bits())).or_insert(point);
    }
    let at = |run: &str, f: f64| by_place.get(&(run, f.to_bits())).copied();
    let unit = points.first().map_or("", |p| p.sensitivity_unit.as_str());
    html! {
        section class="panel" {
            h2 { "Sensitivity in " (unit) ", with expanded uncertainty in %" }
            div class="scroll" tabindex="0" role="region" aria-label="History" {
                table class="list" {
                    thead { tr {
                        th { "Run" } th { "Began" } th { "Reference's calibration" }
                        @for f in &frequencies { th class="n" { (text::frequency(*f)) " Hz" } }
                    } }
                    tbody {
                        @for (run, started, simulated, reference) in runs.iter().rev().take(SHOWN) {
                            tr {
                                th scope="row" { a href={ "/runs/" (run) } { (run) } @if *simulated { " " span class="badge sim" { "SIMULATED" } } }
                                td { (frame.instant(*started)) }
                                td { (reference) }
                                @for f in &frequencies {
                                    td class="n" { @if let Some(p) = at(run, *f) {
                                        (text::digits(p.sensitivity, 5)) @if let Some(u) = p.u_rel_percent { br; span class="hint" { "± " (text::decimals(u, 2)) " %" } }
                                    } @else { (text::NONE) } }
                                }
                            }
                        }
                    }
                }
            }
            @if runs.len() > SHOWN {
                p class="hint" { "The last " (SHOWN) " of " (runs.len()) " runs. " a href={ "/runs?serial=" (escaped(serial)) } { "All of them" } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::readable;
    use crate::record::words::SensitivityUnit;

    #[test]
    fn every_unit_has_a_prefix_that_fits() {
        let units: Vec<String> = SensitivityUnit::ALL.iter().map(|u| readable(u.word()).1).collect();
        assert_eq!(units, ["mV/(m/s²)", "pC/(m/s²)", "(mV/V)/(m/s²)"]);
    }
}
