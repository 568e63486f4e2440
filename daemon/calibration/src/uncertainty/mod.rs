//! Uncertainty and decisions: budgets, coverage, the reference's certificate, rules.
//!
//! Owns: components and budgets after the GUM for a comparison calibration (a pure product and quotient, so that
//! every sensitivity coefficient of the relative form is 1), the uncertainty of a deviation, interpolation in the
//! reference's certificate, decisions. Must not know signals or files.
//!
//! Magnitudes are relative (1 = 100 %), phases in rad. The two have budgets of their own.

mod budget;
mod component;
mod decision;
mod deviation;
mod error;
mod reference;
mod student;
mod table;

pub use budget::{Budget, Combined, Measurand};
pub use component::{Component, ComponentSource, Distribution};
pub use decision::{Decision, decide};
pub use deviation::{deviation_between, deviation_from_nominal};
pub use error::UncertaintyError;
pub use plan_schema::plan::Rule as DecisionRule;
pub use reference::{ReferenceTable, ReferenceValue};
pub use student::{COVERAGE_PROBABILITY, coverage_factor};

#[cfg(test)]
mod tests;
