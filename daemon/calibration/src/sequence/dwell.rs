//! A dwell under way: samples collected and fitted as they come, looked at when one of its preset lengths is reached.
//!
//! Owns: the lengths, and when the type A figure ends a dwell. It may be drawn out to 2, 4 or 8 times the plan's cycles,
//! never cut short; only these lengths are looked at, since stopping at the first good moment would make the scatter look
//! smaller than it is.

use super::collect::Collector;
use super::measure::{base_length, model};
use super::quality::{Standing, motion};
use crate::block::BlockView;
use crate::estimate::{DwellEstimate, DwellFit, EstimateError, may_stop};
use crate::uncertainty::coverage_factor;
use plan_schema::units::{Hertz, SampleCount, SampleIndex};
use std::sync::Arc;

/// Lengths that are looked at, in multiples of the plan's cycles.
pub(super) const LENGTHS: [u64; 4] = [1, 2, 4, 8];

/// A dwell under way.
#[derive(Debug, Clone)]
pub(super) struct Dwell {
    applied: Hertz,
    start: Hertz,
    lengths: Vec<SampleCount>,
    look: usize,
    collector: Collector,
    fit: Result<DwellFit, EstimateError>,
}

/// A dwell that is complete.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Dwelt {
    pub(super) first_sample: SampleIndex,
    pub(super) samples: Arc<Vec<Vec<f32>>>,
    pub(super) applied: Hertz,
    pub(super) start: Hertz,
    pub(super) estimate: Result<DwellEstimate, EstimateError>,
}

impl Dwell {
    /// Begins at a sample. `start` is the frequency at which the fit starts; at most `most` lengths are looked at.
    pub(super) fn new(
        standing: &Standing<'_>,
        from: SampleIndex,
        applied: Hertz,
        start: Hertz,
        most: usize,
    ) -> Self {
        let job = standing.job;
        let base = base_length(standing, applied);
        let limit = SampleCount::at_least(job.plan.dwell_limit, job.rig.acquisition.rate);
        let mut lengths: Vec<SampleCount> = LENGTHS
            .iter()
            .map(|n| SampleCount(base.0.saturating_mul(*n)))
            .filter(|l| *l == base || *l <= limit)
            .take(most)
            .collect();
        // Who shall be found certain enough? Without anybody the plan's cycles suffice.
        if standing.sensors().next().is_none() {
            lengths.truncate(1);
        }
        let longest = lengths.last().copied().unwrap_or(base);
        let columns = job.columns.len();
        let fit = DwellFit::new(
            columns,
            job.rig.acquisition.rate,
            job.reference.column,
            start,
            longest,
            &model(standing, applied),
        );
        Self { applied, start, lengths, look: 0, collector: Collector::new(from, longest, columns), fit }
    }

    /// Takes a block; the dwell when it is complete. After a gap it begins anew.
    pub(super) fn take(&mut self, standing: &Standing<'_>, block: &BlockView<'_>) -> Option<Dwelt> {
        if self.collector.interrupted_by(block) {
            let most = self.lengths.len();
            *self = Self::new(standing, block.first_sample, self.applied, self.start, most);
        }
        let mut block = *block;
        while let Some(length) = self.lengths.get(self.look).copied() {
            let Some(taken) = self.collector.take_up_to(length, &block) else {
                return None;
            };
            if let Ok(fit) = &mut self.fit {
                let new: Vec<&[f32]> =
                    self.collector.samples().iter().map(|c| c.get(taken.clone()).unwrap_or(&[])).collect();
                if let Err(error) = fit.push(&new) {
                    self.fit = Err(error);
                }
            }
            if self.collector.collected() < length {
                return None;
            }
            let estimate = self.estimate();
            if self.suffices(standing, &estimate) {
                return Some(self.complete(estimate));
            }
            // What is left of the block belongs to the dwell as well.
            self.look += 1;
            block.gap_before = SampleCount(0);
        }
        None
    }

    fn estimate(&mut self) -> Result<DwellEstimate, EstimateError> {
        let kept: Vec<&[f32]> = self.collector.samples().iter().map(Vec::as_slice).collect();
        self.fit.as_mut().map_err(|error| error.clone())?.look(&kept)
    }

    /// True if no sensor needs more cycles. A dwell that can't be estimated does not get better by going on.
    fn suffices(&self, standing: &Standing<'_>, estimate: &Result<DwellEstimate, EstimateError>) -> bool {
        let Ok(estimate) = estimate else { return true };
        if self.look + 1 == self.lengths.len() {
            return true;
        }
        // A motion that can't be used does not become better by going on.
        if standing.wanted().is_some_and(|point| !motion(standing.job, point, estimate).is_empty()) {
            return true;
        }
        let limit = standing.job.plan.scatter_limit.si();
        standing.sensors().filter_map(|s| estimate.ratios.iter().find(|r| r.channel == s.column)).all(
            |ratio| {
                let expanded = coverage_factor(ratio.dof) * ratio.u_rel_a.si();
                may_stop(self.look, self.lengths.len(), estimate.segments.len(), expanded, limit)
            },
        )
    }

    fn complete(&mut self, estimate: Result<DwellEstimate, EstimateError>) -> Dwelt {
        Dwelt {
            first_sample: self.collector.from(),
            samples: Arc::new(self.collector.finish()),
            applied: self.applied,
            start: self.start,
            estimate,
        }
    }
}
