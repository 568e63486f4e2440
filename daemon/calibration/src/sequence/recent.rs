//! The last seconds of all channels, kept so that a trip can be looked into afterwards.

use crate::block::BlockView;
use plan_schema::units::{SampleCount, SampleIndex};
use std::collections::VecDeque;

/// The most recent samples of all columns.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recent {
    end: SampleIndex,
    keep: usize,
    columns: Vec<VecDeque<f32>>,
}

impl Recent {
    /// Keeps this many samples of each column.
    #[must_use]
    pub fn new(columns: usize, keep: usize) -> Self {
        Self { end: SampleIndex(0), keep, columns: vec![VecDeque::with_capacity(keep + 1); columns] }
    }

    /// Adds a block; a gap begins anew, so that what is kept is contiguous.
    pub fn push(&mut self, block: &BlockView<'_>) {
        if block.first_sample != self.end {
            self.columns.iter_mut().for_each(VecDeque::clear);
        }
        for (column, samples) in self.columns.iter_mut().zip(block.channels) {
            column.extend(samples.iter());
            let surplus = column.len().saturating_sub(self.keep);
            column.drain(..surplus);
        }
        self.end = block.end();
    }

    /// Index of the first sample kept.
    #[must_use]
    pub fn first_sample(&self) -> SampleIndex {
        let kept = self.columns.first().map_or(0, VecDeque::len);
        SampleIndex(self.end.0 - SampleCount(kept as u64).0)
    }

    /// The samples, a vector a column.
    #[must_use]
    pub fn samples(&self) -> Vec<Vec<f32>> {
        self.columns.iter().map(|c| c.iter().copied().collect()).collect()
    }
}
