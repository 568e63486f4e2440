//! Whether first order and a coverage factor do for a budget, and what is stated where they don't.
//!
//! Two tests in closed form, some microseconds each: the second-order terms of the product (they skew it), and the cumulants of
//! the components (a rectangular one that dominates has no tails, a scatter of few observations has long ones). Only where
//! these foretell that an end of the interval would move by more than half of the numerical tolerance of JCGM 101 (7.9.2)
//! is the budget simulated, and only where the simulation does not confirm the first order is its interval stated.
//!
//! Sources: Cornish and Fisher 1938 for quantiles from cumulants; JCGM 101:2008, clause 8, for the comparison.

use super::confirm::drawn;
use super::gum::{Counted, Interval, Simulation, tolerance};
use super::known::Quantiles;
use super::{Budget, Component, Distribution, Measurand, UncertaintyError};

/// How much of the tolerance closed forms may use up before a budget is simulated. Less than the half that the module speaks
/// of: going to the fourth cumulant only, they foretell two thirds of what a rectangular component does where it matters.
const DOUBTED: f64 = 0.33;

/// Trials at most. The ends of an interval are then known to 0.6 % of u, 0.3 % of U: a third of the last digit stated.
const TRIALS_MAX: usize = 200_000;

/// Digits of a standard uncertainty that count, as on certificates.
const DIGITS: i32 = 2;

/// Quantile of a normal quantity that belongs to the coverage probability.
const NORMAL: f64 = 2.0;

/// What a simulation gave that did not confirm the first order.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedEnds {
    /// The interval that leaves out as much below as above, about a relative error or an angle of zero.
    pub interval: Interval,
    /// Trials made.
    pub trials: usize,
    /// The distribution itself.
    pub(super) quantiles: Option<Quantiles>,
}

impl SimulatedEnds {
    /// The half-width that is stated: about the value, and so wide that the interval lies within.
    #[must_use]
    pub fn expanded(&self) -> f64 {
        (-self.interval.low).max(self.interval.high)
    }
}

impl Budget {
    /// How far the farther end of the interval moves, in units of the numerical tolerance, when second order and the shapes of
    /// the components count. Infinite where too little is known of a component for a closed form.
    #[must_use]
    pub fn doubt(&self) -> f64 {
        let first = self.of_components();
        let allowed = tolerance(first.u, DIGITS);
        if allowed <= 0.0 {
            return 0.0;
        }
        let Some((standard, skewness, excess)) = self.shape() else { return f64::INFINITY };
        let ends = [-NORMAL, NORMAL].map(|z| standard * cornish_fisher(z, skewness, excess));
        let [low, high] = ends;
        (low + first.expanded).abs().max((high - first.expanded).abs()) / allowed
    }

    /// The same, simulated where that is called for: see the module. A seed gives the same figures every time.
    ///
    /// # Errors
    /// `Simulation` where it can't be carried out.
    pub fn confirmed(self, seed: u64) -> Result<Self, UncertaintyError> {
        if self.doubt() <= DOUBTED {
            return Ok(self);
        }
        let how = Simulation { digits: DIGITS, trials_max: TRIALS_MAX, ..Simulation::default() };
        let (found, all) = drawn(&self, &how, &mut Counted::new(seed))
            .map_err(|error| UncertaintyError::Simulation { what: error.to_string() })?;
        let ends = SimulatedEnds {
            interval: found.simulated.symmetric,
            trials: found.simulated.trials,
            quantiles: Quantiles::of(&all),
        };
        // Whether the last digit of an end still moves must not decide: an interval that lies within the tolerance confirms.
        let confirmed = found.low_apart.max(found.high_apart) <= found.tolerance;
        Ok(if confirmed { self } else { self.with_ends(ends) })
    }

    /// Standard deviation, skewness and excess of what the components make; `None` where one has none.
    fn shape(&self) -> Option<(f64, f64, f64)> {
        let parts: Vec<(f64, f64)> = self.components().iter().map(cumulants).collect::<Option<_>>()?;
        let sum: f64 = parts.iter().map(|(second, _)| second).sum();
        let squares: f64 = parts.iter().map(|(second, _)| second * second).sum();
        let fourth: f64 = parts.iter().map(|(_, fourth)| fourth).sum();
        // Of a product of 1 + δ: every pair adds V₁V₂ to the variance and 6 V₁V₂ to the third cumulant, to leading order.
        let pairs = match self.measurand() {
            Measurand::Magnitude => (sum * sum - squares) / 2.0,
            Measurand::Phase => 0.0,
        };
        let variance = sum + pairs;
        (variance > 0.0)
            .then(|| (variance.sqrt(), 6.0 * pairs / variance.powf(1.5), fourth / variance.powi(2)))
    }
}

/// Variance and fourth cumulant of a component; `None` where the fourth does not exist or is poorly known.
fn cumulants(component: &Component) -> Option<(f64, f64)> {
    let variance = component.standard().powi(2);
    let (widened, excess) = match component.distribution() {
        Distribution::Rectangular => (1.0, -1.2),
        Distribution::Triangular => (1.0, -0.6),
        Distribution::Arcsine => (1.0, -1.5),
        // (1/5 · 1/5 · 3/8) / (1/3 · 1/3 · 1/2)² − 3
        Distribution::Transverse => (1.0, 1.86),
        Distribution::Normal { .. } | Distribution::TypeA => match component.dof() {
            dof if dof.is_infinite() => (1.0, 0.0),
            dof if dof > 5.0 => (dof / (dof - 2.0), 6.0 / (dof - 4.0)),
            _ if variance > 0.0 => return None,
            _ => (1.0, 0.0),
        },
    };
    let variance = variance * widened;
    Some((variance, excess * variance * variance))
}

/// The quantile of a standardised distribution of this skewness and excess that belongs to the normal quantile z.
fn cornish_fisher(z: f64, skewness: f64, excess: f64) -> f64 {
    z + skewness / 6.0 * (z * z - 1.0) + excess / 24.0 * (z.powi(3) - 3.0 * z)
        - skewness * skewness / 36.0 * (2.0 * z.powi(3) - 5.0 * z)
}

#[cfg(test)]
mod tests {
    use super::super::{ComponentSource, confirm};
    use super::*;

    fn budget(measurand: Measurand, parts: &[(Distribution, f64)]) -> Budget {
        let component = |(n, (d, stated)): (usize, &(Distribution, f64))| {
            Component::new(format!("c{n}"), ComponentSource::RigFile, *d, *stated).unwrap()
        };
        Budget::new(measurand, parts.iter().enumerate().map(component).collect()).unwrap()
    }

    const NORMAL_ONE: (Distribution, f64) = (Distribution::Normal { k: 2.0 }, 0.005);

    #[test]
    fn normal_components_raise_no_doubt() {
        for measurand in [Measurand::Magnitude, Measurand::Phase] {
            let of = budget(measurand, &[NORMAL_ONE, NORMAL_ONE]);
            assert!(of.doubt() < DOUBTED, "{}", of.doubt());
            assert_eq!(of.clone().confirmed(1).unwrap(), of);
        }
    }

    /// EA-4/02 S9 in kind: one rectangular component that dominates has k near 1.65 at 95 % (1.653 at 95.45 %: 0.9545·√3).
    #[test]
    fn a_rectangular_component_that_dominates_is_stated_as_simulated() {
        let of = budget(Measurand::Phase, &[(Distribution::Rectangular, 0.01), (NORMAL_ONE.0, 1e-4)]);
        let combined = of.confirmed(1).unwrap().combined();
        assert!((combined.k - 1.653).abs() < 0.01 && (combined.expanded - 0.009_545).abs() < 3e-5);
        assert!((combined.k * combined.u - combined.expanded).abs() < 1e-15);
    }

    /// Few observations: the distribution of JCGM 101, 6.4.9 is wider than what Welch and Satterthwaite say of a mixture.
    #[test]
    fn few_observations_are_simulated() {
        let scatter = Component::type_a("scatter", 0.003, 4.0).unwrap();
        let with = Component::new("c", ComponentSource::RigFile, NORMAL_ONE.0, 0.006).unwrap();
        let of = Budget::new(Measurand::Magnitude, vec![scatter, with]).unwrap();
        assert!(of.doubt().is_infinite());
        assert!(of.confirmed(1).unwrap().combined().expanded > 2.0 * 0.003 * 2.0_f64.sqrt());
    }

    /// The closed forms against the simulation, where they decide: a third of the variance rectangular.
    #[test]
    fn closed_forms_foretell_what_the_simulation_finds() {
        let half = 0.0025 / 2.0_f64.sqrt() * 3.0_f64.sqrt();
        let of = budget(Measurand::Phase, &[NORMAL_ONE, (Distribution::Rectangular, half)]);
        let how = Simulation { trials_max: 2_000_000, tightness: 0.2, ..Simulation::default() };
        let found = confirm(&of, &how, &mut Counted::new(3)).unwrap();
        let (standard, skewness, excess) = of.shape().unwrap();
        let foretold = of.combined().expanded - standard * cornish_fisher(NORMAL, skewness, excess);
        let seen = of.combined().expanded - found.simulated.symmetric.half_width();
        assert!(foretold > 0.6 * seen && foretold < 1.1 * seen, "{foretold} {seen}");
    }

    #[test]
    fn a_scope_is_never_undercut_by_a_simulation() {
        let of = budget(Measurand::Phase, &[(Distribution::Rectangular, 0.01), (NORMAL_ONE.0, 1e-4)]);
        let combined = of.not_below(Some(0.011)).confirmed(1).unwrap().combined();
        assert!((combined.expanded - 0.011).abs() < 1e-15);
    }
}
