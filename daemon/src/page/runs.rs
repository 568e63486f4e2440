//! Runs, newest first.

use super::frame::{Frame, escaped, to_sensor};
use super::text;
use crate::http::api::Asked;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{RunFilter, RunSummary};
use axum::extract::State;
use maud::{Markup, html};
use serde::Deserialize;
use std::sync::Arc;

/// Runs on one page.
const ON_A_PAGE: u32 = 50;

#[derive(Debug, Default, Deserialize)]
pub(super) struct Wanted {
    serial: Option<String>,
    state: Option<String>,
    after: Option<String>,
}

pub(super) async fn page(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Asked(wanted): Asked<Wanted>,
) -> Result<Markup, Problem> {
    let said = |text: &Option<String>| text.clone().filter(|t| !t.trim().is_empty());
    let filter = RunFilter {
        serial: said(&wanted.serial),
        state: said(&wanted.state),
        after: said(&wanted.after),
        limit: Some(ON_A_PAGE),
        ..RunFilter::default()
    };
    let runs = shared.desk.runs(&filter).await?;
    let more = runs.last().filter(|_| runs.len() >= ON_A_PAGE as usize).map(|last| {
        let of = |name: &str, value: &Option<String>| {
            value.as_ref().map_or(String::new(), |v| format!("&{name}={}", escaped(v)))
        };
        format!(
            "/runs?after={}{}{}",
            escaped(&last.run),
            of("serial", &filter.serial),
            of("state", &filter.state)
        )
    });
    Ok(frame.page(
        "Runs",
        &html! {
            h1 { "Runs" }
            form method="get" action="/runs" class="panel inline" role="search" {
                label for="serial" { "Serial" }
                input id="serial" name="serial" value=[filter.serial.as_deref()] maxlength="100";
                label for="state" { "State" }
                select id="state" name="state" {
                    option value="" { "any" }
                    @for state in ["running", "draft", "released", "amended"] {
                        option value=(state) selected[filter.state.as_deref() == Some(state)] { (state) }
                    }
                }
                button { "Show" }
            }
            (table(&frame, &runs))
            @if let Some(more) = more { p { a class="button" href=(more) { "Earlier ones" } } }
        },
    ))
}

/// Runs as a table.
fn table(frame: &Frame, runs: &[RunSummary]) -> Markup {
    html! {
        @if runs.is_empty() { p class="hint" { "There are none." } }
        @else {
            div class="panel scroll" tabindex="0" role="region" aria-label="Runs" {
                table class="list" {
                    thead { tr { th { "Run" } th { "Began" } th { "State" } th { "Ended as" } th { "Sensors" } th class="n" { "Points" } } }
                    tbody {
                        @for run in runs {
                            tr {
                                th scope="row" { a href={ "/runs/" (run.run) } { (run.run) } @if run.simulated { " " span class="badge sim" { "SIMULATED" } } }
                                td { (frame.instant(run.started)) }
                                td { (text::badge(&run.state)) }
                                td {
                                    @if let Some(outcome) = run.outcome { (text::badge(outcome.word())) }
                                    @if let Some(trip) = &run.trip { " " (text::words(trip)) }
                                }
                                td {
                                    @for sensor in &run.sensors {
                                        span class="sensor" {
                                            a href=(to_sensor(&sensor.serial)) { (sensor.serial) }
                                            @if let Some(decision) = sensor.decision { " " (text::badge(decision.word())) }
                                        }
                                    }
                                }
                                td class="n" { (run.points) }
                            }
                        }
                    }
                }
            }
        }
    }
}
