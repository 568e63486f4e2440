//! Getting the armature to the wanted amplitude: what the shaker will do, and the next drive.
//!
//! Owns: the shaker of the rig file ([`Plant`]) and what a run learns of it ([`PlantModel`]), what each point will need
//! ([`foresee`]), the largest amplitude where a plan asks for it
//! ([`resolve`]), the way to its amplitude ([`Approach`]), how long a sensor's decay is waited for ([`decay_wait`]), and
//! the order of points that saves time ([`order`]). Must not: judge safety at run time (that is the interlock's) or know any instrument.

mod approach;
mod bent;
mod decay;
mod foresee;
mod identify;
mod largest;
mod noise;
mod order;
mod parallel;
mod plant;
#[cfg(test)]
mod rigs;
mod transition;

pub use approach::{Approach, Goal, Progress, Seen, Settled, first_share, window};
pub use decay::decay_wait;
pub(crate) use foresee::ceiling;
pub use foresee::{Forecast, Obstacle, eccentric_moment, foresee, foresee_all, overshoot_allowed};
pub use identify::PlantModel;
pub use largest::resolve;
pub(crate) use noise::SEGMENTS;
pub use noise::{Scatter, scatter};
pub use order::order;
pub use plant::{Need, Plant};
