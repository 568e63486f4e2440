//! Jobs in the queue.

use super::{Part, Said, to_its_end};
use crate::http::admit::{Operator, Viewer};
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{QueueEntry, Submission};
use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use utoipa::ToSchema;

/// The header by which a client marks a submission, so that it can send it again after a lost answer.
pub const KEY_HEADER: HeaderName = HeaderName::from_static("idempotency-key");

/// Longest key.
const KEY_MAX: usize = 128;

/// Highest place that can be asked for.
const PLACE_MAX: u32 = 100_000;

/// Why something is held or cancelled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Reason {
    /// In words; it goes into the audit.
    pub reason: String,
}

/// Where a job is to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Place among those that wait, from 1; one behind the last is the last.
    #[schema(minimum = 1, maximum = 100_000)]
    pub place: u32,
}

/// The queue: what runs, what waits in order, then what ended lately.
#[utoipa::path(get, path = "/jobs", tag = "jobs",
    responses((status = 200, description = "The queue", body = Vec<QueueEntry>)))]
pub(super) async fn jobs(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
) -> Result<Json<Vec<QueueEntry>>, Problem> {
    Ok(Json(shared.desk.queue().await?))
}

/// One job.
#[utoipa::path(get, path = "/jobs/{job}", tag = "jobs", params(("job" = i64, Path, description = "Number of the job")),
    responses((status = 200, description = "The job", body = QueueEntry)))]
pub(super) async fn job(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Part(job): Part<i64>,
) -> Result<Json<QueueEntry>, Problem> {
    Ok(Json(shared.desk.job(job).await?))
}

/// Hands in a job: texts, checked at once. With a key that came before, the answer is the same and there is no second job.
#[utoipa::path(post, path = "/jobs", tag = "jobs", request_body = Submission,
    params(("Idempotency-Key" = Option<String>, Header, min_length = 1, max_length = 128, pattern = "^[!-~]+$",
        description = "A word of the client's own for this submission, so that it can be sent again")),
    responses((status = 201, description = "The job is in the queue", body = QueueEntry,
        headers(("Location" = String, description = "Where the job is")))))]
pub(super) async fn submit(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    headers: HeaderMap,
    Said(submission): Said<Submission>,
) -> Result<Response, Problem> {
    let key = key(&headers)?;
    let entry = to_its_end(async move { shared.desk.submit(&who, submission, key).await }).await?;
    let place = HeaderValue::from_str(&format!("{}/jobs/{}", super::BASE, entry.job));
    let mut answer = (StatusCode::CREATED, Json(entry)).into_response();
    if let Ok(place) = place {
        answer.headers_mut().insert(header::LOCATION, place);
    }
    Ok(answer)
}

/// The key of a submission.
fn key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let mut all = headers.get_all(KEY_HEADER).iter();
    let Some(value) = all.next() else { return Ok(None) };
    let fine =
        |v: &HeaderValue| (1..=KEY_MAX).contains(&v.len()) && v.as_bytes().iter().all(u8::is_ascii_graphic);
    match value.to_str() {
        Ok(text) if fine(value) && all.next().is_none() => Ok(Some(text.to_owned())),
        _ => {
            let text =
                format!("Idempotency-Key has to be one word of 1 to {KEY_MAX} visible ASCII characters");
            Err(Problem::new(Code::Request, text))
        }
    }
}

/// Holds a job back.
#[utoipa::path(post, path = "/jobs/{job}/hold", tag = "jobs", request_body = Reason,
    params(("job" = i64, Path, description = "Number of the job")),
    responses((status = 200, description = "The job as it is now", body = QueueEntry)))]
pub(super) async fn hold_job(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Part(job): Part<i64>,
    Said(why): Said<Reason>,
) -> Result<Json<QueueEntry>, Problem> {
    let done = async move {
        shared.desk.hold(&who, Some(job), &why.reason).await?;
        shared.desk.job(job).await
    };
    Ok(Json(to_its_end(done).await?))
}

/// Lets a held job go on.
#[utoipa::path(post, path = "/jobs/{job}/unhold", tag = "jobs",
    params(("job" = i64, Path, description = "Number of the job")),
    responses((status = 200, description = "The job as it is now", body = QueueEntry)))]
pub(super) async fn unhold_job(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Part(job): Part<i64>,
) -> Result<Json<QueueEntry>, Problem> {
    let done = async move {
        shared.desk.unhold(&who, Some(job)).await?;
        shared.desk.job(job).await
    };
    Ok(Json(to_its_end(done).await?))
}

/// Puts a job that waits at a place.
#[utoipa::path(post, path = "/jobs/{job}/move", tag = "jobs", request_body = Place,
    params(("job" = i64, Path, description = "Number of the job")),
    responses((status = 200, description = "The job as it is now", body = QueueEntry)))]
pub(super) async fn move_job(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Part(job): Part<i64>,
    Said(to): Said<Place>,
) -> Result<Json<QueueEntry>, Problem> {
    if !(1..=PLACE_MAX).contains(&to.place) {
        return Err(Problem::new(Code::Input, format!("a place is a number from 1 to {PLACE_MAX}")));
    }
    let done = async move { shared.desk.move_to(&who, job, to.place).await };
    Ok(Json(to_its_end(done).await?))
}

/// Takes a job out; one that runs winds down.
#[utoipa::path(post, path = "/jobs/{job}/cancel", tag = "jobs", request_body = Reason,
    params(("job" = i64, Path, description = "Number of the job")),
    responses((status = 200, description = "The job as it is now", body = QueueEntry)))]
pub(super) async fn cancel_job(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Part(job): Part<i64>,
    Said(why): Said<Reason>,
) -> Result<Json<QueueEntry>, Problem> {
    let done = async move { shared.desk.cancel(&who, job, &why.reason).await };
    Ok(Json(to_its_end(done).await?))
}

/// Holds the queue: nothing new begins.
#[utoipa::path(post, path = "/queue/hold", tag = "jobs", request_body = Reason,
    responses((status = 204, description = "The queue is held")))]
pub(super) async fn hold_queue(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
    Said(why): Said<Reason>,
) -> Result<StatusCode, Problem> {
    to_its_end(async move { shared.desk.hold(&who, None, &why.reason).await }).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Lets the queue go on.
#[utoipa::path(post, path = "/queue/unhold", tag = "jobs",
    responses((status = 204, description = "The queue goes on")))]
pub(super) async fn unhold_queue(
    State(shared): State<Arc<Shared>>,
    Operator(who): Operator,
) -> Result<StatusCode, Problem> {
    to_its_end(async move { shared.desk.unhold(&who, None).await }).await?;
    Ok(StatusCode::NO_CONTENT)
}
