//! The doors of the daemon: a socket of this machine, and a port with page and API.
//!
//! ```text
//!  programs of this machine ──► socket ─┐
//!  browsers, other programs ──► port ───┴─► admit: who? from where? ──► api, page, plain ──► Desk
//! ```
//!
//! Owns how people and programs reach the daemon and how they are told apart; keeps no state of the house. What a person may
//! do is asked here before anything of a request is read, and once more by the house.
//! Invariant: beyond loopback nothing is open without TLS and tokens; files of secrets are for the daemon's user alone.
//! Invariant: whatever comes in here, no run is held up by it.

pub mod admit;
pub mod api;
mod etag;
mod failures;
mod file;
pub mod house;
mod listen;
mod metrics;
mod open;
mod patience;
pub mod peer;
mod plain;
pub mod problem;
mod router;
mod seats;
pub mod sessions;
pub mod settings;
mod tls;
pub mod tokens;
pub mod zone;

pub use open::{DoorError, Doors, examine, open, open_with, socket_of, tokens_of};
pub use router::router;
pub use settings::{DoorSettings, Limits, MachineUser};
