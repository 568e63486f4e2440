//! What happens after a stop, and how long a rig may take to notice a fault. Pure; computed before anything moves.
//!
//! Owns: the coast after each stop ([`Coast`]), the rig's reaction to single faults and what is left of it ([`Reserve`]),
//! and the verdict on a point ([`hazards`]). Must not: judge at run time (that is the interlock's) or foresee what a
//! healthy run needs (that is control's).
//!
//! ```text
//!   motion, step, pace   the machine, its steps     reach    where a stop leads from a state
//!   coast          stops of a healthy run           notice   what monitors notice, and how soon
//!   reaction       what notices and stops a fault   reserve  a fault, phase by phase
//!   touch          when a stop that is no good leads to the stop
//!   verdict        may the point be run
//! ```

mod coast;
mod exponential;
mod motion;
pub(crate) mod notice;
mod pace;
mod reach;
mod reaction;
mod reserve;
mod step;
mod touch;
mod verdict;

#[cfg(test)]
mod tests;

pub use coast::{Coast, Stop};
pub(crate) use motion::{Coil, DISPLACEMENT, Machine, State, VELOCITY};
pub use reaction::Fault;
pub use reserve::Reserve;
pub(crate) use step::Stepper;
#[cfg(test)]
pub(crate) use tests::portable;
pub(crate) use verdict::Place;
pub use verdict::{Hazards, hazards};
