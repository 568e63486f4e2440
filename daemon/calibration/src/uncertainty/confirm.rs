//! A budget as a model with distributions, to be propagated by simulation.
//!
//! The model of a comparison is a product of factors 1 + δ for a magnitude (every sensitivity coefficient of the relative
//! form is 1), a sum for a phase. What a budget states as one component of transverse motion is there what it is: two
//! limits, of sensitivity and motion, and the cosine of an angle of which nothing is known.

use super::gum::{
    Comparison, GumError, Input, Inputs, Interval, Model, Number, Shape, Simulation, Uniforms, hold_against,
    trials,
};
use super::{Budget, Component, Distribution, Measurand};

/// A budget as a model; one entry a component: how many inputs it takes, one or three that are multiplied.
struct Factors {
    measurand: Measurand,
    takes: Vec<usize>,
}

impl Model for Factors {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        let mut rest = inputs;
        let mut product = N::constant(1.0);
        let mut sum = N::constant(0.0);
        for &takes in &self.takes {
            let Some((own, others)) = rest.split_at_checked(takes) else { return Vec::new() };
            let error = own.iter().fold(N::constant(1.0), |product, &x| product * x);
            product = product * error.plus(1.0);
            sum = sum + error;
            rest = others;
        }
        vec![if self.measurand == Measurand::Magnitude { product.plus(-1.0) } else { sum }]
    }
}

fn inputs_of(component: &Component) -> Result<Vec<Input>, GumError> {
    let (name, standard, stated) = (component.name(), component.standard(), component.stated());
    let one = |shape| Input::new(name, 0.0, shape).map(|input| vec![input]);
    match component.distribution() {
        Distribution::Rectangular => one(Shape::Rectangular { half_width: stated }),
        Distribution::Triangular => one(Shape::Triangular { half_width: stated }),
        Distribution::Arcsine => one(Shape::Arcsine { half_width: stated }),
        Distribution::Normal { .. } | Distribution::TypeA if component.dof().is_finite() => {
            one(Shape::Student { scale: standard, dof: component.dof() })
        }
        Distribution::Normal { .. } | Distribution::TypeA => one(Shape::Normal { standard }),
        Distribution::Transverse => {
            let part = |what: &str, shape| Input::new(format!("{name}, {what}"), 0.0, shape);
            Ok(vec![
                part("sensitivity and motion", Shape::Rectangular { half_width: stated })?,
                part("share of the motion", Shape::Rectangular { half_width: 1.0 })?,
                part("cosine of the angle", Shape::Arcsine { half_width: 1.0 })?,
            ])
        }
    }
}

/// Propagates a budget's distributions by simulation and holds its expanded uncertainty against the interval that comes
/// out (JCGM 101, clause 8). [`Comparison::reported`] is the interval to report, about a relative error or an angle of zero.
///
/// # Errors
/// As [`simulate`](super::gum::simulate).
pub fn confirm(
    budget: &Budget,
    how: &Simulation,
    uniforms: &mut impl Uniforms,
) -> Result<Comparison, GumError> {
    drawn(budget, how, uniforms).map(|(found, _)| found)
}

/// As [`confirm`], with every trial, rising.
///
/// # Errors
/// As [`simulate`](super::gum::simulate).
pub(super) fn drawn(
    budget: &Budget,
    how: &Simulation,
    uniforms: &mut impl Uniforms,
) -> Result<(Comparison, Vec<f64>), GumError> {
    let (mut takes, mut inputs) = (Vec::new(), Vec::new());
    for component in budget.components().iter().filter(|c| c.standard() > 0.0) {
        let own = inputs_of(component)?;
        takes.push(own.len());
        inputs.extend(own);
    }
    let model = Factors { measurand: budget.measurand(), takes };
    let (simulated, all) = trials(&model, &Inputs::independent(inputs)?, 0, how, uniforms)?;
    let combined = budget.of_components();
    let expanded = combined.u * super::student::factor(combined.nu_eff, how.coverage);
    Ok((hold_against(Interval { low: -expanded, high: expanded }, combined.u, simulated, how), all))
}

#[cfg(test)]
mod tests {
    use super::super::ComponentSource;
    use super::super::gum::Counted;
    use super::*;

    fn of(parts: &[(Distribution, f64)], measurand: Measurand) -> Comparison {
        let parts = parts.iter().enumerate().map(|(n, (distribution, stated))| {
            Component::new(format!("c{n}"), ComponentSource::RigFile, *distribution, *stated).unwrap()
        });
        let budget = Budget::new(measurand, parts.collect()).unwrap();
        confirm(&budget, &Simulation::default(), &mut Counted::new(1)).unwrap()
    }

    #[test]
    fn normal_components_confirm_the_budget() {
        let normal = Distribution::Normal { k: 2.0 };
        for measurand in [Measurand::Magnitude, Measurand::Phase] {
            let found = of(&[(normal, 0.005), (normal, 0.003)], measurand);
            assert!(found.confirmed() && found.reported() == found.framework, "{found:?}");
        }
    }

    /// One rectangular component that dominates: 95.45 % of its width, not 2/√3 of it.
    #[test]
    fn a_dominant_rectangular_component_is_reported_by_simulation() {
        let found = of(
            &[(Distribution::Rectangular, 0.01), (Distribution::Normal { k: 2.0 }, 0.000_2)],
            Measurand::Phase,
        );
        assert!(!found.confirmed() && found.reported() == found.simulated.symmetric, "{found:?}");
        assert!((found.reported().half_width() - 0.009_545).abs() < 2e-5, "{found:?}");
        assert!(found.framework.half_width() > 0.0115);
    }

    /// The divisor √18 has the standard deviation right; the distribution has a sharp peak and long shoulders.
    #[test]
    fn transverse_motion_has_the_standard_deviation_of_its_divisor() {
        let found = of(&[(Distribution::Transverse, 0.01)], Measurand::Magnitude);
        assert!((found.simulated.standard / (0.01 / 18.0_f64.sqrt()) - 1.0).abs() < 0.01, "{found:?}");
        assert!(!found.confirmed());
    }

    /// Large errors multiply: the interval of a product is not symmetric about the estimate.
    #[test]
    fn large_errors_are_no_sum() {
        let wide = (Distribution::Normal { k: 2.0 }, 0.4);
        let found = of(&[wide, wide, wide], Measurand::Magnitude);
        let interval = found.simulated.symmetric;
        assert!(!found.confirmed() && interval.high + interval.low > 0.02, "{found:?}");
    }
}
