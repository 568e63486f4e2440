//! What was done by whom, what a sensor showed over the years, and what the registers say.

use super::{Asked, Part};
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{AuditEntry, HistoryPoint, Registers};
use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use std::sync::Arc;
use utoipa::IntoParams;

/// Entries that are answered where nobody says how many, and at most.
const USUAL: u32 = 100;
const MOST: u32 = 1000;

/// Which part of the audit is wanted.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct Stretch {
    /// Entries before this one.
    before: Option<i64>,
    /// At most so many, 100 unless said, 1000 at most.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
}

/// What one sensor showed over the years, oldest first.
#[utoipa::path(get, path = "/history/{serial}", tag = "records",
    params(("serial" = String, Path, description = "Serial of the sensor")),
    responses((status = 200, description = "Its calibrations", body = Vec<HistoryPoint>)))]
pub(super) async fn history(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Part(serial): Part<String>,
) -> Result<Json<Vec<HistoryPoint>>, Problem> {
    Ok(Json(shared.desk.history(&serial).await?))
}

/// Sensors and references as the registers said of them, with every version of a calibration that was used here, and what is due.
#[utoipa::path(get, path = "/registers", tag = "records",
    responses((status = 200, description = "The registers", body = Registers)))]
pub(super) async fn registers(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
) -> Result<Json<Registers>, Problem> {
    Ok(Json(shared.desk.registers().await?))
}

/// The audit, newest first.
#[utoipa::path(get, path = "/audit", tag = "records", params(Stretch),
    responses((status = 200, description = "Entries", body = Vec<AuditEntry>)))]
pub(super) async fn audit(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Asked(stretch): Asked<Stretch>,
) -> Result<Json<Vec<AuditEntry>>, Problem> {
    let limit = stretch.limit.unwrap_or(USUAL);
    if !(1..=MOST).contains(&limit) {
        return Err(Problem::new(Code::Request, format!("limit has to be 1 to {MOST}")));
    }
    Ok(Json(shared.desk.audit(stretch.before, limit).await?))
}
