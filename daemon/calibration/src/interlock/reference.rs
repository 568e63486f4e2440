//! What is said of a reference that does not show the motion: open, stuck, reversed.
//!
//! Owns: the trips of the reference, and the look for samples that stand still or repeat. Must not: follow tones.

use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use crate::hazard::notice::{SILENCE_CYCLES, SILENCE_LEAST};
use plan_schema::units::{Hertz, SamplesPerSecond};

/// Samples that have to be alike at least, so that coarse steps of a converter do not count.
const ALIKE: usize = 32;

/// Blocks that have to repeat.
const REPEATS: usize = 3;

pub(super) fn open() -> Trip {
    let message = "the tone is gone from the reference, and nothing else says that the motion ceased: its line is open, or \
                   its conditioner or supply is off. Check it, then acknowledge.";
    Trip::plain(TripReason::ReferenceOpen, message)
}

pub(super) fn stuck() -> Trip {
    let message = "the samples of the reference stand still or repeat while a tone is on: its conditioner, its converter or \
                   the program that reads it hangs. Check them, then acknowledge.";
    Trip::plain(TripReason::ReferenceStuck, message)
}

pub(super) fn reversed() -> Trip {
    let message = "the reference has the other sign than all that shows the motion beside it, or than a moment ago: its \
                   wiring, its arrow or its conditioner was changed. Check them, then acknowledge.";
    Trip::plain(TripReason::ReferenceReversed, message)
}

/// Looks for samples that stand still or repeat.
#[derive(Debug, Clone, Default)]
pub(super) struct Stuck {
    last: Option<f32>,
    alike: usize,
    block: Vec<f32>,
    repeats: usize,
}

impl Stuck {
    /// Takes the reference's samples of a block; true if they stood still for as long as a tone at this frequency can't,
    /// or are the same as in the blocks before.
    pub(super) fn look(
        &mut self,
        block: &BlockView<'_>,
        reference: usize,
        frequency: Hertz,
        rate: SamplesPerSecond,
    ) -> bool {
        let Some(samples) = block.channels.get(reference) else { return false };
        for sample in *samples {
            // To the bit: a converter that works has noise.
            let same = self.last.is_some_and(|last| last.to_bits() == sample.to_bits());
            self.alike = if same { self.alike + 1 } else { 0 };
            self.last = Some(*sample);
        }
        let same = !samples.is_empty() && self.block == *samples;
        self.repeats = if same { self.repeats + 1 } else { 0 };
        self.block.clear();
        self.block.extend_from_slice(samples);
        let quarter = (SILENCE_CYCLES / frequency.si()).max(SILENCE_LEAST.si()) * rate.si();
        self.stands_still() && self.alike as f64 > quarter || self.repeats >= REPEATS
    }

    /// True if the last samples are alike to the bit.
    pub(super) fn stands_still(&self) -> bool {
        self.alike >= ALIKE
    }
}
