//! Who asks, and whether the request may come in at all: looked at before anything else is.
//!
//! ```text
//!  request ──► named as we are named? ──► from a page of ours? ──► who? ──► handler ──► headers, counts
//! ```
//!
//! A page of another site must not be able to use the daemon through the browser of somebody who is logged in. So a request is
//! refused whose host is none of our names (a name of theirs that was turned to our address), a change is refused that comes from
//! another origin, and one that rests on a cookie alone has to name its origin and carry the session's own word.
//! Invariant: `stop` is let through without an identity, whatever is wrong with one, but never from another site's page.

use super::house::Shared;
use super::peer::Peer;
use super::problem::{Code, Problem};
use super::sessions::Session;
use crate::serve::words::{Person, Role};
use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// The header by which a script of our page carries the session's word.
pub const CSRF_HEADER: HeaderName = HeaderName::from_static("x-csrf-token");

/// Where the rig is stopped.
const STOPS: [&str; 2] = ["/api/v1/stop", "/stop"];

/// Who asks.
#[derive(Debug, Clone)]
pub struct Caller {
    /// The other end.
    pub peer: Peer,
    /// The person, where somebody said who.
    pub person: Option<Person>,
    /// The session on the page, where it is one.
    pub session: Option<Session>,
}

impl Caller {
    /// The person, if they have this role.
    ///
    /// # Errors
    /// Nobody, or somebody who may not.
    pub fn with(&self, role: Role) -> Result<Person, Problem> {
        let person = self.person.clone().ok_or_else(Problem::no_identity)?;
        if person.may(role) {
            return Ok(person);
        }
        let needed = format!("{role:?}").to_lowercase();
        let text = format!("{} needs the role '{needed}' for this", person.name);
        Err(Problem::new(Code::NotAllowed, text))
    }
}

/// Lets a request in or not; see the module.
pub async fn admit(State(shared): State<Arc<Shared>>, mut request: Request, next: Next) -> Response {
    let answer = match caller(&shared, &request) {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            next.run(request).await
        }
        Err(problem) => problem.into_response(),
    };
    let hundreds = usize::from(answer.status().as_u16() / 100);
    if let Some(count) = hundreds.checked_sub(1).and_then(|n| shared.counts.answers.get(n)) {
        count.fetch_add(1, Ordering::Relaxed);
    }
    with_headers(answer)
}

fn caller(shared: &Shared, request: &Request) -> Result<Caller, Problem> {
    let Some(peer) = request.extensions().get::<Peer>().copied() else {
        return Err(Problem::new(Code::Program, "a connection without an end"));
    };
    let headers = request.headers();
    let changes = !matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS);
    let mut named_origin = false;
    if let Peer::Port(_) = peer {
        let host = our_host(shared, request)?;
        named_origin = headers.contains_key(header::ORIGIN);
        if changes {
            same_origin(shared, headers, &host)?;
        }
    }
    let stops = STOPS.contains(&request.uri().path());
    if let Some(said) = headers.get(header::AUTHORIZATION) {
        let token = said.to_str().ok().and_then(bearer).and_then(|token| shared.tokens.whose(token));
        return match token {
            Some(token) => {
                let person = Some(shared.person_of(token, peer));
                Ok(Caller { peer, person, session: None })
            }
            None if stops => Ok(nobody(peer)),
            None => Err(failed(shared, peer)),
        };
    }
    if let Peer::Socket { uid } = peer {
        return Ok(Caller { peer, person: shared.users.person(uid), session: None });
    }
    let Some(session) = shared.sessions.of(headers) else {
        return Ok(nobody(peer));
    };
    let Some(token) = shared.tokens.with_hash(&session.token) else {
        return Ok(nobody(peer));
    };
    let of_page = !request.uri().path().starts_with("/api/");
    let carries = headers.get(CSRF_HEADER).is_some_and(|word| word.as_bytes() == session.csrf.as_bytes());
    // A form of the page carries the word in its body: there the form's reader asks for it.
    if changes && !(named_origin && (carries || of_page)) {
        if stops {
            return Ok(nobody(peer));
        }
        let text =
            "a change by cookie has to name its origin and carry the session's own word (X-Csrf-Token)";
        return Err(Problem::new(Code::WrongOrigin, text));
    }
    let person = Some(shared.person_of(token, peer));
    Ok(Caller { peer, person, session: Some(session) })
}

fn nobody(peer: Peer) -> Caller {
    Caller { peer, person: None, session: None }
}

fn bearer(said: &str) -> Option<&str> {
    let (scheme, token) = said.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// Counts a failed try to say who one is, and says so.
pub fn failed(shared: &Shared, peer: Peer) -> Problem {
    shared.counts.failures.fetch_add(1, Ordering::Relaxed);
    let address = match peer {
        Peer::Port(address) => Some(address.ip()),
        Peer::Socket { .. } => None,
    };
    if shared.failures.count(address) {
        tracing::warn!(?peer, "a token that is none");
        return Problem::new(Code::NoIdentity, "this token is not known here, or was taken back");
    }
    Problem::new(Code::TooMany, "too many tries with tokens that are none; wait a minute")
}

/// The name and port by which we are asked, if the name is one of ours.
fn our_host(shared: &Shared, request: &Request) -> Result<String, Problem> {
    let of_uri = request.uri().authority().map(|a| a.as_str().to_owned());
    let of_header = request.headers().get(header::HOST).and_then(|h| h.to_str().ok()).map(str::to_owned);
    let host = of_uri.or(of_header).unwrap_or_default();
    let name = name_of(&host).to_ascii_lowercase();
    let is_loopback = name == "localhost"
        || name.trim_matches(['[', ']']).parse::<IpAddr>().is_ok_and(|address| address.is_loopback());
    if is_loopback || shared.names.iter().any(|ours| ours.eq_ignore_ascii_case(&name)) {
        return Ok(host.to_ascii_lowercase());
    }
    let text = format!("this daemon is not called '{name}'; the setting `names` lists how it is called");
    Err(Problem::new(Code::WrongOrigin, text))
}

/// A host without its port.
fn name_of(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) && !name.ends_with(':') => name,
        _ => host,
    }
}

/// Whether a change that names where it comes from comes from a page of ours.
fn same_origin(shared: &Shared, headers: &HeaderMap, host: &str) -> Result<(), Problem> {
    let scheme = if shared.tls { "https" } else { "http" };
    let fits = |origin: &HeaderValue| {
        origin.to_str().is_ok_and(|o| o.eq_ignore_ascii_case(&format!("{scheme}://{host}")))
    };
    let site = headers.get("sec-fetch-site");
    let of_us = site.is_none_or(|site| matches!(site.as_bytes(), b"same-origin" | b"none"));
    if of_us && headers.get_all(header::ORIGIN).iter().all(fits) {
        return Ok(());
    }
    Err(Problem::new(Code::WrongOrigin, "a page of another site asked for a change"))
}

/// What every answer says to browsers: nothing but our own files, in nobody else's frame, kept nowhere.
fn with_headers(mut answer: Response) -> Response {
    const HEADERS: [(HeaderName, &str); 6] = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
             form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    ];
    let headers = answer.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    answer
}

impl<S: Send + Sync> FromRequestParts<S> for Caller {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        parts
            .extensions
            .get::<Self>()
            .cloned()
            .ok_or_else(|| Problem::new(Code::Program, "a request that nobody let in"))
    }
}

/// Somebody who may look.
#[derive(Debug)]
pub struct Viewer;

impl FromRequestParts<Arc<Shared>> for Viewer {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, shared: &Arc<Shared>) -> Result<Self, Problem> {
        let caller = Caller::from_request_parts(parts, shared).await?;
        match caller.person {
            // Whoever may do something has to see what they do.
            Some(person) if person.roles.is_empty() => {
                Err(Problem::new(Code::NotAllowed, format!("{} has no role here", person.name)))
            }
            None if !shared.look_without_identity => Err(Problem::no_identity()),
            _ => Ok(Self),
        }
    }
}

/// Defines an extractor for a person with a role: it refuses before anything of a body is read.
macro_rules! with_role {
    ($(#[$about:meta])* $name:ident, $role:expr) => {
        $(#[$about])*
        #[derive(Debug)]
        pub struct $name(pub Person);

        impl<S: Send + Sync> FromRequestParts<S> for $name {
            type Rejection = Problem;

            async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
                Caller::from_request_parts(parts, state).await?.with($role).map(Self)
            }
        }
    };
}

with_role! {
    /// Somebody who may run jobs.
    Operator, Role::Operator
}
with_role! {
    /// Somebody who may release drafts.
    Approver, Role::Approver
}

with_role! {
    /// Somebody who keeps the daemon.
    Admin, Role::Admin
}

/// Somebody who may run jobs, and is at the machine where the settings ask for that.
#[derive(Debug)]
pub struct AtMachine(pub Person);

impl FromRequestParts<Arc<Shared>> for AtMachine {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, shared: &Arc<Shared>) -> Result<Self, Problem> {
        let caller = Caller::from_request_parts(parts, shared).await?;
        let person = caller.with(Role::Operator)?;
        match caller.peer {
            Peer::Port(_) if !shared.arm_over_port => Err(Problem::new(
                Code::AtMachineOnly,
                "leave to move is given, and a trip acknowledged, at the machine: 'calwright arm' and 'calwright acknowledge' \
                 there; the setting arm_over_port allows it from here",
            )),
            _ => Ok(Self(person)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_host_is_told_from_its_port() {
        for (host, name) in [
            ("localhost:7421", "localhost"),
            ("localhost", "localhost"),
            ("[::1]:7421", "[::1]"),
            ("[::1]", "[::1]"),
            ("127.0.0.1:1", "127.0.0.1"),
            ("a.b:x", "a.b:x"),
        ] {
            assert_eq!(name_of(host), name);
        }
    }

    #[test]
    fn bearer_is_the_one_scheme() {
        assert_eq!(bearer("Bearer x"), Some("x"));
        assert_eq!(bearer("bearer  x "), Some("x"));
        assert_eq!(bearer("Basic x"), None);
        assert_eq!(bearer("x"), None);
    }
}
