//! The run as a state machine: inputs in, actions out.
//!
//! Owns: the order of a run, the way through a point (approach → settle → dwell → once more if something is odd) and the
//! way out of it ([`stopping`]). Must not: wait, read a clock, or talk to anything. The interlock is evaluated first in
//! every step; every way out of a run passes through [`stopping`].
//!
//! ```text
//! started → soak → (one voltage in all channels) → permissives → warning → unmute → quiet → first motion → identify → point … point → first point again → quiet → (the same points with the reference in the sensors' channels) → stopping → done
//!    └──────────────────── trip, failure, hold, cancel ───────────────────────────────────────→ stopping ──┘
//! ```

mod collect;
mod dwell;
mod finding;
mod first_motion;
mod input;
mod measure;
mod permissives;
mod point;
mod probe;
mod quality;
mod quiet;
mod ratio_tone;
mod recent;
mod room;
mod run;
mod setup;
mod soak;
pub mod stopping;
mod warning;

pub use finding::{Finding, FindingKind};
pub use first_motion::{FirstMotion, Opening, Verdict};
pub use input::{
    Action, Cable, Consequence, Effective, Event, Input, Operator, Outcome, QuietTime, Reply, Stored, Target,
};
pub use measure::{Measurement, PointEnd, measure};
pub use quality::Standing;
pub use quiet::QuietRecord;
pub use ratio_tone::{RatioTone, ToneOf};
pub use recent::Recent;
pub use room::Pause;
pub use run::{Part, Resumed, Run, Seen};
pub use setup::{Setup, Waits};

#[cfg(test)]
pub(crate) mod tests;
