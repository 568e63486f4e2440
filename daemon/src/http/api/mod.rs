//! `/api/v1`: what programs ask, the command line's client included.
//!
//! Owns paths, statuses and what a request has to look like; the OpenAPI description comes from the same code ([`document`]).
//! Must not decide anything about jobs and runs: the desk does.

mod audit;
mod daemon;
mod document;
pub mod jobs;
mod news;
pub mod rig;
mod runs;

pub use document::document;

use super::etag::with_etag;
use super::house::Shared;
use super::problem::{Code, Problem};
use axum::Json;
use axum::extract::{FromRequest, FromRequestParts, Path, Query, Request};
use axum::http::request::Parts;
use axum::middleware::from_fn;
use axum::routing::get;
use serde::de::DeserializeOwned;
use std::future::Future;
use std::sync::Arc;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// Where everything of this module lies.
pub const BASE: &str = "/api/v1";

/// Routes with their description, below [`BASE`].
fn described() -> OpenApiRouter<Arc<Shared>> {
    let reads = OpenApiRouter::new()
        .routes(routes!(rig::rig))
        .routes(routes!(jobs::jobs))
        .routes(routes!(jobs::job))
        .routes(routes!(runs::runs))
        .routes(routes!(runs::run))
        .routes(routes!(runs::result))
        .routes(routes!(runs::file))
        .routes(routes!(audit::history))
        .routes(routes!(audit::registers))
        .routes(routes!(audit::audit))
        .layer(from_fn(with_etag));
    let changes = OpenApiRouter::new()
        .routes(routes!(jobs::submit))
        .routes(routes!(jobs::hold_job))
        .routes(routes!(jobs::unhold_job))
        .routes(routes!(jobs::move_job))
        .routes(routes!(jobs::cancel_job))
        .routes(routes!(jobs::hold_queue))
        .routes(routes!(jobs::unhold_queue))
        .routes(routes!(runs::resume))
        .routes(routes!(runs::approve))
        .routes(routes!(rig::stop))
        .routes(routes!(rig::arm))
        .routes(routes!(rig::acknowledge))
        .routes(routes!(daemon::reload))
        .routes(routes!(daemon::drain));
    reads.merge(changes).routes(routes!(news::news))
}

/// The routes.
pub fn routes() -> axum::Router<Arc<Shared>> {
    let (router, _) = OpenApiRouter::new().nest(BASE, described()).split_for_parts();
    let description = get(|| async { Json(document()) });
    router.route(&format!("{BASE}/openapi.json"), description.layer(from_fn(with_etag)))
}

/// A JSON body.
#[derive(Debug)]
pub struct Said<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Said<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        Ok(Self(Json::from_request(request, state).await?.0))
    }
}

/// A part of the path.
#[derive(Debug)]
pub struct Part<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Send> FromRequestParts<S> for Part<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        Ok(Self(Path::from_request_parts(parts, state).await?.0))
    }
}

/// What is asked for behind the question mark.
#[derive(Debug)]
pub struct Asked<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Asked<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        Ok(Self(Query::from_request_parts(parts, state).await?.0))
    }
}

/// Carries out a change to its end, though the client may go away meanwhile.
///
/// # Errors
/// The change's own, or a mistake in the program.
pub async fn to_its_end<T, E, F>(change: F) -> Result<T, Problem>
where
    T: Send + 'static,
    E: Into<Problem> + Send + 'static,
    F: Future<Output = Result<T, E>> + Send + 'static,
{
    match tokio::spawn(change).await {
        Ok(done) => done.map_err(Into::into),
        Err(error) => {
            tracing::error!(%error, "a change came to no end");
            Err(Problem::new(Code::Program, "a mistake in the program; the daemon's log says more"))
        }
    }
}
