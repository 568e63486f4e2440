//! The coverage factor from Student's distribution.

use super::gum::normal_quantile;
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::sync::OnceLock;

/// Coverage probability of an expanded uncertainty: that of ±2 standard deviations of a normal quantity,
/// `erf(√2)`, usually written 95.45 %. With it a normal quantity has a factor of 2 exactly.
pub const COVERAGE_PROBABILITY: f64 = 0.954_499_736_103_641_6;

/// Factor of a normal quantity at [`COVERAGE_PROBABILITY`].
const NORMAL: f64 = 2.0;

/// From here on the factor is taken from the expansion for many degrees of freedom: the library loses digits there
/// (4e-4 at a million), the expansion has all but the last few.
const MANY: f64 = KEPT as f64;

/// Degrees of freedom below this have their factor from the library, found once each.
const KEPT: usize = 1000;

/// Two-sided factor of Student's distribution at [`COVERAGE_PROBABILITY`], for degrees of freedom truncated to the
/// next lower integer (GUM G.4.1). Degrees of freedom below 1 give an infinite factor: nothing is known.
#[must_use]
pub fn coverage_factor(dof: f64) -> f64 {
    let whole = dof.floor();
    if whole >= MANY {
        return expansion(NORMAL, whole);
    }
    let find = || student(whole, COVERAGE_PROBABILITY);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole and below MANY; what is below zero or no number comes to the place of none"
    )]
    let place = whole as usize;
    match KNOWN.get(place) {
        Some(known) if place > 0 => *known.get_or_init(find),
        _ => find(),
    }
}

/// Factors that were asked for once, by degrees of freedom: a plan of many points asks thousands of times.
static KNOWN: [OnceLock<f64>; KEPT] = [const { OnceLock::new() }; KEPT];

/// The same at any coverage probability.
#[must_use]
pub fn factor(dof: f64, probability: f64) -> f64 {
    let whole = dof.floor();
    if whole >= MANY {
        return expansion(normal_quantile(f64::midpoint(1.0, probability)), whole);
    }
    student(whole, probability)
}

fn student(dof: f64, probability: f64) -> f64 {
    StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(f64::midpoint(1.0, probability)))
}

/// Abramowitz and Stegun 26.7.5; x is the factor of a normal quantity.
fn expansion(x: f64, dof: f64) -> f64 {
    let (x3, x5, x7) = (x.powi(3), x.powi(5), x.powi(7));
    x + (x3 + x) / (4.0 * dof)
        + (5.0 * x5 + 16.0 * x3 + 3.0 * x) / (96.0 * dof.powi(2))
        + (3.0 * x7 + 19.0 * x5 + 17.0 * x3 - 15.0 * x) / (384.0 * dof.powi(3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn library_and_expansion_meet() {
        for dof in [200.0, 500.0, 999.0] {
            assert!(
                (coverage_factor(dof) - expansion(2.0, dof)).abs() < 5.0 / f64::powi(dof, 4) + 1e-10,
                "{dof}"
            );
        }
        assert!((1..5000).all(|dof| coverage_factor(f64::from(dof)) > coverage_factor(f64::from(dof + 1))));
    }
}
