//! One run: how it went, results and plots of each sensor, release, files.

use super::deviations::drawn;
use super::frame::{Frame, escaped, to_sensor};
use super::point;
use super::text::{self, decimals_of, digits_of, frequency};
use crate::certificate::data as certificate;
use crate::certificate::plot::{Figure, Mark};
use crate::http::api::Part;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::record::result::{PointRecord, SensorRecord};
use crate::record::words::{Outcome, PointStatus};
use crate::record::{ResultRecord, RunRecord};
use crate::release::manifest::RELEASE;
use crate::serve::desk::{Refusal, RunFile};
use crate::serve::words::{Role, RunSummary};
use axum::extract::State;
use maud::{Markup, PreEscaped, html};
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use std::collections::BTreeMap;
use std::sync::Arc;

pub(super) async fn page(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Part(name): Part<String>,
) -> Result<Markup, Problem> {
    let run = shared.desk.run(&name).await?;
    let result = match shared.desk.result(&name).await {
        Ok(result) => Some(result),
        // A run that goes on or was cut off has none.
        Err(Refusal::NotThere(_) | Refusal::State(_)) => None,
        Err(refusal) => return Err(refusal.into()),
    };
    let draft = run.state == "draft";
    let drawn = match &result {
        Some(result) => Some(drawn_lately(&shared, &run, result).await?),
        None => None,
    };
    Ok(frame.marked(
        &run.run,
        draft,
        &html! {
            h1 { (run.name) " " span class="number" { (run.run) } }
            (about(&frame, &run, result.as_deref()))
            @if let Some(drawn) = &drawn { (PreEscaped(drawn.as_str())) } @else {
                (without_result(&run, &so_far(&shared, &run).await))
                (files_part(&run, &files(&shared, &run, None).await))
            }
        },
    ))
}

/// Points that a run without a result has measured all the same.
async fn so_far(shared: &Shared, run: &RunSummary) -> BTreeMap<u64, f64> {
    match shared.desk.file(&run.run, "journal.jsonl").await {
        // What can't be read is said in the log, and where a point is asked for.
        Ok(journal) => point::measured(journal).await.unwrap_or_default(),
        Err(_) => BTreeMap::new(),
    }
}

fn without_result(run: &RunSummary, measured: &BTreeMap<u64, f64>) -> Markup {
    html! {
        section class="panel" {
            p { "There is no result: the run goes on, or was cut off." }
            @if !measured.is_empty() {
                h2 { "Points measured so far" }
                ul class="files" {
                    @for (number, hz) in measured {
                        li { a href={ "/runs/" (run.run) "/points/" (number) } { (frequency(*hz)) " Hz" } }
                    }
                }
            }
        }
    }
}

/// What is the same for everybody who looks: plots and tables, drawn apart from what answers others and kept for a moment.
async fn drawn_lately(
    shared: &Shared,
    run: &RunSummary,
    result: &Arc<ResultRecord>,
) -> Result<Arc<String>, Problem> {
    let key = format!("{}/{}", run.run, run.state);
    let begun = match shared.drawn.get(&key) {
        Ok(drawn) => return Ok(drawn),
        Err(begun) => begun,
    };
    let files = files(shared, run, Some(result)).await;
    let record = shared.desk.file(&run.run, "run.json").await.ok();
    let (run, result) = (run.clone(), result.clone());
    let drawn = tokio::task::spawn_blocking(move || {
        let job = record.and_then(|file| planned(&file));
        let tolerance = |serial: &str| job.as_ref().map(|job| tolerance(job, serial)).unwrap_or_default();
        let drawn = html! {
            @for sensor in &result.sensors { (sensor_part(&run.run, sensor, &tolerance(&sensor.serial))) }
            (witnesses(&result))
            (files_part(&run, &files))
        };
        drawn.into_string()
    });
    let drawn = drawn.await.map_err(|error| {
        tracing::error!(%error, "a run can't be drawn");
        Problem::new(Code::Program, "a mistake in the program; the daemon's log says more")
    })?;
    Ok(shared.drawn.put(begun, &key, drawn))
}

/// What was planned; `None` where that can't be read any more.
fn planned(record: &RunFile) -> Option<ResolvedJob> {
    let bytes = std::fs::read(&record.path).ok()?;
    serde_json::from_slice::<RunRecord>(&bytes).ok()?.job().ok()
}

/// Tolerances of a sensor at the run's points, frequency and percent: its own, else the plan's.
fn tolerance(job: &ResolvedJob, serial: &str) -> Vec<(f64, f64)> {
    let mounted = job.sensors.iter().find(|mounted| mounted.sensor.serial == serial);
    let of = |p: &ResolvedPoint| {
        let allowed = mounted.map_or(p.tolerance, |mounted| mounted.tolerance_at(p));
        Some((p.frequency.si(), allowed?.percent()))
    };
    let mut tolerance: Vec<(f64, f64)> = job.points.iter().filter_map(of).collect();
    tolerance.sort_by(|a, b| a.0.total_cmp(&b.0));
    tolerance
}

fn about(frame: &Frame, run: &RunSummary, result: Option<&ResultRecord>) -> Markup {
    let may_resume = frame.may(Role::Operator)
        && matches!(
            run.outcome,
            Some(Outcome::Interrupted | Outcome::Tripped | Outcome::Failed | Outcome::Cancelled)
        );
    html! {
        section class="panel" aria-label="The run" {
            dl class="facts" {
                div { dt { "State" } dd { (text::badge(&run.state)) @if run.simulated { " " span class="badge sim" { "SIMULATED" } } } }
                @if let Some(outcome) = run.outcome { div { dt { "Ended as" } dd { (text::badge(outcome.word())) } } }
                div { dt { "Began" } dd { (frame.instant(run.started)) } }
                @if let Some(ended) = run.ended { div { dt { "Ended" } dd { (frame.instant(ended)) } } }
                @if let Some(result) = result { (more(result)) }
            }
            @if let Some(trip) = result.and_then(|r| r.trip.as_ref()) {
                p class="wrong" { strong { "Trip " (trip.id) ": " (text::words(trip.reason.word())) } " · " (trip.message) }
            }
            @if let Some(hold) = result.and_then(|r| r.hold.as_ref()) { p class="wrong" { "Held back: " (hold) } }
            div class="actions" {
                @if may_resume {
                    form method="post" action={ "/do/runs/" (run.run) "/resume" } { (frame.hidden()) button { "Resume at its first missing point" } }
                }
                @if run.state == "draft" && frame.may(Role::Approver) {
                    details {
                        summary { "Release …" }
                        form method="post" action={ "/do/runs/" (run.run) "/approve" } class="inline" {
                            (frame.hidden())
                            p { "Released as " strong { (frame.person.as_ref().map_or("", |p| p.name.as_str())) } ": it gets its numbers, is signed, and entered in the ledger. That can't be taken back." }
                            button class="first" { "Release" }
                        }
                    }
                }
            }
        }
    }
}

fn more(result: &ResultRecord) -> Markup {
    let ambient = result.ambient.as_ref();
    html! {
        div { dt { "Time on the rig" } dd { (text::lasts(result.rig_s)) ", of it measured " (text::lasts(result.measured_s)) } }
        div { dt { "Reference" } dd { (result.reference.serial) ", calibration " (result.reference.calibration) } }
        @if let Some(a) = ambient {
            div { dt { "Ambient" } dd {
                (decimals_of(a.temperature_degc_min, 1)) " to " (decimals_of(a.temperature_degc_max, 1)) " °C, "
                (decimals_of(a.humidity_percent_min, 0)) " to " (decimals_of(a.humidity_percent_max, 0)) " % relative humidity"
            } }
        }
        div { dt { "Program" } dd { (result.software.version) @if !result.software.validated { ", not validated on this station" } } }
        @if let Some(seed) = result.seed { div { dt { "Seed" } dd { (seed) } } }
    }
}

fn sensor_part(run: &str, sensor: &SensorRecord, tolerance: &[(f64, f64)]) -> Markup {
    let volts = |v: Option<f64>| v.map(|v| text::volts(v, 4));
    let rest: Vec<(&str, String)> = [
        ("Zero offset before", volts(sensor.zero_offset_v_before)),
        ("after", volts(sensor.zero_offset_v_after)),
        ("Bias", volts(sensor.bias_v)),
        ("Supply", volts(sensor.excitation_v)),
        ("Polarity", sensor.polarity.map(|p| p.word().to_owned())),
    ]
    .into_iter()
    .filter_map(|(name, value)| Some((name, value?)))
    .collect();
    html! {
        section class="panel" aria-label={ "Sensor " (sensor.serial) } {
            h2 { a href=(to_sensor(&sensor.serial)) { (sensor.serial) } " " (text::badge(sensor.decision.word())) }
            @if !rest.is_empty() {
                p class="facts" { @for (n, (name, value)) in rest.iter().enumerate() { @if n > 0 { " · " } (name) " " (value) } }
            }
            div class="pair" {
                @if let Some(plot) = plot(sensor, "Deviation in %", |p| p.deviation_percent, |p| p.u_deviation_percent, tolerance) {
                    figure { figcaption { "Deviation with expanded uncertainty" @if !tolerance.is_empty() { ", tolerance shaded" } } (plot) }
                }
                @if let Some(plot) = plot(sensor, "Phase in °", |p| p.phase_deg, |p| p.u_phase_deg, &[]) {
                    figure { figcaption { "Phase with expanded uncertainty" } (plot) }
                }
            }
            (table(run, sensor))
            (findings(sensor))
        }
    }
}

fn plot(
    sensor: &SensorRecord,
    y_label: &str,
    value: fn(&PointRecord) -> Option<f64>,
    uncertainty: fn(&PointRecord) -> Option<f64>,
    tolerance: &[(f64, f64)],
) -> Option<Markup> {
    let accepted = |p: &&PointRecord| p.status == PointStatus::Accepted;
    let figure = Figure {
        x_label: "Frequency in Hz".to_owned(),
        y_label: y_label.to_owned(),
        marks: sensor
            .points
            .iter()
            .filter(accepted)
            .filter_map(|p| {
                Some(Mark { frequency_hz: p.frequency_hz, value: value(p)?, uncertainty: uncertainty(p) })
            })
            .collect(),
        tolerance: tolerance.to_vec(),
        lost_hz: sensor.points.iter().filter(|p| !accepted(p)).map(|p| p.frequency_hz).collect(),
        decimal_mark: '.',
    };
    drawn(&figure)
}

/// Numbers of the result; what the certificate states is rounded by its own rules.
fn table(run: &str, sensor: &SensorRecord) -> Markup {
    let unit = sensor.points.first().map_or("", |p| p.sensitivity_unit.word());
    let volts = sensor.points.iter().any(|p| p.sensitivity_mv_per_g.is_some());
    html! {
        div class="scroll" tabindex="0" role="region" aria-label={ "Results of " (sensor.serial) } {
            table class="list" {
                thead { tr {
                    th class="n" { "Frequency" br; "Hz" }
                    th class="n" { "Acceleration" br; "m/s² peak" }
                    th class="n" { "Stroke" br; "mm peak" }
                    th class="n" { "Sensitivity" br; (unit) }
                    @if volts { th class="n" { "Sensitivity" br; "mV/g" } }
                    th class="n" { "± U (k)" br; "%" }
                    th class="n" { "Deviation" br; "%" }
                    th class="n" { "Phase" br; "°" }
                    th class="n" { "± U" br; "°" }
                    th class="n" { "Distortion" br; "%" }
                    th { "Status" }
                    th { "Decision" }
                    th { span class="unseen" { "Budgets, waveforms" } }
                } }
                tbody {
                    @for (number, p) in std::iter::zip(1.., &sensor.points) {
                        tr {
                            th scope="row" class="n" { (frequency(p.frequency_hz)) }
                            td class="n" { (digits_of(p.acceleration_mps2_peak, 4)) }
                            td class="n" { (digits_of(p.displacement_m_peak.map(|x| x * 1e3), 3)) }
                            td class="n" { (digits_of(p.sensitivity, 5)) }
                            @if volts { td class="n" { (digits_of(p.sensitivity_mv_per_g, 5)) } }
                            td class="n" { (decimals_of(p.u_rel_percent, 2)) @if let Some(k) = p.coverage_factor { " (" (text::decimals(k, 2)) ")" } }
                            td class="n" { (decimals_of(p.deviation_percent, 2)) }
                            td class="n" { (decimals_of(p.phase_deg, 2)) }
                            td class="n" { (decimals_of(p.u_phase_deg, 2)) }
                            td class="n" { (decimals_of(p.thd_percent, 2)) }
                            td { (text::badge(p.status.word())) }
                            td { (text::badge(p.decision.word())) }
                            td { @if p.acceleration_mps2_peak.is_some() {
                                a href={ "/runs/" (run) "/points/" (number) } aria-label={ "Details at " (frequency(p.frequency_hz)) " Hz: budgets, waveforms" } { "Details" }
                            } }
                        }
                    }
                }
            }
        }
    }
}

fn findings(sensor: &SensorRecord) -> Markup {
    let noticed: Vec<_> = sensor.points.iter().flat_map(|p| p.findings.iter().map(move |f| (p, f))).collect();
    let left_out: Vec<_> = sensor.points.iter().filter_map(|p| Some((p, p.reason.as_ref()?))).collect();
    html! {
        @if !noticed.is_empty() || !left_out.is_empty() {
            h3 { "Findings" }
            ul class="findings" {
                @for (point, finding) in noticed {
                    li { (frequency(point.frequency_hz)) " Hz, " strong { (text::words(finding.kind.word())) } ": " (finding.message) }
                }
                @for (point, why) in left_out { li { (frequency(point.frequency_hz)) " Hz left out: " (why) } }
            }
        }
    }
}

fn witnesses(result: &ResultRecord) -> Markup {
    html! {
        @for witness in &result.witnesses {
            @let out = witness.points.iter().filter(|p| !p.within).count();
            section class="panel" {
                h2 { (witness.serial) " " span class="number" { (text::words(witness.role.word())) } }
                @if out == 0 { p { "As expected at " (witness.points.len()) " measurements." } }
                @else { p class="wrong" { "Out of its limits at " (out) " of " (witness.points.len()) " measurements." } }
                ul class="findings" {
                    @for p in witness.points.iter().filter(|p| !p.within) {
                        li { (frequency(p.frequency_hz)) " Hz: " (text::decimals(p.deviation_percent, 2)) " % off, at most " (text::decimals(p.limit_percent, 2)) " % is allowed" }
                    }
                }
            }
        }
    }
}

/// Files that may be fetched.
async fn files(shared: &Shared, run: &RunSummary, result: Option<&ResultRecord>) -> Vec<String> {
    let sensors = result.into_iter().flat_map(|r| &r.sensors);
    let certificates: Vec<String> = sensors
        .flat_map(|s| ["pdf", "xml", "csv"].map(|ending| certificate::file_name(&s.serial, ending)))
        .collect();
    let is_there = async |name: &str| shared.desk.file(&run.run, name).await.is_ok();
    let mut there = Vec::new();
    let records = ["result.json", "journal.jsonl", "run.json"].map(str::to_owned);
    for name in records.iter().chain(&certificates) {
        if is_there(name).await {
            there.push(name.clone());
        }
    }
    // A release has certificates of its own, and the signature that they rest on; a later one stands beside it.
    for release in (1u32..).map(|n| format!("{RELEASE}{n}")) {
        let signature = format!("{release}/release.json");
        if !is_there(&signature).await {
            break;
        }
        there.push(signature);
        for name in certificates.iter().map(|name| format!("{release}/{name}")) {
            if is_there(&name).await {
                there.push(name);
            }
        }
    }
    there
}

fn files_part(run: &RunSummary, files: &[String]) -> Markup {
    html! {
        @if !files.is_empty() {
            section class="panel" {
                h2 { "Certificates and records" }
                ul class="files" {
                    @for name in files {
                        li { a href={ "/api/v1/runs/" (run.run) "/files/" (escaped(name).replace('/', "%2F")) } download { (name) } }
                    }
                }
            }
        }
    }
}
