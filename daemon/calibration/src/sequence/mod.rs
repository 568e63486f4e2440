//! The run as a state machine: inputs in, actions out.
//!
//! Owns: the order of a run (quiet → points → quiet → ramp down), the way through a point (approach → settle → dwell)
//! and the way out of it ([`stopping`]). Must not: wait, read a clock, or talk to anything. The interlock is evaluated
//! first in every step; every way out of a run passes through [`stopping`].
//!
//! ```text
//! Idle ─started→ Unmuting → Quiet(before) → Point 1 … Point n → Quiet(after) → Stopping(done) → Done
//!                    └───────────────┴─── trip, failure, cancel ───┴─────────→ Stopping(…)  ──┘
//! ```

mod collect;
mod input;
mod measure;
mod point;
mod quiet;
mod recent;
mod run;
mod setup;
pub mod stopping;

pub use input::{
    Action, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Stored, Target,
};
pub use measure::{Finding, FindingKind, Measurement, PointEnd, measure};
pub use quiet::QuietRecord;
pub use recent::Recent;
pub use run::Run;
pub use setup::Setup;

#[cfg(test)]
mod tests;
