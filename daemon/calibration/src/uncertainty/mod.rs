//! Uncertainty and decisions: budgets, coverage, the reference's certificate, rules.
//!
//! Owns: a small engine after the GUM (`gum`), components and budgets for a comparison calibration (a pure product and
//! quotient, so that every sensitivity coefficient of the relative form is 1), the uncertainty of a deviation,
//! interpolation in the reference's certificate, decisions, worked examples of the literature (`worked`). Must not know
//! signals or files.
//!
//! Magnitudes are relative (1 = 100 %), phases in rad. The two have budgets of their own.

mod budget;
mod component;
mod confirm;
mod conformity;
mod decision;
mod deviation;
mod error;
pub mod gum;
mod higher;
mod known;
mod reference;
mod student;
mod table;
pub mod worked;

pub use budget::{Budget, Combined, Measurand};
pub use component::{Component, ComponentSource, Distribution};
pub use confirm::confirm;
pub use conformity::{conformity, within_limits};
pub use decision::{Decision, DecisionRule, Statement, decide, decide_known};
pub use deviation::{deviation_between, deviation_from_nominal, difference};
pub use error::UncertaintyError;
pub use higher::SimulatedEnds;
pub use known::{Known, Quantiles};
pub use reference::{ReferenceTable, ReferenceValue};
pub use student::{COVERAGE_PROBABILITY, coverage_factor, factor as coverage_factor_at};
pub use table::BudgetRow;

#[cfg(test)]
mod tests;
