//! A budget and what it combines to.

use super::student::coverage_factor;
use super::{Component, UncertaintyError};

/// What a budget is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measurand {
    /// Magnitude of a sensitivity; values are relative.
    Magnitude,
    /// Phase of a sensitivity; values in rad.
    Phase,
}

/// The components of one result. No two bear the same name.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    measurand: Measurand,
    components: Vec<Component>,
}

/// What a budget combines to, in the budget's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom after Welch and Satterthwaite, not truncated; infinite where every component is
    /// taken as exactly known.
    pub nu_eff: f64,
    /// Coverage factor for 95.45 %, from the degrees of freedom truncated to the next lower integer.
    pub k: f64,
    /// Expanded uncertainty `k·u`.
    pub expanded: f64,
}

impl Budget {
    /// A budget of these components.
    ///
    /// # Errors
    /// `RepeatedName`.
    pub fn new(measurand: Measurand, components: Vec<Component>) -> Result<Self, UncertaintyError> {
        for (position, component) in components.iter().enumerate() {
            if components.iter().take(position).any(|before| before.name() == component.name()) {
                return Err(UncertaintyError::RepeatedName { component: component.name().to_owned() });
            }
        }
        Ok(Self { measurand, components })
    }

    /// What it is about.
    #[must_use]
    pub fn measurand(&self) -> Measurand {
        self.measurand
    }

    /// The components, in the order given.
    #[must_use]
    pub fn components(&self) -> &[Component] {
        &self.components
    }

    /// The component of this name.
    #[must_use]
    pub fn component(&self, name: &str) -> Option<&Component> {
        self.components.iter().find(|component| component.name() == name)
    }

    /// Root sum of squares with effective degrees of freedom and coverage factor (GUM 5.1.2, G.4).
    #[must_use]
    pub fn combined(&self) -> Combined {
        Combined::of(self.components.iter().map(|component| (component.standard(), component.dof())))
    }
}

impl Combined {
    /// Combines independent standard uncertainties with their degrees of freedom:
    /// `u² = Σuᵢ²`, `ν_eff = u⁴ / Σ(uᵢ⁴/νᵢ)` (GUM G.2b).
    pub(super) fn of(parts: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let u = parts.clone().map(|(u, _)| u * u).sum::<f64>().sqrt();
        // Shares of u instead of fourth powers, which a phase in rad could drive below the smallest number.
        let unknown: f64 =
            if u > 0.0 { parts.map(|(part, dof)| (part / u).powi(4) / dof).sum() } else { 0.0 };
        let nu_eff = if unknown > 0.0 { 1.0 / unknown } else { f64::INFINITY };
        let k = coverage_factor(nu_eff);
        Self { u, nu_eff, k, expanded: k * u }
    }

    /// The uncertainty of a multiple of the result.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { u: self.u * factor.abs(), expanded: self.expanded * factor.abs(), ..self }
    }
}
