//! Runs, their results and files.

use super::{Asked, Part, to_its_end};
use crate::http::admit::{Approver, Operator, Viewer};
use crate::http::file;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{QueueEntry, RunFilter, RunSummary};
use axum::Json;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use std::sync::Arc;

/// Most runs that are answered at once.
const MOST: u32 = 500;

/// Runs, newest first.
#[utoipa::path(get, path = "/runs", tag = "runs", params(RunFilter),
    responses((status = 200, description = "Runs", body = Vec<RunSummary>)))]
pub(super) async fn runs(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Asked(filter): Asked<RunFilter>,
) -> Result<Json<Vec<RunSummary>>, Problem> {
    if filter.limit.is_some_and(|n| !(1..=MOST).contains(&n)) {
        return Err(Problem::new(Code::Request, format!("limit has to be 1 to {MOST}")));
    }
    filter.checked().map_err(|what| Problem::new(Code::Request, what))?;
    Ok(Json(shared.desk.runs(&filter).await?))
}

/// One run.
#[utoipa::path(get, path = "/runs/{run}", tag = "runs", params(("run" = String, Path, description = "Name of the run")),
    responses((status = 200, description = "The run", body = RunSummary)))]
pub(super) async fn run(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Part(run): Part<String>,
) -> Result<Json<RunSummary>, Problem> {
    Ok(Json(shared.desk.run(&run).await?))
}

/// The result of a run that has ended.
#[utoipa::path(get, path = "/runs/{run}/result", tag = "runs",
    params(("run" = String, Path, description = "Name of the run")),
    responses((status = 200, description = "The result", body = ref("#/components/schemas/ResultRecord"))))]
pub(super) async fn result(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Part(run): Part<String>,
) -> Result<Response, Problem> {
    let result = shared.desk.result(&run).await?;
    Ok(Json(result.as_ref()).into_response())
}

/// A file of a run: its result, its journal, a certificate, raw waveforms.
#[utoipa::path(get, path = "/runs/{run}/files/{name}", tag = "runs",
    params(("run" = String, Path, description = "Name of the run"),
        ("name" = String, Path, description = "Name of the file, its folder included: raw%2F and the hash for waveforms, release-1%2F for a release")),
    responses((status = 200, description = "The file", content_type = "application/octet-stream", body = Vec<u8>)))]
pub(super) async fn file(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Part((run, name)): Part<(String, String)>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    file::answer(&shared, shared.desk.file(&run, &name).await?, &headers).await
}

/// Puts the interrupted or tripped run of a job in the queue again, to go on at its first missing point.
#[utoipa::path(post, path = "/runs/{run}/resume", tag = "runs",
    params(("run" = String, Path, description = "Name of the run")),
    responses((status = 200, description = "The job", body = QueueEntry)))]
pub(super) async fn resume(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Part(run): Part<String>,
) -> Result<Json<QueueEntry>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.resume(&who, &run).await }).await?))
}

/// Releases a draft: numbers, signs, certifies it.
#[utoipa::path(post, path = "/runs/{run}/approve", tag = "runs",
    params(("run" = String, Path, description = "Name of the run")),
    responses((status = 200, description = "The run", body = RunSummary)))]
pub(super) async fn approve(
    State(shared): State<Arc<Shared>>,
    Approver(who): Approver,
    Part(run): Part<String>,
) -> Result<Json<RunSummary>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.approve(&who, &run).await }).await?))
}
