//! The daemon itself: another rig file or template put in force, and its end before an upgrade.

use super::{Said, to_its_end};
use crate::http::admit::Admin;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{Draining, Reloaded, Reloading, RigState};
use axum::Json;
use axum::extract::State;
use std::sync::Arc;

/// Puts the rig's file and the certificate template in force as they lie on the disk. They are checked first, and only while
/// nothing runs; leave to move lapses with a changed rig file.
#[utoipa::path(post, path = "/reload", tag = "daemon", request_body = Reloading,
    responses((status = 200, description = "What was put in force, or would be", body = Reloaded)))]
pub(super) async fn reload(
    State(shared): State<Arc<Shared>>,
    Admin(who): Admin,
    Said(what): Said<Reloading>,
) -> Result<Json<Reloaded>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.reload(&who, what).await }).await?))
}

/// Lets the run that goes on come to its end and begins no other, before an upgrade; then ends the daemon where that is wanted.
#[utoipa::path(post, path = "/drain", tag = "daemon", request_body = Draining,
    responses((status = 200, description = "State of the rig", body = RigState)))]
pub(super) async fn drain(
    State(shared): State<Arc<Shared>>,
    Admin(who): Admin,
    Said(what): Said<Draining>,
) -> Result<Json<RigState>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.drain(&who, what).await }).await?))
}
