//! The queue, and handing in a job.

use super::frame::Frame;
use super::text;
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{QueueEntry, Role, Stage};
use axum::extract::State;
use maud::{Markup, html};
use std::sync::Arc;

pub(super) async fn page(State(shared): State<Arc<Shared>>, frame: Frame) -> Result<Markup, Problem> {
    let jobs = shared.desk.queue().await?;
    Ok(frame.page("Queue", &html! {
        div data-live="" {
            h1 { "Queue" }
            div id="hold" data-part="/part/hold" data-on="rig" { (whole_queue(&frame)) }
            section class="panel" aria-label="Jobs" {
                div id="queue" data-part="/part/queue" data-on="queue began ended" { (table(&frame, &jobs)) }
            }
            @if frame.may(Role::Operator) { p { a class="button first" href="/submit" { "Submit a job …" } } }
        }
    }))
}

/// The table alone, when the queue changed.
pub(super) async fn part(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    frame: Frame,
) -> Result<Markup, Problem> {
    Ok(table(&frame, &shared.desk.queue().await?))
}

/// Whether it is held, alone, when the rig's state changed.
pub(super) async fn hold_part(frame: Frame) -> Markup {
    whole_queue(&frame)
}

/// Holding all of it.
fn whole_queue(frame: &Frame) -> Markup {
    let held = frame.rig.as_ref().and_then(|rig| rig.queue_held.as_deref());
    let draining = frame.rig.as_ref().is_some_and(|rig| rig.draining);
    html! {
        @if draining {
            section class="panel warn" { p { strong { "The daemon drains: " } "no job begins any more before its next start." } }
        }
        @match held {
            Some(why) => section class="panel warn" {
                p { strong { "The queue is held: " } (why) }
                @if frame.may(Role::Operator) {
                    form method="post" action="/do/queue/unhold" { (frame.hidden()) button class="first" { "Let it go on" } }
                }
            },
            None => @if frame.may(Role::Operator) {
                details class="panel" {
                    summary { "Hold the queue …" }
                    form method="post" action="/do/queue/hold" class="inline" {
                        (frame.hidden())
                        label for="hold-all" { "Reason" }
                        input id="hold-all" name="reason" required maxlength="500";
                        button { "Hold" }
                    }
                }
            },
        }
    }
}

/// Jobs, and what can be done with them.
pub(super) fn table(frame: &Frame, jobs: &[QueueEntry]) -> Markup {
    let may = frame.may(Role::Operator);
    html! {
        @if jobs.is_empty() { p class="hint" { "No job waits." } }
        @else {
            ol class="jobs" {
                @for job in jobs {
                    @let (word, tone) = text::stage(job.stage);
                    li class=(tone) {
                        div class="head" {
                            span class={ "badge " (tone) } { (word) }
                            strong { (job.name) }
                            span class="number" { "job " (job.job) }
                            @if let Some(outcome) = job.outcome { (text::badge(outcome.word())) }
                        }
                        @if let Some(why) = &job.waits_for { p class="why" { (why) } }
                        p class="facts" {
                            (job.points) " points, foreseen " (text::lasts(job.rig_s)) " · " (job.serials.join(", "))
                            " · by " (job.submitted_by) ", " (frame.instant(job.submitted))
                            @for run in &job.runs { " · " a href={ "/runs/" (run) } { (run) } }
                        }
                        @if may { (actions(frame, job)) }
                    }
                }
            }
        }
    }
}

fn actions(frame: &Frame, job: &QueueEntry) -> Markup {
    let waits = matches!(job.stage, Stage::Waiting | Stage::Held | Stage::NeedsPerson);
    let over = matches!(job.stage, Stage::Ended | Stage::Cancelled);
    let place = |by: i64| job.place.and_then(|p| u32::try_from(i64::from(p) + by).ok()).filter(|p| *p > 0);
    html! {
        @if !over {
            div class="actions" {
                @if waits {
                    @if let Some(up) = place(-1) { (mover(frame, job, up, "Up")) }
                    @if let Some(down) = place(1) { (mover(frame, job, down, "Down")) }
                }
                @if job.stage == Stage::Held {
                    form method="post" action={ "/do/jobs/" (job.job) "/unhold" } { (frame.hidden()) button { "Let go on" } }
                } @else if waits { (with_reason(frame, job, "hold", "Hold")) }
                (with_reason(frame, job, "cancel", "Cancel"))
            }
        }
    }
}

fn mover(frame: &Frame, job: &QueueEntry, place: u32, word: &str) -> Markup {
    html! {
        form method="post" action={ "/do/jobs/" (job.job) "/move" } {
            (frame.hidden())
            button name="place" value=(place) aria-label={ (word) ": move " (job.name) " to place " (place) } { (word) }
        }
    }
}

fn with_reason(frame: &Frame, job: &QueueEntry, what: &str, word: &str) -> Markup {
    let id = format!("{what}-{}", job.job);
    html! {
        details {
            summary aria-label={ (word) " " (job.name) } { (word) " …" }
            form method="post" action={ "/do/jobs/" (job.job) "/" (what) } class="inline" {
                (frame.hidden())
                label for=(id) { "Reason" }
                input id=(id) name="reason" required maxlength="500";
                button { (word) }
            }
        }
    }
}

/// Handing in a job: the script reads the files and sends their texts.
pub(super) async fn submit_page(frame: Frame) -> Markup {
    let simulated = frame.rig.as_ref().is_some_and(|rig| rig.simulated);
    frame.page("Submit", &html! {
        h1 { "Submit a job" }
        section class="panel" {
            @if !frame.may(Role::Operator) { p class="wrong" { "Handing in a job needs the role 'operator'." } }
            form class="fields" id="submit" data-submit="" {
                label for="job-file" { "The job's file" }
                input id="job-file" type="file" accept=".toml" required;
                label for="other-files" { "The files that it names: plan, sensors, references" }
                input id="other-files" type="file" accept=".toml" multiple;
                label for="job-name" { "Its name in the queue" }
                input id="job-name" type="text" maxlength="100" placeholder="as the file is called";
                @if simulated {
                    label for="seed" { "Seed, for the simulated rig" }
                    input id="seed" type="text" inputmode="numeric" pattern="[0-9]{1,15}" placeholder="1";
                    label for="faults-file" { "Faults that strike, for the simulated rig" }
                    input id="faults-file" type="file" accept=".toml";
                }
                button class="first" { "Check and hand in" }
            }
            noscript { p class="wrong" { "This form needs the page's script. Without it: " code { "calwright submit JOB" } } }
            div id="submit-said" role="alert" {}
            p class="hint" {
                "A job is text: it can name no program, and no file of this machine. It runs on this daemon's rig, whatever rig it "
                "names. It is checked at once; what is wrong is shown here with its line."
            }
        }
    })
}
