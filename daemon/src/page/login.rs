//! Logging in with a token, and out.

use super::act::{Fields, back};
use super::frame;
use crate::http::admit::{Caller, failed};
use crate::http::api::Asked;
use crate::http::house::Shared;
use crate::http::peer::Peer;
use crate::http::problem::{Code, Problem};
use crate::http::sessions;
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use std::sync::Arc;

#[derive(Debug, Default, Deserialize)]
pub(super) struct Next {
    next: Option<String>,
}

#[derive(Deserialize)]
pub(super) struct Login {
    token: String,
    next: Option<String>,
}

pub(super) async fn page(Asked(asked): Asked<Next>) -> Markup {
    form(asked.next.as_deref(), None)
}

fn form(next: Option<&str>, wrong: Option<&str>) -> Markup {
    frame::whole(
        "Log in",
        "Calwright",
        "/login",
        None,
        &html! {
            header class="top" { p class="name" { a href="/" { "Calwright" } } }
            main id="main" class="narrow" {
                section class="panel" {
                    h1 { "Log in" }
                    @if let Some(wrong) = wrong { p class="wrong" role="alert" { (wrong) } }
                    form method="post" action="/login" class="fields" {
                        @if let Some(next) = next { input type="hidden" name="next" value=(next); }
                        label for="token" { "Your token" }
                        input id="token" name="token" type="password" autocomplete="current-password" required autofocus;
                        button class="first" { "Log in" }
                    }
                    p class="hint" {
                        "Whoever keeps the daemon makes one: " code { "calwright token add NAME --role operator" } "."
                    }
                }
            }
        },
    )
}

pub(super) async fn login(
    State(shared): State<Arc<Shared>>,
    caller: Caller,
    headers: HeaderMap,
    said: Result<Form<Login>, FormRejection>,
) -> Result<Response, Problem> {
    let Form(said) = said?;
    // The doors compared the origin with ours where there is one; here there has to be one.
    if matches!(caller.peer, Peer::Port(_)) && !headers.contains_key(header::ORIGIN) {
        return Err(Problem::new(Code::WrongOrigin, "a login has to come from the page of this daemon"));
    }
    let token = said.token.trim();
    if shared.tokens.whose(token).is_none() {
        let problem = failed(&shared, caller.peer);
        let page = form(said.next.as_deref(), Some(&problem.detail));
        let status = if problem.status() == StatusCode::UNAUTHORIZED {
            StatusCode::FORBIDDEN
        } else {
            problem.status()
        };
        return Ok((status, page).into_response());
    }
    let word = shared.sessions.open(token).map_err(|error| {
        tracing::error!(%error, "no session can be opened");
        Problem::new(Code::Program, "no session can be opened; the daemon's log says more")
    })?;
    let cookie = sessions::cookie(Some(&word), shared.tls);
    let to = Redirect::to(&back(said.next.as_deref(), "/"));
    Ok(([(header::SET_COOKIE, cookie)], to).into_response())
}

pub(super) async fn logout(State(shared): State<Arc<Shared>>, headers: HeaderMap, _: Fields) -> Response {
    shared.sessions.close(&headers);
    ([(header::SET_COOKIE, sessions::cookie(None, shared.tls))], Redirect::to("/login")).into_response()
}
