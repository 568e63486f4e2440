//! What every page has around it: marks, navigation, who looks, and the stop.

use super::{assets, text};
use crate::http::admit::{Caller, Viewer};
use crate::http::house::Shared;
use crate::http::peer::Peer;
use crate::http::problem::Problem;
use crate::http::zone::Zone;
use crate::record::UtcTime;
use crate::serve::words::{LatchState, Person, RigState, Role};
use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use maud::{DOCTYPE, Markup, html};
use std::sync::Arc;

/// Places of the navigation.
const PLACES: [(&str, &str); 7] = [
    ("/", "Rig"),
    ("/queue", "Queue"),
    ("/submit", "Submit"),
    ("/runs", "Runs"),
    ("/sensors", "Sensors"),
    ("/registers", "Registers"),
    ("/audit", "Audit"),
];

/// Somebody who looks at a page.
pub(super) struct Frame {
    /// Who, where somebody said who.
    pub(super) person: Option<Person>,
    /// Whether arming and acknowledging are allowed from where they are.
    pub(super) at_machine: bool,
    /// State of the rig; none where it can't be read.
    pub(super) rig: Option<RigState>,
    zone: Zone,
    csrf: Option<String>,
    here: String,
}

impl FromRequestParts<Arc<Shared>> for Frame {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, shared: &Arc<Shared>) -> Result<Self, Problem> {
        Viewer::from_request_parts(parts, shared).await?;
        Self::of(parts, shared).await
    }
}

impl Frame {
    async fn of(parts: &mut Parts, shared: &Arc<Shared>) -> Result<Self, Problem> {
        let caller = Caller::from_request_parts(parts, shared).await?;
        Ok(Self {
            person: caller.person,
            at_machine: shared.arm_over_port || matches!(caller.peer, Peer::Socket { .. }),
            rig: shared.desk.rig().await.ok(),
            zone: shared.zone.clone(),
            csrf: caller.session.map(|s| s.csrf),
            here: parts.uri.path().to_owned(),
        })
    }

    /// An instant, in the laboratory's zone.
    pub(super) fn instant(&self, time: UtcTime) -> Markup {
        text::instant(time, &self.zone)
    }

    /// Whether the person may do what a role may.
    pub(super) fn may(&self, role: Role) -> bool {
        self.person.as_ref().is_some_and(|p| p.may(role))
    }

    /// The hidden fields that every form of a change has.
    pub(super) fn hidden(&self) -> Markup {
        html! {
            @if let Some(csrf) = &self.csrf { input type="hidden" name="csrf" value=(csrf); }
            input type="hidden" name="back" value=(self.here);
        }
    }

    /// A page.
    pub(super) fn page(&self, title: &str, main: &Markup) -> Markup {
        self.marked(title, false, main)
    }

    /// A page on which nothing is released yet where `draft` says so.
    pub(super) fn marked(&self, title: &str, draft: bool, main: &Markup) -> Markup {
        let simulated = self.rig.as_ref().is_some_and(|rig| rig.simulated);
        let name = self.rig.as_ref().map_or("Calwright", |rig| rig.rig.as_str());
        let marks = html! {
            @if simulated { p class="mark simulated" { strong { "SIMULATED" } " No real instrument moves; nothing here is history of a sensor." } }
            @if draft { p class="mark draft" { strong { "DRAFT" } " Approved by nobody yet; not for use." } }
            @if self.here != "/" { div id="tripped" data-part="/part/tripped" data-on="rig" { (self.tripped()) } }
        };
        whole(
            title,
            name,
            &self.here,
            self.csrf.as_deref(),
            &html! { (self.top()) (marks) main id="main" { (main) } },
        )
    }

    /// That the rig is tripped, where it is.
    fn tripped(&self) -> Markup {
        let tripped = self.rig.as_ref().is_some_and(|rig| rig.latch == LatchState::Tripped);
        html! {
            @if tripped { p class="mark tripped" { strong { "TRIPPED" } " " a href="/" { "What happened" } } }
        }
    }

    fn top(&self) -> Markup {
        html! {
            a class="skip" href="#main" { "To the content" }
            a class="skip" href="#stop" { "To the stop" }
            header class="top" {
                p class="name" { a href="/" { "Calwright" } @if let Some(rig) = &self.rig { span { (rig.rig) } } }
                nav aria-label="Places" {
                    ul {
                        @for (path, text) in PLACES {
                            li { a href=(path) aria-current=[self.is_at(path).then_some("page")] { (text) } }
                        }
                        @if self.may(Role::Admin) {
                            li { a href="/daemon" aria-current=[self.is_at("/daemon").then_some("page")] { "Daemon" } }
                        }
                    }
                }
                div class="who" {
                    @match &self.person {
                        Some(person) => {
                            span { (person.name) }
                            @if self.csrf.is_some() {
                                form method="post" action="/logout" { (self.hidden()) button class="quiet" { "Log out" } }
                            }
                        }
                        None => a href="/login" { "Log in" },
                    }
                }
            }
        }
    }

    fn is_at(&self, path: &str) -> bool {
        if path == "/" { self.here == "/" } else { self.here.starts_with(path) }
    }
}

/// Whether the rig is tripped, alone, when its state changed.
pub(super) async fn tripped_part(frame: Frame) -> Markup {
    frame.tripped()
}

/// A whole document, with the stop in it: it is on each page and needs no login.
pub(super) fn whole(title: &str, rig: &str, here: &str, csrf: Option<&str>, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · " (rig) }
                link rel="icon" href=(assets::icon());
                link rel="stylesheet" href=(assets::style());
                script src=(assets::script()) defer {}
            }
            body data-csrf=[csrf] data-here=(here) {
                p id="old" class="old" role="alert" hidden {}
                (body)
                form class="stop" method="post" action="/stop" data-stop="" aria-label="Stop" {
                    @if let Some(csrf) = csrf { input type="hidden" name="csrf" value=(csrf); }
                    button id="stop" { strong { "Stop" } span { "make the rig safe now" } }
                    p { "Not an emergency stop" }
                }
                p id="stop-said" class="said of-stop" role="alert" hidden {}
                p id="said" class="said" role="status" aria-live="assertive" hidden {}
            }
        }
    }
}

/// A plain page with a message: a failure, or how a stop went.
pub(super) fn message(title: &str, text: &str) -> Markup {
    whole(
        title,
        "Calwright",
        "",
        None,
        &html! {
            header class="top" { p class="name" { a href="/" { "Calwright" } } }
            main id="main" class="narrow" {
                section class="panel" {
                    h1 { (title) }
                    @if text.contains('\n') { pre { (text) } } @else { p class="large" { (text) } }
                    p { a class="button" href="/" { "To the rig" } }
                }
            }
        },
    )
}

/// Problems of pages are shown as pages; whoever has to say who they are is asked to.
pub async fn problems_as_pages(State(_): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let reads = *request.method() == Method::GET;
    let answer = next.run(request).await;
    let of_program = ["/api/", "/part/", "/metrics"].iter().any(|start| path.starts_with(start));
    let Some(problem) = answer.extensions().get::<Problem>().filter(|_| !of_program).cloned() else {
        return answer;
    };
    if reads && problem.status() == StatusCode::UNAUTHORIZED {
        return Redirect::to(&format!("/login?next={}", escaped(&path))).into_response();
    }
    let page = message(&problem.title, &problem.detail);
    let (head, _) = answer.into_parts();
    let mut shown = (head.status, page).into_response();
    if let Some(allow) = head.headers.get(axum::http::header::ALLOW) {
        shown.headers_mut().insert(axum::http::header::ALLOW, allow.clone());
    }
    shown
}

/// Where a sensor's page is, whatever its serial holds.
pub(super) fn to_sensor(serial: &str) -> String {
    format!("/sensors/{}", escaped(serial).replace('/', "%2F"))
}

/// A path as it can stand behind a question mark.
pub(super) fn escaped(path: &str) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    for byte in path.bytes() {
        if byte.is_ascii_alphanumeric() || b"/-._~".contains(&byte) {
            text.push(char::from(byte));
        } else {
            // Writing to a String can't fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text
}
