//! Shaker and amplifier of three rigs, driven from outside through the driver contract.
//!
//! Owns: comparison of the simulated motion with transfer functions, with an independent integration of the full
//! equations, and with what is known of distortion; random rigs.
//! Must not: look inside the simulator.

#[cfg(test)]
mod extras;
#[cfg(test)]
mod fit;
#[cfg(test)]
mod limited;
#[cfg(test)]
mod linear;
#[cfg(test)]
mod nonlinear;
#[cfg(test)]
mod oracle;
#[cfg(test)]
mod random_rigs;
#[cfg(test)]
#[path = "../../examples/three_rigs/mod.rs"]
mod three_rigs;
