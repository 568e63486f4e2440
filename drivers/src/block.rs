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

    /// The same samples in pieces of at most so many per channel; what was lost came before the first. That an input was
    /// overloaded is said of each, since nobody knows where in the block it was.
    pub fn split(self, most: usize) -> impl Iterator<Item = Self> {
        let most = most.max(1);
        let whole = self.frames <= most;
        let starts = if whole { 0..1 } else { 0..self.frames.div_ceil(most) };
        let mut held = Some(self);
        starts.filter_map(move |piece| {
            if whole {
                return held.take();
            }
            let block = held.as_ref()?;
            let (start, end) = (piece * most, ((piece + 1) * most).min(block.frames));
            let samples = (0..block.channels()).flat_map(|c| block.channel(c).get(start..end).unwrap_or(&[]));
            Some(Self {
                first_sample: block.first_sample + SampleCount(start as u64),
                received_at: block.received_at,
                gap_before: if piece == 0 { block.gap_before } else { SampleCount(0) },
                frames: end - start,
                samples: samples.copied().collect(),
                overload: block.overload.clone(),
            })
        })
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_follow_each_other() {
        let samples: Vec<f32> = (0..14_u8).map(f32::from).collect();
        let block = Block::new(SampleIndex(40), SampleCount(3), samples.clone(), vec![false, true]).unwrap();
        for most in [0, 1, 2, 3, 6, 7, 8] {
            let pieces: Vec<Block> = block.clone().split(most).collect();
            assert!(pieces.iter().all(|p| p.frames() <= most.max(1) && p.overload() == [false, true]));
            assert!(pieces.windows(2).all(|p| p[1].first_sample == p[0].end() && p[1].gap_before.0 == 0));
            assert_eq!(
                (pieces[0].first_sample, pieces[0].gap_before),
                (block.first_sample, block.gap_before)
            );
            assert_eq!(pieces.last().unwrap().end(), block.end());
            for channel in 0..2 {
                let together: Vec<f32> = pieces.iter().flat_map(|p| p.channel(channel).to_vec()).collect();
                assert_eq!(together, block.channel(channel));
            }
        }
    }
}
