//! Collects a stretch of contiguous samples of all columns: a quiet part or a dwell.

use crate::block::BlockView;
use plan_schema::units::{SampleCount, SampleIndex};
use std::sync::Arc;

/// Samples of a stretch: index of the first, and a vector a column.
pub(super) type Stretch = (SampleIndex, Arc<Vec<Vec<f32>>>);

/// Collects `wanted` samples from an index on. After a gap it begins anew.
#[derive(Debug, Clone)]
pub(super) struct Collector {
    from: SampleIndex,
    wanted: usize,
    samples: Vec<Vec<f32>>,
}

impl Collector {
    pub(super) fn new(from: SampleIndex, wanted: SampleCount, columns: usize) -> Self {
        let wanted = usize::try_from(wanted.0).unwrap_or(usize::MAX);
        // At a reasonable length the buffers never grow while samples come in.
        let capacity = wanted.min(1 << 24);
        Self { from, wanted, samples: (0..columns).map(|_| Vec::with_capacity(capacity)).collect() }
    }

    fn collected(&self) -> u64 {
        self.samples.first().map_or(0, Vec::len) as u64
    }

    /// Takes what it still needs of a block; the whole stretch when it is complete.
    pub(super) fn take(&mut self, block: &BlockView<'_>) -> Option<Stretch> {
        let next = self.from + SampleCount(self.collected());
        if block.end() <= next {
            return None;
        }
        if block.first_sample > next {
            self.samples.iter_mut().for_each(Vec::clear);
            self.from = block.first_sample;
        }
        let start = self.from + SampleCount(self.collected());
        let skip = usize::try_from((start - block.first_sample).0).unwrap_or(usize::MAX);
        for (kept, samples) in self.samples.iter_mut().zip(block.channels) {
            let missing = self.wanted.saturating_sub(kept.len());
            kept.extend(samples.iter().skip(skip).take(missing));
        }
        if self.collected() < self.wanted as u64 {
            return None;
        }
        Some((self.from, Arc::new(std::mem::take(&mut self.samples))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(collector: &mut Collector, first: u64, values: &[f32]) -> Option<Stretch> {
        let channels = [values];
        collector.take(&BlockView {
            first_sample: SampleIndex(first),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[false],
        })
    }

    #[test]
    fn begins_and_ends_within_blocks_and_begins_anew_after_a_gap() {
        let mut collector = Collector::new(SampleIndex(2), SampleCount(4), 1);
        assert!(feed(&mut collector, 0, &[0.0, 1.0]).is_none());
        assert!(feed(&mut collector, 2, &[2.0, 3.0, 4.0]).is_none());
        let (first, samples) = feed(&mut collector, 5, &[5.0, 6.0]).unwrap();
        assert_eq!((first, samples.as_slice()), (SampleIndex(2), [vec![2.0, 3.0, 4.0, 5.0]].as_slice()));

        let mut collector = Collector::new(SampleIndex(0), SampleCount(2), 1);
        assert!(feed(&mut collector, 0, &[0.0]).is_none());
        let (first, samples) = feed(&mut collector, 7, &[7.0, 8.0]).unwrap();
        assert_eq!((first, samples.as_slice()), (SampleIndex(7), [vec![7.0, 8.0]].as_slice()));
    }
}
