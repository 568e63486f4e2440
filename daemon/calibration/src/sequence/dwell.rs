//! A dwell under way: samples collected and fitted as they come, looked at when one of its preset lengths is reached.
//!
//! Owns: the lengths, and when the type A figure ends a dwell. It may be drawn out to 2, 4 or 8 times the plan's cycles,
//! never cut short; only these lengths are looked at, since stopping at the first good moment would make the scatter look
//! smaller than it is.

use super::collect::Collector;
use super::measure::{base_length, fitted, model};
use super::quality::{Standing, is_silent, motion};
use super::setup::gate;
use crate::block::BlockView;
use crate::estimate::{DwellEstimate, DwellFit, EstimateError, LENGTHS, may_stop};
use crate::uncertainty::coverage_factor;
use plan_schema::units::{Hertz, SampleCount, SampleIndex};
use std::sync::Arc;

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

    /// Takes a block; the dwell when it is complete. After a gap it begins anew, unless the acquisition has gaps.
    pub(super) fn take(&mut self, standing: &Standing<'_>, block: &BlockView<'_>) -> Option<Dwelt> {
        if let Some(gate) = gate(standing.job) {
            return self.take_gate(standing, block, gate);
        }
        if self.collector.interrupted_by(block) {
            let most = self.lengths.len();
            *self = Self::new(standing, block.first_sample, self.applied, self.start, most);
        }
        let mut block = *block;
        while let Some(length) = self.lengths.get(self.look).copied() {
            let taken = self.collector.take_up_to(length, &block)?;
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

    /// Takes a whole block of a gated acquisition: each is fitted for itself, and together they reach the lengths.
    fn take_gate(
        &mut self,
        standing: &Standing<'_>,
        block: &BlockView<'_>,
        gate: SampleCount,
    ) -> Option<Dwelt> {
        if SampleCount(block.frames() as u64) != gate || !self.collector.append(block) {
            return None;
        }
        while self.lengths.get(self.look).is_some_and(|length| self.collector.collected() >= *length) {
            let kept: Vec<&[f32]> = self.collector.samples().iter().map(Vec::as_slice).collect();
            let estimate = fitted(standing, self.applied, self.start, &kept);
            if self.suffices(standing, &estimate) {
                return Some(self.complete(estimate));
            }
            self.look += 1;
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
        // Nor does a sensor that does not answer become certain.
        let heard = standing.sensors().filter(|s| !is_silent(standing, estimate, s));
        let mut ratios = heard.filter_map(|s| estimate.ratios.iter().find(|r| r.channel == s.column));
        ratios.all(|ratio| {
            let expanded = coverage_factor(ratio.dof) * ratio.u_rel_a.si();
            may_stop(self.look, self.lengths.len(), estimate.segments.len(), expanded, limit)
        })
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

#[cfg(test)]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "samples are f32, counts are small"
)]
mod tests {
    use super::*;
    use crate::sequence::tests::bench::{RATE, job, two_points};
    use plan_schema::units::Seconds;
    use std::f64::consts::TAU;

    /// Samples of all columns from an index on, each a sine of its own size.
    fn sine(columns: usize, first: u64, frames: u64) -> Vec<Vec<f32>> {
        let sample = |c: usize, n: u64| (1.0 + c as f64) * 0.1 * (TAU * 16.0 * n as f64 / RATE).sin();
        (0..columns).map(|c| (first..first + frames).map(|n| sample(c, n) as f32).collect()).collect()
    }

    fn take(dwell: &mut Dwell, standing: &Standing<'_>, first: u64, frames: u64) -> Option<Dwelt> {
        let samples = sine(standing.job.columns.len(), first, frames);
        let channels: Vec<&[f32]> = samples.iter().map(Vec::as_slice).collect();
        let overload = vec![false; channels.len()];
        let (first_sample, gap_before) = (SampleIndex(first), SampleCount(0));
        dwell
            .take(standing, &BlockView { first_sample, gap_before, channels: &channels, overload: &overload })
    }

    /// 16 Hz for 16 cycles: 2000 samples. A gap begins it anew, and one without a gap has the same estimate however it is
    /// cut into blocks.
    #[test]
    fn a_gap_begins_it_anew() {
        let job = job(&two_points());
        let standing = Standing { job: &job, point: 1, rest: None, excluded: &[] };
        let begin =
            || Dwell::new(&standing, SampleIndex(100), Hertz::new(16.0), Hertz::new(16.0), usize::MAX);
        let mut dwell = begin();
        assert!(take(&mut dwell, &standing, 0, 1500).is_none());
        assert!(
            take(&mut dwell, &standing, 1600, 1000).is_none(),
            "more than 2000 samples, but not in a row"
        );
        assert!(take(&mut dwell, &standing, 2600, 999).is_none());
        let after = take(&mut dwell, &standing, 3599, 40).unwrap();
        assert_eq!((after.first_sample, after.samples[0].len()), (SampleIndex(1600), 2000));
        assert_eq!(after.samples.as_slice(), sine(job.columns.len(), 1600, 2000));

        let whole = take(&mut begin(), &standing, 0, 2500).unwrap();
        let mut dwell = begin();
        let cut = (0..).find_map(|n| take(&mut dwell, &standing, n * 37, 37)).unwrap();
        assert_eq!(whole, cut);
        assert_eq!(whole.first_sample, SampleIndex(100));
    }

    /// The plan's cycles are measured whatever they take; of the other lengths only those within the longest time.
    #[test]
    fn lengths_keep_to_the_longest_time() {
        let mut job = job(&two_points());
        for (limit, lengths) in [(0.5, 1), (1.9, 1), (2.0, 2), (4.5, 3), (300.0, 4)] {
            job.plan.dwell_limit = Seconds::new(limit);
            let standing = Standing { job: &job, point: 1, rest: None, excluded: &[] };
            let at = |most| {
                Dwell::new(&standing, SampleIndex(0), Hertz::new(16.0), Hertz::new(16.0), most).lengths
            };
            let wanted: Vec<SampleCount> = [2000, 4000, 8000, 16_000].map(SampleCount)[..lengths].to_vec();
            assert_eq!(at(usize::MAX), wanted);
            assert_eq!(at(1), [SampleCount(2000)]);
            let nobody = Standing { excluded: &[true; 3], ..standing };
            let dwell = Dwell::new(&nobody, SampleIndex(0), Hertz::new(16.0), Hertz::new(16.0), usize::MAX);
            assert_eq!(dwell.lengths, [SampleCount(2000)], "nobody has to become certain");
        }
    }
}
