//! The rig: its state, leave to move, trips, and the stop.

use super::{Said, to_its_end};
use crate::http::admit::{AtMachine, Caller, Viewer};
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{Acknowledging, Arming, RigState, Stopped};
use axum::Json;
use axum::extract::State;
use std::sync::Arc;

/// State of the rig.
#[utoipa::path(get, path = "/rig", tag = "rig",
    responses((status = 200, description = "State of the rig", body = RigState)))]
pub(super) async fn rig(State(shared): State<Arc<Shared>>, _: Viewer) -> Result<Json<RigState>, Problem> {
    Ok(Json(shared.desk.rig().await?))
}

/// Makes the rig safe now. Nobody has to say who they are for it; it is recorded with the name where one is known. No
/// replacement for the emergency stop: where `at_rest` is false, use that one.
#[utoipa::path(post, path = "/stop", tag = "rig", security((), ("token" = []), ("session" = [])),
    responses((status = 200, description = "How it went", body = Stopped)))]
pub(super) async fn stop(
    State(shared): State<Arc<Shared>>,
    caller: Caller,
) -> Result<Json<Stopped>, Problem> {
    Ok(Json(
        to_its_end(async move { shared.desk.stop(caller.person.as_ref(), &caller.peer.whence()).await })
            .await?,
    ))
}

/// Gives leave to move, after the check-list. An armature crushes and throws: only with the rig in view.
#[utoipa::path(post, path = "/arm", tag = "rig", request_body = Arming,
    responses((status = 200, description = "State of the rig", body = RigState)))]
pub(super) async fn arm(
    State(shared): State<Arc<Shared>>,
    AtMachine(who): AtMachine,
    Said(what): Said<Arming>,
) -> Result<Json<RigState>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.arm(&who, what).await }).await?))
}

/// Clears a trip, when its cause is found and gone.
#[utoipa::path(post, path = "/acknowledge", tag = "rig", request_body = Acknowledging,
    responses((status = 200, description = "State of the rig", body = RigState)))]
pub(super) async fn acknowledge(
    State(shared): State<Arc<Shared>>,
    AtMachine(who): AtMachine,
    Said(what): Said<Acknowledging>,
) -> Result<Json<RigState>, Problem> {
    Ok(Json(to_its_end(async move { shared.desk.acknowledge(&who, what).await }).await?))
}
