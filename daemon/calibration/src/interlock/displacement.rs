//! The displacement channel, where a rig has one: every sample against the point's own ceiling and against the trip stroke.
//!
//! Owns: what a sample of the displacement transducer may show. It shows the whole displacement from the mechanical centre,
//! static part and all, so nothing is taken off the limits. Must not: know the reference, or what a point is.

use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use plan_schema::units::{Displacement, Peak, SampleCount, engineering};

/// Share beyond a point's own ceiling of stroke from which a displacement trips: room for harmonics of the motion, for the
/// noise of the channel and for its sensitivity (common practice, no source).
pub const BEYOND_CEILING: f64 = 1.05;

/// What the displacement channel of a rig is, and what trips on it whatever the point.
#[derive(Debug, Clone, PartialEq)]
pub struct DisplacementChannel {
    /// Its column.
    pub column: usize,
    /// Its name.
    pub name: String,
    /// Volts for a metre.
    pub volts_per_metre: f64,
    /// Displacement beyond which it trips.
    pub trip: Displacement<Peak>,
    /// How far a stop that brakes may let the armature go: the farthest coast foreseen of the job's points.
    pub coast: Displacement<Peak>,
}

impl DisplacementChannel {
    /// What is allowed: while a stop brakes the coast foreseen, else the point's own ceiling with its margin; the trip
    /// stroke bounds the latter.
    #[must_use]
    pub fn limit(&self, ceiling: Displacement<Peak>, braking: bool) -> Displacement<Peak> {
        if braking { self.trip.max(self.coast) } else { self.trip.min(ceiling * BEYOND_CEILING) }
    }

    /// Looks at a block; a trip at the first sample beyond the limit.
    #[must_use]
    pub fn look(&self, block: &BlockView<'_>, ceiling: Displacement<Peak>, braking: bool) -> Option<Trip> {
        let limit = self.limit(ceiling, braking);
        let volts = limit.si() * self.volts_per_metre.abs();
        let samples = block.channels.get(self.column)?;
        // Not a comparison with `>`: what is no number must not pass.
        let (at, seen) = samples.iter().enumerate().find(|(_, s)| {
            let within = f64::from(s.abs()) <= volts;
            !within
        })?;
        let seen = f64::from(*seen).abs() / self.volts_per_metre.abs();
        let shown = (engineering(seen, "m"), engineering(limit.si(), "m"));
        let message = format!(
            "the displacement reached {} where {} pk is the limit. The amplifier's gain, its offset or the payload may \
             have changed, or the armature lies off its centre. Check them, then acknowledge.",
            shown.0, shown.1
        );
        Some(Trip {
            channel: Some(self.name.clone()),
            at_sample: Some(block.first_sample + SampleCount(at as u64)),
            ..Trip::beyond(TripReason::StrokeLimit, seen, limit.si(), "m", message)
        })
    }
}
