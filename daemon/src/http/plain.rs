//! For whatever watches the daemon: is it alive, is it ready, what did it count.

use super::house::Shared;
use super::metrics;
use crate::serve::desk::Refusal;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::sync::Arc;

/// The routes.
pub(super) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/health", get(|| async { "alive\n" }))
        .route("/ready", get(ready))
        .route("/metrics", get(metrics::metrics))
}

/// Ready where the house takes work.
async fn ready(State(shared): State<Arc<Shared>>) -> Response {
    let ready = if *shared.closing.borrow() {
        Err(Refusal::State("the doors close".to_owned()))
    } else {
        shared.desk.ready().await
    };
    match ready {
        Ok(()) => "ready\n".into_response(),
        Err(refusal) => {
            tracing::warn!(%refusal, "not ready");
            (StatusCode::SERVICE_UNAVAILABLE, "not ready; the daemon's log says why\n").into_response()
        }
    }
}
