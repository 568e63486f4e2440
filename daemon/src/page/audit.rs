//! The audit: what was done, by whom, and how they came in.

use super::frame::Frame;
use super::text;
use crate::http::api::Asked;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{AuditEntry, Way};
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

/// Who it was. A stop may have been anybody's; everything else that has no name the daemon did by itself.
fn who(entry: &AuditEntry) -> &str {
    match &entry.who {
        Some(name) => name,
        None if entry.way.is_some() || entry.what == "stop" => "nobody named",
        None => "the daemon",
    }
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
                                th scope="row" { (who(entry)) }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_daemon_did_is_told_from_what_nobody_put_a_name_to() {
        let of = |who: Option<&str>, way, what: &str| {
            let (at, detail) = ("2000-01-01T00:00:00Z".parse().unwrap(), String::new());
            let entry =
                AuditEntry { id: 1, at, who: who.map(str::to_owned), way, what: what.to_owned(), detail };
            super::who(&entry).to_owned()
        };
        assert_eq!(of(Some("A. Person"), Some(Way::Port), "hold"), "A. Person");
        assert_eq!(of(None, Some(Way::Port), "stop"), "nobody named");
        assert_eq!(of(None, None, "stop"), "nobody named", "as it was noted once");
        assert_eq!(of(None, None, "hold"), "the daemon");
    }
}
