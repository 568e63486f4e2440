//! The simulated rig, driven from outside through the driver contract.
//!
//! Owns: comparison of the simulated motion with the closed forms of the linear equations, and what each fault does.
//! Must not: look inside the simulator.

mod bench;
mod channels;
mod faults;
mod limits;
mod motion;
mod stopping;
