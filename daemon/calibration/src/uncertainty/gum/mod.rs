//! A small engine after the GUM: named inputs and a model to results with their uncertainty, to first order (JCGM 100) and by
//! simulation (JCGM 101).
//!
//! Owns: inputs and their distributions, correlations, derivatives, propagation, simulation. Must not know calibrations,
//! signals or files; draws nothing by chance itself ([`Uniforms`] are handed in).

mod correlation;
mod error;
mod input;
mod number;
mod propagate;
mod random;
mod simulate;

pub use correlation::Correlations;
pub use error::GumError;
pub use input::{Input, Shape, normal_cdf, normal_quantile};
pub use number::{Dual, Number};
pub(super) use propagate::welch_satterthwaite;
pub use propagate::{Inputs, Model, Propagated, propagate, second_order};
pub use random::{Counted, Uniforms};
pub use simulate::{
    Comparison, Interval, Simulated, Simulation, compare, hold_against, simulate, tolerance, trials,
};

#[cfg(test)]
mod tests;
