//! The audit: what was done, by whom, and how they came in.

use super::frame::Frame;
use super::text;
use crate::http::api::Asked;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::Way;
use axum::extract::State;
use maud::{Markup, html};
use serde::Deserialize;
use std::sync::Arc;

/// Entries on one page.
const ON_A_PAGE: u32 = 100;

#[derive(Debug, Default, Deserialize)]
pub(super) struct Stretch {
    before: Option<i64>,
}

pub(super) async fn page(
    State(shared): State<Arc<Shared>>,
    frame: Frame,
    Asked(stretch): Asked<Stretch>,
) -> Result<Markup, Problem> {
    let entries = shared.desk.audit(stretch.before, ON_A_PAGE).await?;
    let earlier = entries.last().filter(|_| entries.len() >= ON_A_PAGE as usize).map(|e| e.id);
    Ok(frame.page("Audit", &html! {
        h1 { "Audit" }
        @if entries.is_empty() { p class="hint" { "Nothing was done yet." } }
        @else {
            div class="panel scroll" tabindex="0" role="region" aria-label="Audit" {
                table class="list" {
                    thead { tr { th class="n" { "No." } th { "When" } th { "Who" } th { "How" } th { "What" } th { "With which words" } } }
                    tbody {
                        @for entry in &entries {
                            tr {
                                td class="n" { (entry.id) }
                                td { (frame.instant(entry.at)) }
                                th scope="row" { (entry.who.as_deref().unwrap_or("nobody named")) }
                                td { (match entry.way { Some(Way::Socket) => "at the machine", Some(Way::Port) => "over the port", None => text::NONE }) }
                                td { (text::words(&entry.what)) }
                                td { (entry.detail) }
                            }
                        }
                    }
                }
            }
        }
        @if let Some(id) = earlier { p { a class="button" href={ "/audit?before=" (id) } { "Earlier ones" } } }
    }))
}
