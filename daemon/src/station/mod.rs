//! The station: devices, leave, the run and its interlock, on a thread of their own.
//!
//! ```text
//!              commands                      Input            Action
//!  devices ◄──────────── engine (one thread) ──────► Run::step ──────► engine
//!     │  replies, blocks    ▲        │ bounded
//!     └─────────────────────┘        ▼
//!                              writer thread ── run directory, latch
//! ```
//!
//! Invariant: the station's thread touches no disk, database or network client, and renders nothing.
//! Invariant: a real rig moves only under the leave of a named person; a dry run never touches that leave.
//! Invariant: the only issuer of permits lives here.

pub mod acknowledge;
pub mod clock;
mod devices;
mod engine;
pub mod latch;
pub mod leave;
pub mod leave_file;
pub mod line;
mod messages;
mod power;
mod relayed;
pub mod safe;
mod supervise;
mod writer;

pub use clock::Clock;
pub use engine::Report;
pub use messages::Observer;
pub use supervise::{Authority, Mission, Start, StationError, may_begin, run};
pub use writer::RunStore;

#[cfg(test)]
mod tests;
