//! Collects a stretch of contiguous samples of all columns: a quiet part, a first motion or a dwell.

use crate::block::BlockView;
use plan_schema::units::{SampleCount, SampleIndex};
use std::ops::Range;
use std::sync::Arc;

/// Samples of a stretch: index of the first, and a vector a column.
pub(super) type Stretch = (SampleIndex, Arc<Vec<Vec<f32>>>);

/// Longest buffers that are made ready beforehand, in samples.
const READY: usize = 1 << 24;

/// Collects samples from an index on. After a gap it begins anew; of a gated acquisition every block does.
#[derive(Debug, Clone)]
pub(super) struct Collector {
    from: SampleIndex,
    gated: bool,
    wanted: SampleCount,
    samples: Vec<Vec<f32>>,
}

impl Collector {
    pub(super) fn new(from: SampleIndex, wanted: SampleCount, columns: usize) -> Self {
        // At a reasonable length the buffers never grow while samples come in.
        let capacity = usize::try_from(wanted.0).unwrap_or(READY).min(READY);
        Self {
            from,
            gated: false,
            wanted,
            samples: (0..columns).map(|_| Vec::with_capacity(capacity)).collect(),
        }
    }

    /// The same where the acquisition has gaps: no block is joined to the one before, whatever the indices say.
    pub(super) fn gated(self, gated: bool) -> Self {
        Self { gated, ..self }
    }

    /// Index of the first sample.
    pub(super) fn from(&self) -> SampleIndex {
        self.from
    }

    pub(super) fn collected(&self) -> SampleCount {
        SampleCount(self.samples.first().map_or(0, Vec::len) as u64)
    }

    /// What was collected, a vector a column.
    pub(super) fn samples(&self) -> &[Vec<f32>] {
        &self.samples
    }

    /// Gives what was collected away.
    pub(super) fn finish(&mut self) -> Vec<Vec<f32>> {
        std::mem::take(&mut self.samples)
    }

    /// True if samples are missing between what was collected and a block.
    pub(super) fn interrupted_by(&self, block: &BlockView<'_>) -> bool {
        self.collected() > SampleCount(0) && block.first_sample > self.from + self.collected()
    }

    /// Takes what it still needs of a block; the whole stretch when it is complete.
    pub(super) fn take(&mut self, block: &BlockView<'_>) -> Option<Stretch> {
        if self.gated {
            if block.first_sample < self.from {
                return None;
            }
            self.samples.iter_mut().for_each(Vec::clear);
            self.from = block.first_sample;
        }
        self.take_up_to(self.wanted, block)?;
        if self.collected() < self.wanted {
            return None;
        }
        Some((self.from, Arc::new(self.finish())))
    }

    /// Takes a whole block of a gated acquisition, whatever lies before it; false if it begins too early.
    pub(super) fn append(&mut self, block: &BlockView<'_>) -> bool {
        if self.collected() == SampleCount(0) {
            if block.first_sample < self.from {
                return false;
            }
            self.from = block.first_sample;
        }
        for (kept, samples) in self.samples.iter_mut().zip(block.channels) {
            kept.extend_from_slice(samples);
        }
        true
    }

    /// Takes of a block what is missing to a length; which of the collected samples are new, `None` if the block has
    /// nothing for it.
    pub(super) fn take_up_to(&mut self, length: SampleCount, block: &BlockView<'_>) -> Option<Range<usize>> {
        let next = self.from + self.collected();
        if block.end() <= next {
            return None;
        }
        if block.first_sample > next {
            self.samples.iter_mut().for_each(Vec::clear);
            self.from = block.first_sample;
        }
        let start = self.from + self.collected();
        let skip = usize::try_from((start - block.first_sample).0).unwrap_or(usize::MAX);
        let length = usize::try_from(length.0).unwrap_or(usize::MAX);
        let before = self.samples.first().map_or(0, Vec::len);
        for (kept, samples) in self.samples.iter_mut().zip(block.channels) {
            let missing = length.saturating_sub(kept.len());
            kept.extend(samples.iter().skip(skip).take(missing));
        }
        Some(before..self.samples.first().map_or(0, Vec::len))
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

    #[test]
    fn a_length_on_the_way_ends_within_a_block() {
        let mut collector = Collector::new(SampleIndex(0), SampleCount(6), 1);
        let channels = [&[0.0, 1.0, 2.0, 3.0, 4.0f32][..]];
        let block = BlockView {
            first_sample: SampleIndex(0),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[false],
        };
        assert_eq!(collector.take_up_to(SampleCount(3), &block), Some(0..3));
        assert_eq!(collector.take_up_to(SampleCount(6), &block), Some(3..5));
        assert_eq!(collector.take_up_to(SampleCount(6), &block), None);
        assert_eq!(collector.samples(), [vec![0.0, 1.0, 2.0, 3.0, 4.0]]);
    }

    /// Blocks of a gated acquisition are not joined, whatever their indices say, and none counts that began too early.
    #[test]
    fn a_piece_of_a_gated_acquisition_lies_in_one_block() {
        let mut collector = Collector::new(SampleIndex(2), SampleCount(3), 1).gated(true);
        assert!(feed(&mut collector, 0, &[0.0, 1.0, 2.0, 3.0]).is_none());
        assert!(feed(&mut collector, 4, &[4.0, 5.0]).is_none());
        let (first, samples) = feed(&mut collector, 6, &[6.0, 7.0, 8.0, 9.0]).unwrap();
        assert_eq!((first, samples.as_slice()), (SampleIndex(6), [vec![6.0, 7.0, 8.0]].as_slice()));
    }
}
