//! The uncertainty of a deviation, which is not that of the sensitivity.

use super::{Budget, Combined, Component, Measurand, UncertaintyError};

/// Uncertainty of the deviation from a nominal value, `D = S/S_nominal − 1`: the nominal value is exact, so
/// `u(D) = (1 + D)·u_rel(S)`. For a phase the deviation is a difference, and `u` is that of the phase.
#[must_use]
pub fn deviation_from_nominal(budget: &Budget, deviation: f64) -> Combined {
    budget.combined().scaled(scale(budget, deviation))
}

/// Uncertainty of the deviation from the value at the reference frequency, `D = S/S_ref − 1` (for a phase, the
/// difference). A component that both budgets have (by name) with correlation r counts as
/// `u² = u₁² + u₂² − 2 r u₁ u₂` (GUM 5.2.2), so that what is common to both frequencies cancels; others are
/// independent. The sum is scaled by `1 + D`.
///
/// Welch and Satterthwaite's formula holds for independent parts: components with r = 0 count apart; a correlated
/// pair counts as one part with the smaller degrees of freedom of the two.
///
/// # Errors
/// `KindsDisagree` for a magnitude against a phase; `CorrelationsDisagree` where the two budgets state different
/// correlations for one component.
pub fn deviation_between(
    budget: &Budget,
    at_reference_frequency: &Budget,
    deviation: f64,
) -> Result<Combined, UncertaintyError> {
    Ok(difference(budget, at_reference_frequency)?.combined().scaled(scale(budget, deviation)))
}

/// The budget of the ratio of the value at one frequency to that at the reference frequency (for a phase, of their
/// difference), before it is scaled by 1 + D: see [`deviation_between`].
///
/// # Errors
/// As [`deviation_between`].
pub fn difference(budget: &Budget, at_reference_frequency: &Budget) -> Result<Budget, UncertaintyError> {
    if budget.measurand() != at_reference_frequency.measurand() {
        return Err(UncertaintyError::KindsDisagree);
    }
    let mut parts = Vec::new();
    for component in budget.components() {
        match at_reference_frequency.component(component.name()) {
            None => parts.push(component.clone()),
            Some(other) => add_pair(component, other, &mut parts)?,
        }
    }
    let alone =
        at_reference_frequency.components().iter().filter(|other| budget.component(other.name()).is_none());
    parts.extend(alone.map(there));
    Budget::new(budget.measurand(), parts)
}

fn add_pair(one: &Component, other: &Component, parts: &mut Vec<Component>) -> Result<(), UncertaintyError> {
    let r = one.correlation_over_frequency();
    if (r - other.correlation_over_frequency()).abs() > f64::EPSILON {
        return Err(UncertaintyError::CorrelationsDisagree { component: one.name().to_owned() });
    }
    if r > 0.0 {
        let (u1, u2) = (one.standard(), other.standard());
        // (u1 − u2)² + 2(1 − r)u1·u2: the same, without a difference of nearly equal squares.
        let square = (u1 - u2).powi(2) + 2.0 * (1.0 - r) * u1 * u2;
        let stated = square.sqrt() * one.distribution().divisor();
        let together = Component::new(one.name(), one.source(), one.distribution(), stated)?;
        parts.push(together.with_dof(one.dof().min(other.dof()))?.with_correlation(r)?);
    } else {
        parts.extend([one.clone(), there(other)]);
    }
    Ok(())
}

/// A component that the value at the reference frequency has by itself.
fn there(component: &Component) -> Component {
    component.clone().renamed(format!("{} (reference frequency)", component.name()))
}

fn scale(budget: &Budget, deviation: f64) -> f64 {
    match budget.measurand() {
        Measurand::Magnitude => 1.0 + deviation,
        Measurand::Phase => 1.0,
    }
}
