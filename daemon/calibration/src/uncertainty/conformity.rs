//! How probable it is that what was measured conforms.

use super::gum::normal_cdf;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// From so many degrees of freedom on, what is known of a result counts as normal.
const MANY: f64 = 1000.0;

/// Probability that a quantity lies within limits, given its estimate `y` with standard uncertainty `u` (JCGM 106, 7.2:
/// `p = Φ((T_U − y)/u) − Φ((T_L − y)/u)`). A limit may be infinite. With few effective degrees of freedom Student's
/// distribution stands for the normal one. 0 or 1 without uncertainty; `None` where a number is none.
#[must_use]
pub fn within_limits(y: f64, u: f64, dof: f64, lower: f64, upper: f64) -> Option<f64> {
    let numbers =
        y.is_finite() && u.is_finite() && u >= 0.0 && !lower.is_nan() && !upper.is_nan() && lower <= upper;
    if !numbers || dof.is_nan() || dof <= 0.0 {
        return None;
    }
    if u == 0.0 {
        return Some(f64::from(u8::from((lower..=upper).contains(&y))));
    }
    let below = |limit: f64| {
        let x = (limit - y) / u;
        if dof >= MANY || x.is_infinite() {
            return Some(normal_cdf(x));
        }
        StudentsT::new(0.0, 1.0, dof).ok().map(|t| t.cdf(x))
    };
    Some((below(upper)? - below(lower)?).clamp(0.0, 1.0))
}

/// Probability that a deviation lies within a symmetric tolerance, given its estimate and standard uncertainty.
#[must_use]
pub fn conformity(deviation: f64, u: f64, dof: f64, tolerance: f64) -> Option<f64> {
    within_limits(deviation, u, dof, -tolerance, tolerance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_a_limit_far_from_the_other_it_is_a_half() {
        for dof in [3.0, 50.0, f64::INFINITY] {
            assert!((conformity(5.0, 0.1, dof, 5.0).unwrap() - 0.5).abs() < 1e-5);
        }
        // Fewer degrees of freedom, less sure.
        let at = |dof| conformity(4.0, 0.5, dof, 5.0).unwrap();
        assert!(at(2.0) < at(10.0) && at(10.0) < at(f64::INFINITY));
    }

    #[test]
    fn without_uncertainty_or_numbers() {
        assert_eq!(conformity(5.0, 0.0, f64::INFINITY, 5.0), Some(1.0));
        assert_eq!(conformity(-5.1, 0.0, f64::INFINITY, 5.0), Some(0.0));
        for bad in [f64::NAN, f64::INFINITY] {
            assert_eq!(conformity(bad, 1.0, 5.0, 5.0), None);
            assert_eq!(conformity(0.0, bad, 5.0, 5.0), None);
        }
        assert_eq!(conformity(0.0, 1.0, f64::NAN, 5.0), None);
        assert_eq!(conformity(0.0, 1.0, 5.0, f64::NAN), None);
        assert_eq!(conformity(0.0, 1.0, 5.0, -1.0), None);
        assert!(
            (within_limits(0.0, 1.0, f64::INFINITY, f64::NEG_INFINITY, 0.0).unwrap() - 0.5).abs() < 1e-12
        );
    }
}
