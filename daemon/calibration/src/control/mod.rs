//! Getting the armature to the wanted amplitude: what the shaker will do, and the next drive.
//!
//! Owns: the plant model ([`Plant`]), what each point will need ([`foresee`]), and the closed amplitude loop
//! ([`AmplitudeLoop`]). Must not: judge safety at run time (that is the interlock's) or know any instrument.

mod amplitude;
mod foresee;
mod plant;
mod transition;

pub use amplitude::{AmplitudeLoop, Progress, Settled, window};
pub use foresee::{Forecast, Obstacle, foresee, overshoot_allowed};
pub use plant::{Need, Plant};
