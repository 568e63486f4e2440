//! What calls and engine share: the tone, the sampling, and how far both are.
//!
//! Invariant: nobody holds the console for longer than a period's arithmetic.

use crate::format::CLIPPED_FROM;
use crate::tone::Oscillator;
use drivers::built_in::feed::{Inlet, Stretch};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The console, shared.
#[derive(Debug, Clone, Default)]
pub struct Shared(Arc<Mutex<Console>>);

impl Shared {
    /// Takes it. A panic of another thread leaves nothing half-done in it that could move anything.
    pub fn lock(&self) -> MutexGuard<'_, Console> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Tone, sampling, and how far both are.
#[derive(Debug, Default)]
pub struct Console {
    /// What is put out.
    pub tone: Oscillator,
    /// Where samples go, while somebody wants them.
    pub sampling: Option<Sampling>,
    /// Periods since the last that was not silent through and through.
    pub quiet_periods: u32,
    /// How often the card ran out of samples or of room.
    pub xruns: u64,
    /// Why the engine ended.
    pub ended: Option<String>,
    /// The engine has to end.
    pub leave: bool,
}

/// One of the card's channels as the rig file numbers it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tap {
    /// Which of the card's channels.
    pub channel: usize,
    /// Volts of full scale.
    pub full_scale: f64,
}

/// Samples on their way into blocks.
#[derive(Debug)]
pub struct Sampling {
    inlet: Inlet,
    taps: Vec<Tap>,
    frames: usize,
    /// Index of the next sample that comes in.
    next: u64,
    /// The block that is being filled, a list a channel.
    block: Vec<Vec<f32>>,
    overload: Vec<bool>,
}

impl Sampling {
    /// Blocks of `frames` samples from these channels.
    #[must_use]
    pub fn new(inlet: Inlet, taps: Vec<Tap>, frames: usize) -> Self {
        let (block, overload) = (vec![Vec::with_capacity(frames); taps.len()], vec![false; taps.len()]);
        Self { inlet, taps, frames, next: 0, block, overload }
    }

    /// Where blocks go.
    #[must_use]
    pub fn inlet(&self) -> &Inlet {
        &self.inlet
    }

    /// Takes a period of a card with so many channels.
    pub fn take(&mut self, shares: &[f32], channels: usize) {
        for frame in shares.chunks_exact(channels.max(1)) {
            for ((tap, samples), overload) in self.taps.iter().zip(&mut self.block).zip(&mut self.overload) {
                let share = frame.get(tap.channel).copied().unwrap_or(f32::NAN);
                // What is no number is no sample within the range either.
                *overload |= share.is_nan() || share.abs() >= CLIPPED_FROM;
                #[expect(clippy::cast_possible_truncation, reason = "rounded to f32 where it enters, once")]
                samples.push((f64::from(share) * tap.full_scale) as f32);
            }
            self.next += 1;
            if self.block.first().is_some_and(|b| b.len() >= self.frames) {
                self.hand_on();
            }
        }
    }

    fn hand_on(&mut self) {
        let samples = self.block.concat();
        let frames = self.block.first().map_or(0, Vec::len);
        let overload = std::mem::replace(&mut self.overload, vec![false; self.taps.len()]);
        self.block.iter_mut().for_each(Vec::clear);
        // What finds no room becomes a gap of the next block.
        self.inlet.put(Stretch { first: self.next.saturating_sub(frames as u64), samples, overload });
    }

    /// So many samples never came. A block that was begun is lost with them: none holds a gap.
    pub fn lose(&mut self, samples: u64) {
        self.block.iter_mut().for_each(Vec::clear);
        self.overload.fill(false);
        self.next = self.next.saturating_add(samples);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drivers::built_in::feed::feed;
    use drivers::{AcquisitionRequest, ChannelRequest};
    use plan_schema::units::{SamplesPerSecond, Seconds, Volts};

    #[tokio::test]
    async fn channels_are_sorted_scaled_and_cut_into_blocks_with_gaps_and_overloads() {
        let channel = ChannelRequest { input: 0, range: Volts::new(1.0) };
        let request = AcquisitionRequest {
            rate: SamplesPerSecond::new(48_000.0),
            frames: 2,
            channels: vec![channel; 2],
        };
        let (inlet, mut outlet) = feed("unit", &request);
        let taps = vec![Tap { channel: 2, full_scale: 2.0 }, Tap { channel: 0, full_scale: 10.0 }];
        let mut sampling = Sampling::new(inlet, taps, 2);
        // Three channels, of which the middle one is not wanted.
        sampling.take(&[0.1, 9.0, 0.5, 0.2, 9.0, -1.0, 0.3, 9.0, 0.25], 3);
        sampling.lose(5);
        sampling.take(&[0.4, 9.0, 0.5, 0.5, 9.0, 0.5], 3);
        let within = Seconds::new(0.1);
        let first = outlet.next(within).await.unwrap().unwrap();
        assert_eq!((first.first_sample.0, first.gap_before.0, first.frames()), (0, 0, 2));
        assert_eq!(first.channel(0), [1.0, -2.0]);
        assert_eq!(first.channel(1), [1.0, 2.0]);
        assert_eq!(first.overload(), [true, false]);
        // The third sample was in a block that was cut off.
        let second = outlet.next(within).await.unwrap().unwrap();
        assert_eq!((second.first_sample.0, second.gap_before.0), (8, 6));
        assert_eq!(second.channel(1), [4.0, 5.0]);
        assert_eq!(second.overload(), [false, false]);
    }
}
