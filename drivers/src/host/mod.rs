//! The host: the process that one instrument runs in, the child's side of the protocol.
//!
//! ```text
//!   standard input ─► reader thread ─┬─ make_safe ─► a task of its own, at once
//!                                    ├─ heartbeat ─► believed or not ─► watch (the thread that called `serve`)
//!                                    └─ the rest ──► one task a role, which owns it
//!   replies first, then blocks ◄── bounded queues ◄─┘        writer thread ─► standard output
//! ```
//!
//! Owns: the order of the host's life, and that its instrument is safe when it ends: at the end of the input, at a
//! heartbeat that is missed or not believed, at SIGTERM and SIGINT. Must not: judge a measurement, or do anything of a
//! driver's work. Invariant: neither the reader nor the watch ever waits for an instrument or for standard output.

mod dispatch;
mod leave;
mod log;
mod output;
mod roles;
mod safe;
mod serve;

pub use log::log_to_standard_error;
pub use serve::{End, serve};
