//! The calibration itself, pure.
//!
//! Owns: estimation ([`estimate`]), amplitude control ([`control`]), the interlock ([`interlock`]), uncertainty and
//! decisions ([`uncertainty`]), the run as a state machine ([`sequence`]) and what follows from its measurements
//! ([`evaluate`]).
//!
//! Invariant: no input or output, no clock, no waiting, no randomness. The shell hands in sample blocks, replies and
//! liveness, and carries out the actions that come back; a run can be replayed from its inputs.
//! Invariant: nothing here is serialised. Records have twins of their own in the shell.

pub mod block;
pub mod control;
pub mod estimate;
pub mod evaluate;
pub mod hazard;
pub mod interlock;
pub mod sequence;
pub mod uncertainty;
