//! Everything that can be asked over HTTP, with what holds for all of it: limits, problems, who may come in.

use super::house::Shared;
use super::problem::{Code, Problem};
use super::{admit, api, plain};
use crate::page;
use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use std::any::Any;
use std::sync::Arc;
use std::time::Duration;
use tower_http::catch_panic::CatchPanicLayer;

/// The whole service.
pub fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .merge(api::routes())
        .merge(plain::routes())
        .merge(page::routes())
        .fallback(|| async { Problem::new(Code::NotThere, "there is nothing here") })
        .method_not_allowed_fallback(|| async {
            Problem::new(Code::Method, "the header Allow lists the methods that there are")
        })
        .layer(from_fn_with_state(shared.clone(), page::problems_as_pages))
        .layer(DefaultBodyLimit::max(shared.limits.body))
        .layer(from_fn_with_state(shared.clone(), in_time))
        .layer(CatchPanicLayer::custom(after_panic))
        .layer(from_fn_with_state(shared.clone(), admit::admit))
        .with_state(shared)
}

/// Gives up on an answer that does not come. A change goes on to its end; only its answer is lost.
async fn in_time(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    match tokio::time::timeout(Duration::from_secs(shared.limits.answer_s), next.run(request)).await {
        Ok(answer) => answer,
        Err(_) => {
            let text =
                "no answer within the time; a change may be done all the same: look before you ask again";
            Problem::new(Code::TimeOut, text).into_response()
        }
    }
}

/// A panic on this side of the desk is one request's, and no run's.
fn after_panic(panic: Box<dyn Any + Send>) -> Response {
    let text = panic
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("without words");
    tracing::error!(panic = text, "a request ended in a panic");
    Problem::new(Code::Program, "a mistake in the program; the daemon's log says more").into_response()
}
