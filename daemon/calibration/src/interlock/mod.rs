//! The interlock: what may never be exceeded, who says stop, and the latch.
//!
//! Owns: the ceilings of a point ([`Ceiling`]), the monitors that watch every block ([`Monitor`]), the reasons to trip
//! ([`TripReason`]) and the machine that gives and withdraws leave ([`Interlock`]). It is evaluated before anything else
//! in every step of a run. Must not: wait, or depend on the run machine.
//!
//! These interlocks protect equipment and data. They are no safety function in the sense of machine-safety standards.

mod agreement;
mod ceiling;
mod displacement;
mod drive;
mod follow;
mod machine;
mod monitor;
pub(crate) mod observer;
mod reference;
mod source;
mod stroke;
mod thermal;
mod told;
mod tones;
mod transition;
mod trip;

pub use ceiling::AboveForeseen;
pub use displacement::{BEYOND_CEILING, DisplacementChannel};
pub use drive::DriveMonitor;
pub use machine::Interlock;
pub use monitor::{Ceiling, Limits, Monitor, Watch};
pub use observer::{Commanded, Departure, Observed, Observer};
pub use stroke::{StrokeLimits, StrokeMonitor};
pub use told::{Coil, CoilHeat, Other, Told};
pub use tones::Tones;
pub use transition::{Event, Order, State, may_be_the_amplifiers, next};
pub use trip::{Trip, TripReason};

#[cfg(test)]
mod tests;
