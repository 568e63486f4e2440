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

pub mod archive;
pub mod backup;
pub mod counts;
mod crier;
pub mod desk;
mod difference;
pub mod directory;
pub mod house;
pub mod keeper;
pub mod kept;
pub mod names;
pub mod news;
pub mod outbox;
pub mod queue;
pub mod reindex;
pub mod rig;
mod room;
pub mod settings;
pub mod store;
pub mod watcher;
pub mod words;
