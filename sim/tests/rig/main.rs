//! The simulated rig, driven from outside through the driver contract.
//!
//! Owns: comparison of the simulated motion with the closed forms of the linear equations, and what each fault does.
//! Must not: look inside the simulator.

#[cfg(test)]
mod anything;
#[cfg(test)]
mod bench;
#[cfg(test)]
mod channels;
#[cfg(test)]
mod electronics;
#[cfg(test)]
mod facts;
#[cfg(test)]
mod fault_schedules;
#[cfg(test)]
mod fault_sizes;
#[cfg(test)]
mod faults;
#[cfg(test)]
mod limits;
#[cfg(test)]
mod motion;
#[cfg(test)]
mod sampling;
#[cfg(test)]
mod stopping;
#[cfg(test)]
mod unknowns;
#[cfg(test)]
mod witnesses;
