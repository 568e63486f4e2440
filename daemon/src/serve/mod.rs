//! The daemon: one rig, a queue of jobs, and the doors through which people reach them.
//!
//! ```text
//!  person ──► http (socket, port) ──► Desk ──► queue, store, keeper of records
//!                                       │
//!                                       └────► worker thread ──► execution ──► station
//! ```
//!
//! Invariant: whatever fails here, the station of a run that goes on is not held up by it.
//! Invariant: nothing here moves a rig: a run does, under the leave that a person gave.

pub mod desk;
pub mod outbox;
pub mod words;
