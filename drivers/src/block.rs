//! A block of samples as an acquisition delivers it.

use plan_schema::units::{Mono, SampleCount, SampleIndex};

/// Samples of all channels over one stretch of time, in volts at the input, channel after channel.
///
/// Samples are rounded to `f32` here, once; everything computed live or later uses these same numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Index of the first sample since the acquisition was started.
    pub first_sample: SampleIndex,
    /// When the block came in; stamped by the shell.
    pub received_at: Mono,
    /// Samples lost between the block before and this one.
    pub gap_before: SampleCount,
    frames: usize,
    samples: Vec<f32>,
    overload: Vec<bool>,
}

impl Block {
    /// Makes a block of `overload.len()` channels from channel-major samples.
    ///
    /// Returns `None` if the samples do not divide evenly among the channels.
    #[must_use]
    pub fn new(
        first_sample: SampleIndex,
        gap_before: SampleCount,
        samples: Vec<f32>,
        overload: Vec<bool>,
    ) -> Option<Self> {
        let channels = overload.len();
        if channels == 0 || !samples.len().is_multiple_of(channels) {
            return None;
        }
        let frames = samples.len() / channels;
        Some(Self { first_sample, received_at: Mono::default(), gap_before, frames, samples, overload })
    }

    /// Samples per channel.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Number of channels.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.overload.len()
    }

    /// Samples of one channel in volts; empty for a channel that the block does not have.
    #[must_use]
    pub fn channel(&self, channel: usize) -> &[f32] {
        let start = channel.saturating_mul(self.frames);
        self.samples.get(start..start.saturating_add(self.frames)).unwrap_or(&[])
    }

    /// True for each channel whose instrument reported an overload within the block.
    #[must_use]
    pub fn overload(&self) -> &[bool] {
        &self.overload
    }

    /// Index of the sample after the last.
    #[must_use]
    pub fn end(&self) -> SampleIndex {
        self.first_sample + SampleCount(self.frames as u64)
    }
}
