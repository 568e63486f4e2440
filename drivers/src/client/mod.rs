//! The daemon's side of the protocol: an instrument in a process of its own looks like any other.
//!
//! ```text
//!   role handles ──► Link ──queue──► writer thread ──► standard input of the host
//!                     ▲               heartbeats in between, from Hosts
//!                     └── replies, blocks, the end ◄── reader thread ◄── standard output
//!   log ◄── a thread ◄── standard error
//! ```
//!
//! Owns: starting a host, what goes over its streams, and what follows when it is gone. Must not: start any program but
//! this one and those in folders that the settings list. Invariant: whoever waits for a host waits for a bounded time,
//! and never for its pipe.

mod factory;
mod hosts;
mod link;
mod log;
mod program;
mod roles;
mod safe;

pub use factory::{Hosted, HostedOptions, PLUG_IN, PlugIns};
pub use hosts::Hosts;
pub(crate) use log::log_all;
pub use program::{Program, ProgramError};
pub(crate) use safe::RESTART;
