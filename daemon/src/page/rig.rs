//! The rig as it is now: to be read from 3 m away. The script fills in moments as they come.
//!
//! Names in `data-moment` are fields of the moment; `data-digits` says with how many significant digits, `data-scale` by what to
//! multiply first.

use super::frame::Frame;
use super::{deviations, queue, text};
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{LatchState, QueueEntry, RigState, Role};
use axum::extract::State;
use maud::{Markup, html};
use std::sync::Arc;

pub(super) async fn page(State(shared): State<Arc<Shared>>, frame: Frame) -> Result<Markup, Problem> {
    let rig = shared.desk.rig().await?;
    let jobs = shared.desk.queue().await?;
    let plots = deviations::plots(&shared, &rig, &jobs);
    Ok(frame.page("Rig", &html! {
        noscript {
            p class="mark" { "Without its script this page stays as it was when it was loaded: load it again to see how the rig is now." }
        }
        div class="watch" data-live="" {
            h1 class="unseen" { "Rig " (rig.rig) }
            div class="now" {
                div id="rig" data-part="/part/rig" data-on="rig began ended" { (state(&frame, &rig, &jobs)) }
                (moment(rig.running.is_some()))
            }
            section class="panel plots" aria-labelledby="deviations-title" {
                h2 id="deviations-title" { "Deviation, point by point" }
                div id="deviations" data-part="/part/deviations" data-on="point began ended" { (plots) }
            }
            section class="panel queue" aria-labelledby="queue-title" {
                h2 id="queue-title" { "Queue" }
                div id="queue" data-part="/part/queue" data-on="queue began ended" { (queue::table(&frame, &jobs)) }
            }
        }
    }))
}

/// The rig's state alone, when it changed.
pub(super) async fn part(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    frame: Frame,
) -> Result<Markup, Problem> {
    let rig = shared.desk.rig().await?;
    let jobs = shared.desk.queue().await?;
    Ok(state(&frame, &rig, &jobs))
}

/// What the rig is at, in one word, and what stands in the way.
fn state(frame: &Frame, rig: &RigState, jobs: &[QueueEntry]) -> Markup {
    let (word, tone) = match (rig.latch, &rig.running) {
        (LatchState::Tripped, _) => ("Tripped", "bad"),
        (_, Some(_)) if rig.asks.is_some() => ("Paused", "warn"),
        (_, Some(_)) => ("Running", "good"),
        (LatchState::MayBeMoving, None) => ("May be moving", "bad"),
        (LatchState::Clear, None) if rig.leave_by.is_some() => ("Armed, at rest", "warn"),
        (LatchState::Clear, None) => ("At rest", "calm"),
    };
    let job = rig.running.as_ref().and_then(|run| jobs.iter().find(|job| job.runs.contains(run)));
    html! {
        section class={ "panel state " (tone) } aria-label="State" data-running=[rig.running.as_deref()] {
            p class="word" { (word) }
            @if let Some(run) = &rig.running {
                p class="what" { @if let Some(job) = job { strong { (job.name) } " · " } a href={ "/runs/" (run) } { (run) } }
                @if let Some(job) = job { p class="what" { (job.serials.join(", ")) } }
            }
            @if let Some(message) = &rig.message { p class="why" { (message) } }
            @if let Some(asks) = &rig.asks { p class="why" { strong { "A person is asked: " } (asks) } }
        }
        section class="panel interlocks" aria-labelledby="interlocks-title" {
            h2 id="interlocks-title" { "Interlocks" }
            ul class="checks" {
                (latch(frame, rig))
                (leave(frame, rig))
                @match &rig.queue_held {
                    Some(why) => (check("warn", "Queue held", why, &html! {})),
                    None if rig.draining => (check("warn", "Queue drains", "no job begins any more before the daemon's next start", &html! {})),
                    None => (check("good", "Queue goes on", "", &html! {})),
                }
                @for warning in &rig.warnings { (check("warn", "Remark", warning, &html! {})) }
            }
        }
    }
}

fn latch(frame: &Frame, rig: &RigState) -> Markup {
    let reason = rig.trip.as_deref().map(text::words).unwrap_or_default();
    let link =
        html! { @if frame.may(Role::Operator) { a class="button" href="/acknowledge" { "Acknowledge …" } } };
    match rig.latch {
        LatchState::Clear => check("good", "No trip", "", &html! {}),
        LatchState::Tripped if rig.running.is_some() => check("bad", "Tripped", &reason, &html! {}),
        LatchState::Tripped => check("bad", "Tripped", &reason, &link),
        LatchState::MayBeMoving if rig.running.is_some() => {
            check("good", "No trip", "watching a run", &html! {})
        }
        LatchState::MayBeMoving => check("bad", "May be moving", "a run was cut off", &link),
    }
}

fn leave(frame: &Frame, rig: &RigState) -> Markup {
    let link = html! { @if frame.may(Role::Operator) { a class="button" href="/arm" { "Arm …" } } };
    match &rig.leave_by {
        Some(name) => html! {
            li class="good" {
                span class="sign" aria-hidden="true" {}
                div { strong { "Leave to move" } " by " (name) @if let Some(until) = rig.leave_until { " until " (frame.instant(until)) } }
            }
        },
        // Where everything is simulated nothing moves, and nobody's leave is missing.
        None if rig.simulated && rig.leave_missing.is_none() => {
            check("good", "No leave needed", "", &html! {})
        }
        None => check("warn", "No leave to move", rig.leave_missing.as_deref().unwrap_or_default(), &link),
    }
}

fn check(tone: &str, what: &str, why: &str, more: &Markup) -> Markup {
    html! {
        li class=(tone) {
            span class="sign" aria-hidden="true" {}
            div { strong { (what) } @if !why.is_empty() { ": " (why) } (more) }
        }
    }
}

/// Large figures and bars, empty until a moment comes.
fn moment(running: bool) -> Markup {
    html! {
        section class="panel moment" aria-label="This moment" id="moment" hidden[!running] {
            p class="no-news" hidden {}
            p class="pause" data-shown="waits_for" hidden { strong { "Paused at zero drive: " } span data-moment="waits_for" {} }
            div class="figures" {
                (figure("Frequency", "frequency_hz", "Hz", 4, 1.0))
                (figure("Acceleration", "acceleration_mps2_peak", "m/s² peak", 4, 1.0))
                (figure("Target", "target_mps2_peak", "m/s² peak", 4, 1.0))
                div class="figure" {
                    p class="label" { "Time left" }
                    p class="value" data-time="remaining_s" { (text::NONE) }
                    p class="unit" { span data-moment="phase" { } " · point " span data-moment="point" { (text::NONE) } " (of " span data-moment="points" { (text::NONE) } ")" }
                }
            }
            div class="bars" {
                (bar("Acceleration", "acceleration_mps2_peak", "target_mps2_peak", "target", "m/s² peak", 1.0))
                (bar("Stroke", "displacement_m_peak", "displacement_ceiling_m_peak", "ceiling", "mm peak", 1e3))
                (bar("Drive", "drive_v_peak", "drive_ceiling_v_peak", "ceiling", "V peak", 1.0))
            }
            p class="ambient" {
                "Ambient: " span data-moment="temperature_degc" data-digits="3" { (text::NONE) } " °C, "
                span data-moment="humidity_percent" data-digits="2" { (text::NONE) } " % relative humidity"
                span class="elapsed" { "Running for " span data-time="elapsed_s" { (text::NONE) } }
            }
        }
    }
}

fn figure(label: &str, name: &str, unit: &str, digits: u32, scale: f64) -> Markup {
    html! {
        div class="figure" {
            p class="label" { (label) }
            p class="value" data-moment=(name) data-digits=(digits) data-scale=(scale) { (text::NONE) }
            p class="unit" { (unit) }
        }
    }
}

/// A bar from nothing to a ceiling, or a target with a mark beyond which it is too much.
fn bar(label: &str, name: &str, of: &str, kind: &str, unit: &str, scale: f64) -> Markup {
    // The target stands at two thirds, so that what is above it can be seen.
    let full = if kind == "target" { 1.5 } else { 1.0 };
    html! {
        div class={ "bar " (kind) } data-bar=(name) data-of=(of) data-full=(full) {
            p class="label" { (label) }
            svg viewBox="0 0 100 10" preserveAspectRatio="none" role="img" aria-label={ (label) " against its " (kind) } {
                rect class="ground" width="100" height="10" {}
                rect class="fill" width="0" height="10" {}
                rect class="edge" x={ @if kind == "target" { "66.3" } @else { "99.2" } } width="0.8" height="10" {}
            }
            p class="numbers" {
                span data-moment=(name) data-digits="3" data-scale=(scale) { (text::NONE) }
                " of " span data-moment=(of) data-digits="3" data-scale=(scale) { (text::NONE) } " " (unit)
                span class="kind" { " (" (kind) ")" }
            }
        }
    }
}
