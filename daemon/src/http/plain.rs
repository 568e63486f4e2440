//! For whatever watches the daemon: is it alive, is it ready, what did it count.

use super::admit::Viewer;
use super::house::Shared;
use super::problem::Problem;
use crate::serve::desk::Refusal;
use crate::serve::words::{LatchState, Stage};
use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::fmt::Write;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// The routes.
pub(super) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/health", get(|| async { "alive\n" }))
        .route("/ready", get(ready))
        .route("/metrics", get(metrics))
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

/// In the text format of Prometheus, version 0.0.4.
async fn metrics(State(shared): State<Arc<Shared>>, _: Viewer) -> Result<Response, Problem> {
    let rig = shared.desk.rig().await?;
    // Whatever else fails, a trip has to be seen.
    let queue = shared.desk.queue().await;
    let mut text = String::new();
    let mut gauge = |name: &str, about: &str, value: usize| {
        one(&mut text, name, "gauge", about, &[(String::new(), value.to_string())]);
    };
    gauge(
        "calwright_tripped",
        "1 while a person has to acknowledge",
        usize::from(rig.latch == LatchState::Tripped),
    );
    gauge("calwright_leave", "1 while there is leave to move", usize::from(rig.leave_by.is_some()));
    gauge("calwright_running", "1 while a run goes on", usize::from(rig.running.is_some()));
    gauge("calwright_queue_held", "1 while the queue is held", usize::from(rig.queue_held.is_some()));
    gauge("calwright_warnings", "Remarks about the rig", rig.warnings.len());
    gauge("calwright_database_up", "1 while the database answers", usize::from(queue.is_ok()));
    if let Ok(queue) = queue {
        let count = |stage: Stage| queue.iter().filter(|job| job.stage == stage).count();
        let stages = [
            ("waiting", count(Stage::Waiting)),
            ("held", count(Stage::Held)),
            ("needs_person", count(Stage::NeedsPerson)),
            ("running", count(Stage::Running)),
        ];
        let stages = stages.map(|(stage, n)| (format!("{{stage=\"{stage}\"}}"), n.to_string()));
        one(&mut text, "calwright_jobs", "gauge", "Jobs that are not over", &stages);
    }
    let counts = &shared.counts;
    let answers: Vec<_> = std::iter::zip(1.., &counts.answers)
        .map(|(n, count): (u32, _)| {
            (format!("{{status=\"{n}xx\"}}"), count.load(Ordering::Relaxed).to_string())
        })
        .collect();
    one(&mut text, "calwright_http_answers_total", "counter", "Requests that were answered", &answers);
    let plain = |value: String| [(String::new(), value)];
    let refused = plain(counts.refused.load(Ordering::Relaxed).to_string());
    one(
        &mut text,
        "calwright_connections_refused_total",
        "counter",
        "Connections beyond the limit",
        &refused,
    );
    let failures = plain(counts.failures.load(Ordering::Relaxed).to_string());
    one(&mut text, "calwright_identity_failures_total", "counter", "Tokens that were none", &failures);
    let connections = plain(counts.connections.load(Ordering::Relaxed).to_string());
    one(&mut text, "calwright_connections", "gauge", "Connections that are open", &connections);
    let streams = plain(counts.streams.load(Ordering::Relaxed).to_string());
    one(&mut text, "calwright_event_streams", "gauge", "Event streams that are open", &streams);
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response())
}

fn one(text: &mut String, name: &str, kind: &str, about: &str, values: &[(String, String)]) {
    // Writing to a String can't fail.
    let _ = writeln!(text, "# HELP {name} {about}\n# TYPE {name} {kind}");
    for (labels, value) in values {
        let _ = writeln!(text, "{name}{labels} {value}");
    }
}
