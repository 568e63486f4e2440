//! The quiet part: zero drive, offset and noise of every column.

use super::input::QuietTime;
use crate::estimate::{AtRest, EstimateError, at_rest};
use plan_schema::units::{SampleIndex, Seconds};
use std::sync::Arc;

/// What was seen at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietRecord {
    /// Before or after the motion.
    pub when: QuietTime,
    /// First sample.
    pub first_sample: SampleIndex,
    /// Samples, a vector a column, in volts; empty once they are stored.
    pub samples: Arc<Vec<Vec<f32>>>,
    /// Offset and noise of each column.
    pub columns: Vec<Result<AtRest, EstimateError>>,
}

impl QuietRecord {
    /// Looks at samples taken at rest. Depends on its arguments alone.
    #[must_use]
    pub fn of(when: QuietTime, first_sample: SampleIndex, samples: Arc<Vec<Vec<f32>>>) -> Self {
        let columns = samples.iter().map(|s| at_rest(s)).collect();
        Self { when, first_sample, samples, columns }
    }
}

/// How long the quiet part listens: a hundred cycles of the mains at 50 Hz, so that hum averages out of the offset.
pub(super) const LISTEN: Seconds = Seconds::new(2.0);
