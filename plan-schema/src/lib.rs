//! What people write for Calwright, and the units everything else speaks.
//!
//! Owns: newtypes of quantities ([`units`]), the reader that turns TOML into plain types and reports every
//! mistake with its place ([`read`]), and the formats themselves: [`plan`], [`job`], [`rig`], [`registers`],
//! [`faults`]. [`resolve`] checks the files of one job, each by itself and against the others, and puts them
//! together; [`chain`] is what lies between motion and samples. [`record`] keeps what was written as JSON and reads it back; [`migrate`](mod@migrate) rewrites older formats; [`schema`] gives the JSON Schemas.
//!
//! Must not: touch files, clocks or networks. Callers hand in text and get values or diagnostics.

pub mod chain;
mod checks;
pub mod faults;
#[cfg(test)]
mod fixture;
pub mod job;
pub mod mains;
pub mod migrate;
pub mod plan;
pub mod read;
pub mod record;
pub mod registers;
pub mod resolve;
pub mod rig;
mod schemas;
pub mod scope;
pub mod simulation;
pub mod units;

pub use checks::{Checked, check_faults, check_rig, check_scope};
pub use schemas::{WRITTEN_KINDS, schema};
