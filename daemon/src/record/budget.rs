//! The budgets of a point as they are recorded: every component with where its figure comes from.
//!
//! Owns their shape in `result.json`, and the way there from the core's budgets. Must not compute: standard uncertainties,
//! contributions and what they combine to come from the core.

use super::words::vocabulary;
use calibration::evaluate::Value;
use calibration::uncertainty::{self, Budget, BudgetRow, Combined};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The budgets of one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetsRecord {
    /// Budget of the magnitude of the sensitivity, relative.
    pub magnitude: BudgetRecord,
    /// Budget of the phase; null where there is no phase.
    pub phase: Option<BudgetRecord>,
    /// Budget of the ratio of the sensitivity to that at the reference frequency, where deviations refer to that; times the
    /// ratio it is that of the deviation. Null where deviations refer to the nominal value, whose budget is the magnitude's.
    pub ratio: Option<BudgetRecord>,
}

/// A budget: rows, and what they combine to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetRecord {
    /// Unit of every value below: `percent` or `deg`.
    pub unit: String,
    /// The components.
    pub rows: Vec<BudgetRowRecord>,
    /// Combined standard uncertainty, in `unit`.
    pub combined: f64,
    /// Effective degrees of freedom; null when they are without limit.
    pub nu_eff: Option<f64>,
    /// Coverage factor: expanded over combined uncertainty.
    pub coverage_factor: f64,
    /// Expanded uncertainty, in `unit`.
    pub expanded: f64,
    /// How the expanded uncertainty was found.
    pub by: PropagatedBy,
    /// Ends of the simulated interval about zero, in `unit`, and the trials; null unless it was found by simulation.
    pub simulated: Option<SimulatedRecord>,
    /// The best capability in the laboratory's scope, in `unit`, below which nothing is stated; null where there is none.
    pub least: Option<f64>,
}

/// One component.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetRowRecord {
    /// What it is called.
    pub component: String,
    /// Where its figure comes from.
    pub source: BudgetSource,
    /// How it is distributed.
    pub distribution: BudgetDistribution,
    /// The figure as stated: an expanded or standard uncertainty, or a half-width of limits.
    pub value: f64,
    /// What that is divided by to give the standard uncertainty.
    pub divisor: f64,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
    /// Sensitivity coefficient: 1, since magnitudes are relative in a product, and phases add.
    pub sensitivity_coefficient: f64,
    /// Contribution to the combined standard uncertainty.
    pub contribution: f64,
    /// Degrees of freedom; null when they are without limit.
    pub dof: Option<f64>,
    /// Correlation of its error between this frequency and the reference frequency.
    pub correlation: f64,
}

/// A simulation after JCGM 101.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SimulatedRecord {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Trials made.
    pub trials: u64,
}

vocabulary! {
    /// Where the figure of a component comes from.
    BudgetSource {
        /// Measured in this run.
        ThisRun = "this_run",
        /// The reference's calibration certificate.
        ReferenceCertificate = "reference_certificate",
        /// The rig file.
        RigFile = "rig_file",
        /// A register of sensors or references.
        Register = "register",
    }
}

vocabulary! {
    /// How a component is distributed, and so what its figure means.
    BudgetDistribution {
        /// An expanded uncertainty, divided by its coverage factor.
        Normal = "normal",
        /// Limits between which every value is as likely.
        Rectangular = "rectangular",
        /// Limits, the middle likeliest.
        Triangular = "triangular",
        /// A value that swings between limits.
        Arcsine = "arcsine",
        /// Transverse sensitivity times transverse motion times the cosine of an unknown angle.
        Transverse = "transverse",
        /// A standard uncertainty from repeated observation.
        TypeA = "type_a",
    }
}

vocabulary! {
    /// How an expanded uncertainty was found.
    PropagatedBy {
        /// Law of propagation of uncertainty, effective degrees of freedom.
        FirstOrder = "first_order",
        /// Propagation of distributions by simulation, which did not confirm the first order.
        Simulation = "simulation",
        /// The best capability of the scope, which is larger than what the budget gives.
        Scope = "scope",
    }
}

impl BudgetsRecord {
    /// The budgets of a point.
    #[must_use]
    pub fn of(value: &Value) -> Self {
        Self {
            magnitude: BudgetRecord::of(&value.magnitude, "percent", 100.0),
            phase: value.phase_budget.as_ref().map(|b| BudgetRecord::of(b, "deg", 1_f64.to_degrees())),
            ratio: value.ratio.as_ref().map(|b| BudgetRecord::of(b, "percent", 100.0)),
        }
    }
}

impl BudgetRecord {
    fn of(budget: &Budget, unit: &str, scale: f64) -> Self {
        let Combined { u, nu_eff, k, expanded } = budget.combined();
        let simulated = budget.simulated();
        let lifted = budget.least().is_some_and(|least| least >= expanded);
        Self {
            unit: unit.to_owned(),
            rows: budget.rows().iter().map(|row| BudgetRowRecord::of(row, scale)).collect(),
            combined: u * scale,
            nu_eff: finite(nu_eff),
            coverage_factor: k,
            expanded: expanded * scale,
            by: match simulated {
                _ if lifted => PropagatedBy::Scope,
                Some(_) => PropagatedBy::Simulation,
                None => PropagatedBy::FirstOrder,
            },
            simulated: simulated.map(|ends| SimulatedRecord {
                low: ends.interval.low * scale,
                high: ends.interval.high * scale,
                trials: ends.trials as u64,
            }),
            least: budget.least().map(|least| least * scale),
        }
    }
}

impl BudgetRowRecord {
    fn of(row: &BudgetRow, scale: f64) -> Self {
        Self {
            component: row.name.clone(),
            source: row.origin.into(),
            distribution: row.distribution.into(),
            value: row.value * scale,
            divisor: row.divisor,
            standard_uncertainty: row.value / row.divisor * scale,
            sensitivity_coefficient: row.sensitivity,
            contribution: row.contribution * scale,
            dof: finite(row.dof),
            correlation: row.correlation,
        }
    }
}

impl From<uncertainty::ComponentSource> for BudgetSource {
    fn from(source: uncertainty::ComponentSource) -> Self {
        match source {
            uncertainty::ComponentSource::ThisRun => Self::ThisRun,
            uncertainty::ComponentSource::ReferenceCertificate => Self::ReferenceCertificate,
            uncertainty::ComponentSource::RigFile => Self::RigFile,
            uncertainty::ComponentSource::Register => Self::Register,
        }
    }
}

impl From<uncertainty::Distribution> for BudgetDistribution {
    fn from(distribution: uncertainty::Distribution) -> Self {
        match distribution {
            uncertainty::Distribution::Normal { .. } => Self::Normal,
            uncertainty::Distribution::Rectangular => Self::Rectangular,
            uncertainty::Distribution::Triangular => Self::Triangular,
            uncertainty::Distribution::Arcsine => Self::Arcsine,
            uncertainty::Distribution::Transverse => Self::Transverse,
            uncertainty::Distribution::TypeA => Self::TypeA,
        }
    }
}

/// JSON has no infinite numbers; what is infinite is null.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use calibration::uncertainty::{Component, ComponentSource, Distribution, Measurand};

    #[test]
    fn every_row_keeps_its_source_and_adds_up() {
        let parts = vec![
            Component::new(
                "a",
                ComponentSource::ReferenceCertificate,
                Distribution::Normal { k: 2.0 },
                0.004,
            ),
            Component::new("b", ComponentSource::RigFile, Distribution::Rectangular, 0.001),
            Component::type_a("c", 0.0003, 9.0),
        ];
        let parts = parts.into_iter().collect::<Result<Vec<_>, _>>().unwrap();
        let record = BudgetRecord::of(&Budget::new(Measurand::Magnitude, parts).unwrap(), "percent", 100.0);
        let squares: f64 = record.rows.iter().map(|r| r.contribution.powi(2)).sum();
        assert!((squares.sqrt() / record.combined - 1.0).abs() < 1e-14);
        assert!((record.expanded / record.combined / record.coverage_factor - 1.0).abs() < 1e-14);
        let sources: Vec<_> = record.rows.iter().map(|r| (r.source, r.distribution, r.dof)).collect();
        assert_eq!(
            sources,
            [
                (BudgetSource::ReferenceCertificate, BudgetDistribution::Normal, None),
                (BudgetSource::RigFile, BudgetDistribution::Rectangular, None),
                (BudgetSource::ThisRun, BudgetDistribution::TypeA, Some(9.0)),
            ]
        );
        assert_eq!((record.by, record.simulated), (PropagatedBy::FirstOrder, None));
    }
}
