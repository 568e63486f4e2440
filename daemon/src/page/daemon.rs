//! What only those see who keep the daemon: another rig file or template put in force, and draining before an upgrade.

use super::act::Fields;
use super::frame::{self, Frame};
use crate::http::admit::Admin;
use crate::http::api::{Part, to_its_end};
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{Change, Draining, Reloaded, Reloading, Role};
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::sync::Arc;

pub(super) async fn page(State(shared): State<Arc<Shared>>, frame: Frame) -> Result<Markup, Problem> {
    let Some(who) = frame.person.clone().filter(|_| frame.may(Role::Admin)) else {
        return Ok(frame.page(
            "Daemon",
            &html! {
                div class="narrow" { h1 { "Daemon" } p class="wrong" { "This needs the role 'admin'." } }
            },
        ));
    };
    let wanted = Reloading { reason: String::new(), only_show: true };
    let differs = to_its_end(async move { shared.desk.reload(&who, wanted).await }).await;
    Ok(frame.page("Daemon", &html! {
        div class="narrow" {
            h1 { "Daemon" }
            section class="panel" aria-labelledby="in-force" {
                h2 id="in-force" { "Rig file and certificate template" }
                @match differs {
                    Err(problem) => p class="wrong" { (problem.detail) },
                    Ok(Reloaded { changes, .. }) if changes.is_empty() => p { "What lies on the disk is in force." },
                    Ok(Reloaded { changes, .. }) => {
                        @for change in &changes { (shown(change)) }
                        p { "Leave to move lapses with a changed rig file; jobs that wait are checked anew." }
                        form method="post" action="/do/daemon/reload" class="fields" {
                            (frame.hidden())
                            label for="why" { "Why it was changed" }
                            input id="why" name="reason" type="text" required;
                            button class="first" { "Put it in force" }
                        }
                    }
                }
            }
            section class="panel" aria-labelledby="drain" {
                h2 id="drain" { "Before an upgrade" }
                p { "The run that goes on comes to its end, and no other is begun before the next start of the daemon." }
                form method="post" action="/do/daemon/drain" class="fields" {
                    (frame.hidden())
                    label for="reason" { "Why" }
                    input id="reason" name="reason" type="text" required;
                    label class="tick" { input type="checkbox" name="end" value="yes"; span { "End the daemon then" } }
                    button { "Begin no more jobs" }
                }
            }
        }
    }))
}

fn shown(change: &Change) -> Markup {
    html! {
        h3 { (change.kind) ": " code { (change.file) } }
        pre tabindex="0" { @for line in &change.difference { (line) "\n" } }
    }
}

pub(super) async fn act(
    State(shared): State<Arc<Shared>>,
    Part(what): Part<String>,
    Admin(who): Admin,
    fields: Fields,
) -> Result<Response, Problem> {
    let reason = fields.said("reason")?;
    match what.as_str() {
        "reload" => {
            let wanted = Reloading { reason, only_show: false };
            to_its_end(async move { shared.desk.reload(&who, wanted).await }).await?;
            Ok(frame::message("Reloaded", "What lies on the disk is in force.").into_response())
        }
        "drain" => {
            let wanted = Draining { reason, end: fields.has("end") };
            to_its_end(async move { shared.desk.drain(&who, wanted).await }).await?;
            Ok(frame::message("Draining", "No job is begun any more before the next start.").into_response())
        }
        _ => Err(Problem::new(Code::NotThere, format!("there is nothing called '{what}' to do here"))),
    }
}
