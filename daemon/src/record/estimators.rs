//! The estimators that this program has, by number: a run is derived again with the one that it was measured with.
//!
//! For who changes an estimator so that the same samples give other figures: add a line with the next number, and keep the old
//! one with its function. A run whose number is not here is refused by name, never derived with another.

use calibration::estimate::{DwellEstimate, EstimateError};
use calibration::sequence::{Finding, Standing, measure};
use plan_schema::units::Hertz;

/// Fits a dwell: what stood fast, the frequency as applied, that at which the fit starts, and the channels.
pub type Measure =
    fn(&Standing<'_>, Hertz, Hertz, &[Vec<f32>]) -> (Result<DwellEstimate, EstimateError>, Vec<Finding>);

/// An estimator.
#[derive(Debug, Clone, Copy)]
pub struct Estimator {
    /// Its number in `run.json`.
    pub number: u32,
    /// What it does, in a few words.
    pub about: &'static str,
    /// The fit.
    pub measure: Measure,
}

/// Every estimator, the one in use last.
pub const ESTIMATORS: [Estimator; 1] = [Estimator {
    number: super::run::ESTIMATOR,
    about: "sines with harmonics, offset, drift and lines of the mains; frequency on the reference; segments for type A",
    measure,
}];

/// The estimator of this number.
///
/// # Errors
/// In words, with those that there are.
pub fn estimator(number: u32) -> Result<&'static Estimator, String> {
    let known = |e: &Estimator| format!("{} ({})", e.number, e.about);
    ESTIMATORS.iter().find(|e| e.number == number).ok_or_else(|| {
        let list: Vec<String> = ESTIMATORS.iter().map(known).collect();
        format!(
            "it was measured with estimator {number}, which this program does not have; it has {}",
            list.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_differ_and_the_last_is_in_use() {
        let numbers: Vec<u32> = ESTIMATORS.iter().map(|e| e.number).collect();
        assert!(numbers.is_sorted_by(|a, b| a < b) && numbers.last() == Some(&super::super::run::ESTIMATOR));
        assert!(estimator(super::super::run::ESTIMATOR).is_ok());
        let refused = estimator(1).unwrap_err();
        assert!(refused.contains("estimator 1") && refused.contains("it has 2 (sines"), "{refused}");
    }
}
