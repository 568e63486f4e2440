//! The page: what a person sees of the daemon in a browser, and what they can do there.
//!
//! Rendered here, whole at every request; one small script of ours keeps it up to date from the stream of events and sends
//! nothing that a form could not. Everything comes from this program: no build step, no other site.
//! Must not: hold state, or decide what a person may do. A button that is shown is a courtesy; the doors and the house ask.

mod act;
mod assets;
mod audit;
mod budget;
mod daemon;
mod deviations;
mod drift;
mod frame;
mod leave;
mod login;
mod point;
mod queue;
mod registers;
mod residual;
mod rig;
mod run;
mod runs;
mod sensor;
mod text;
mod waves;

pub use frame::problems_as_pages;

use crate::http::house::Shared;
use axum::Router;
use axum::routing::{get, post};
use std::sync::Arc;

/// The routes.
pub fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/", get(rig::page))
        .route("/part/rig", get(rig::part))
        .route("/part/deviations", get(deviations::part))
        .route("/part/queue", get(queue::part))
        .route("/part/hold", get(queue::hold_part))
        .route("/part/tripped", get(frame::tripped_part))
        .route("/queue", get(queue::page))
        .route("/submit", get(queue::submit_page))
        .route("/arm", get(leave::arm_page))
        .route("/acknowledge", get(leave::acknowledge_page))
        .route("/runs", get(runs::page))
        .route("/runs/{run}", get(run::page))
        .route("/runs/{run}/points/{point}", get(point::page))
        .route("/sensors", get(sensor::search))
        .route("/sensors/{serial}", get(sensor::page))
        .route("/registers", get(registers::page))
        .route("/audit", get(audit::page))
        .route("/daemon", get(daemon::page))
        .route("/do/daemon/{what}", post(daemon::act))
        .route("/login", get(login::page).post(login::login))
        .route("/logout", post(login::logout))
        .route("/stop", post(act::stop))
        .route("/do/queue/{what}", post(act::queue))
        .route("/do/jobs/{job}/{what}", post(act::job))
        .route("/do/runs/{run}/{what}", post(act::run))
        .route("/do/arm", post(act::arm))
        .route("/do/acknowledge", post(act::acknowledge))
        .route("/assets/{name}", get(assets::asset))
}
