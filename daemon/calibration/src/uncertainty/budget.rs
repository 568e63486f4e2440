//! A budget and what it combines to.

use super::gum::welch_satterthwaite;
use super::student::coverage_factor;
use super::{Component, Known, SimulatedEnds, UncertaintyError};

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
    /// The expanded uncertainty is never stated below this.
    least: Option<f64>,
    /// What was simulated, where that did not confirm the first order.
    simulated: Option<SimulatedEnds>,
}

/// What a budget combines to, in the budget's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom after Welch and Satterthwaite, not truncated; infinite where every component is
    /// taken as exactly known.
    pub nu_eff: f64,
    /// Coverage factor for 95.45 %, from the degrees of freedom truncated to the next lower integer; where the budget was
    /// simulated, expanded over standard uncertainty.
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
        Ok(Self { measurand, components, least: None, simulated: None })
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

    /// The components that contribute most, the largest first, with their share of the variance.
    #[must_use]
    pub fn largest(&self, count: usize) -> Vec<(&Component, f64)> {
        let variance: f64 = self.components.iter().map(|c| c.standard().powi(2)).sum();
        let share = |c: &Component| if variance > 0.0 { c.standard().powi(2) / variance } else { 0.0 };
        let mut parts: Vec<(&Component, f64)> = self.components.iter().map(|c| (c, share(c))).collect();
        parts.sort_by(|a, b| b.1.total_cmp(&a.1));
        parts.truncate(count);
        parts
    }

    /// The same, never stated below this expanded uncertainty: the best capability of the laboratory's scope.
    #[must_use]
    pub fn not_below(self, least: Option<f64>) -> Self {
        Self { least, ..self }
    }

    /// The expanded uncertainty below which it is never stated.
    #[must_use]
    pub fn least(&self) -> Option<f64> {
        self.least
    }

    /// The same with the interval of a simulation to be stated.
    pub(super) fn with_ends(self, ends: SimulatedEnds) -> Self {
        Self { simulated: Some(ends), ..self }
    }

    /// What a simulation gave that did not confirm the first order, and is stated instead.
    #[must_use]
    pub fn simulated(&self) -> Option<&SimulatedEnds> {
        self.simulated.as_ref()
    }

    /// What is known of a deviation beyond its uncertainty, where that was simulated; `scale` is what a unit of the budget is in
    /// the unit of the deviation. As much wider as more is stated than was simulated.
    #[must_use]
    pub fn known(&self, scale: f64) -> Option<Known> {
        let ends = self.simulated()?;
        let wider = (self.combined().expanded / ends.expanded()).max(1.0);
        Some(Known { quantiles: ends.quantiles.clone()?, scale: scale * wider })
    }

    /// What the components alone combine to, to first order, whatever may be stated.
    pub(super) fn of_components(&self) -> Combined {
        Combined::of(self.components.iter().map(|component| (component.standard(), component.dof())))
    }

    /// Root sum of squares with effective degrees of freedom and coverage factor (GUM 5.1.2, G.4), or the interval of a
    /// simulation where the first order was not confirmed; raised to the least that may be stated.
    #[must_use]
    pub fn combined(&self) -> Combined {
        let own = self.of_components();
        let own = match self.simulated().map(SimulatedEnds::expanded) {
            Some(expanded) if own.u > 0.0 => Combined { k: expanded / own.u, expanded, ..own },
            _ => own,
        };
        match self.least {
            Some(least) if least > own.expanded => Combined { u: least / own.k, expanded: least, ..own },
            _ => own,
        }
    }
}

impl Combined {
    /// Combines independent standard uncertainties with their degrees of freedom:
    /// `u² = Σuᵢ²`, `ν_eff = u⁴ / Σ(uᵢ⁴/νᵢ)` (GUM G.2b).
    pub(super) fn of(parts: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let u = parts.clone().map(|(u, _)| u * u).sum::<f64>().sqrt();
        let nu_eff = welch_satterthwaite(parts.map(|(u, dof)| (u * u, dof)));
        let k = coverage_factor(nu_eff);
        Self { u, nu_eff, k, expanded: k * u }
    }

    /// The uncertainty of a multiple of the result.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { u: self.u * factor.abs(), expanded: self.expanded * factor.abs(), ..self }
    }
}
