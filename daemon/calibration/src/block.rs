//! Samples as the core sees them: borrowed, one slice a channel.

use plan_schema::units::{SampleCount, SampleIndex};

/// A view of a block of samples, in volts at the inputs.
#[derive(Debug, Clone, Copy)]
pub struct BlockView<'a> {
    /// Index of the first sample.
    pub first_sample: SampleIndex,
    /// Samples lost before it.
    pub gap_before: SampleCount,
    /// The samples, a slice a channel, all of one length.
    pub channels: &'a [&'a [f32]],
    /// True for channels that reported an overload.
    pub overload: &'a [bool],
}

impl BlockView<'_> {
    /// Samples per channel.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, |c| c.len())
    }

    /// Index of the sample after the last.
    #[must_use]
    pub fn end(&self) -> SampleIndex {
        self.first_sample + SampleCount(self.frames() as u64)
    }
}
