//! The panel of the gated acquisition: text commands, and samples as IEEE 488.2 blocks.
//!
//! - `ACQuire:RATE <S/s>` and its question, `ACQuire:POINts <samples per channel>`;
//! - `ACQuire:CHANnel:CLEar`, then `ACQuire:CHANnel:ADD <input>,<range in V peak>` in the order in which blocks hold them;
//! - `INITiate` begins a block, `ACQuire:READy?` says 1 once it is complete, `FETCh?` hands it out, `FETCh:INDex?` says the
//!   index of its first sample since the first `INITiate`, `ABORt` ends sampling.
//!
//! A sample is 32 bits, the high byte first, all channels of a moment after each other: bit 0 says overload, the 31 bits above
//! are the value with its sign, of which 2³⁰ are the range.

use super::pace::Sink;
use super::scpi::{Done, Part, Refusal, text};
use crate::SimulatedRig;
use crate::acquisition::Taken;
use tokio::sync::mpsc::{Receiver, channel};

/// Blocks that wait; the newest are dropped beyond, since a gate takes the next.
const DEPTH: usize = 4;
/// Largest block, in samples.
const SAMPLES_MAX: usize = 1 << 20;

/// The acquisition as it is set.
pub(super) struct Gated {
    rig: SimulatedRig,
    sink: Sink,
    frames: u32,
    channels: Vec<(u32, f64)>,
    /// What comes in while it samples.
    blocks: Option<Receiver<Taken>>,
    /// The block that is complete.
    ready: Option<Taken>,
    /// Index of the block that was handed out last.
    index: u64,
}

impl Gated {
    pub(super) fn new(rig: SimulatedRig, sink: Sink) -> Self {
        Self { rig, sink, frames: 1000, channels: Vec::new(), blocks: None, ready: None, index: 0 }
    }

    pub(super) fn part(&mut self, part: &Part) -> Done {
        match part.asks {
            true if part.is("ACQuire:RATE") => text(format!("{:+.9E}", self.rig.lock().rate().si())),
            true if part.is("ACQuire:READy") => text(u8::from(self.is_ready()).to_string()),
            true if part.is("FETCh") => self.fetch(),
            true if part.is("FETCh:INDex") => text(self.index.to_string()),
            true => Err(Refusal::UNDEFINED),
            false if part.is("INITiate") => self.begin(),
            false if part.is("ABORt") => self.end(),
            false if self.blocks.is_some() => Err(Refusal(-221, "Settings conflict")),
            false => self.set(part),
        }
    }

    fn set(&mut self, part: &Part) -> Done {
        if part.is("ACQuire:RATE") {
            let rate = self.rig.lock().rate().si();
            let wanted = part.number(&[])?;
            return if (wanted - rate).abs() <= 1e-9 * rate { Ok(None) } else { Err(Refusal::OUT_OF_RANGE) };
        }
        if part.is("ACQuire:POINts") {
            #[expect(clippy::cast_precision_loss, reason = "exact")]
            let most = SAMPLES_MAX as f64;
            let frames = part.number(&[])?;
            if !(1.0..=most).contains(&frames) {
                return Err(Refusal::OUT_OF_RANGE);
            }
            self.frames = whole(frames);
            return Ok(None);
        }
        if part.is("ACQuire:CHANnel:CLEar") {
            self.channels.clear();
            return Ok(None);
        }
        if part.is("ACQuire:CHANnel:ADD") {
            let numbers: Option<Vec<f64>> = part.arguments.iter().map(|a| a.parse().ok()).collect();
            let Some([input, range]) = numbers.as_deref() else {
                return Err(Refusal(-109, "Missing parameter"));
            };
            if !((0.0..=1e6).contains(input) && *range > 0.0 && range.is_finite()) {
                return Err(Refusal::OUT_OF_RANGE);
            }
            self.channels.push((whole(*input), *range));
            return Ok(None);
        }
        Err(Refusal::UNDEFINED)
    }

    /// Begins a block: what is complete already is none of it.
    fn begin(&mut self) -> Done {
        self.ready = None;
        if let Some(blocks) = &mut self.blocks {
            while blocks.try_recv().is_ok() {}
            return Ok(None);
        }
        if self.channels.len().saturating_mul(self.frames as usize) > SAMPLES_MAX {
            return Err(Refusal::OUT_OF_RANGE);
        }
        let (sender, receiver) = channel(DEPTH);
        let mut world = self.rig.lock();
        world
            .sampler
            .configure(self.frames, &self.channels)
            .map_err(|_| Refusal(-221, "Settings conflict"))?;
        self.sink.set(Some(sender));
        world.sampler.start();
        self.blocks = Some(receiver);
        Ok(None)
    }

    fn end(&mut self) -> Done {
        self.rig.lock().sampler.stop();
        self.sink.set(None);
        self.blocks = None;
        self.ready = None;
        Ok(None)
    }

    fn is_ready(&mut self) -> bool {
        if self.ready.is_none() {
            self.ready = self.blocks.as_mut().and_then(|blocks| blocks.try_recv().ok());
        }
        self.ready.is_some()
    }

    fn fetch(&mut self) -> Done {
        let taken = self.ready.take().ok_or(Refusal(-230, "Data corrupt or stale"))?;
        self.index = taken.first;
        let ranges: Vec<f64> = self.channels.iter().map(|(_, range)| *range).collect();
        let bytes = encode(&taken, &ranges);
        let length = bytes.len().to_string();
        let mut out = format!("#{}{length}", length.len()).into_bytes();
        out.extend(bytes);
        Ok(Some(out))
    }
}

/// A whole number that was seen to be in range.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the caller has seen that it is in range"
)]
fn whole(value: f64) -> u32 {
    value as u32
}

/// Samples as the head of this file says.
fn encode(taken: &Taken, ranges: &[f64]) -> Vec<u8> {
    let frames = taken.samples.len() / ranges.len().max(1);
    let full = f64::from(1_u32 << 30);
    let mut out = Vec::with_capacity(taken.samples.len() * 4);
    for frame in 0..frames {
        for (channel, range) in ranges.iter().enumerate() {
            let volts = taken.samples.get(channel * frames + frame).copied().unwrap_or(0.0);
            let over = taken.overload.get(channel).copied().unwrap_or(false);
            let count = (f64::from(volts) / range * full).round().clamp(-full, full - 1.0);
            #[expect(clippy::cast_possible_truncation, reason = "within 31 bits, as was just seen to")]
            let word = (count as i32) << 1 | i32::from(over);
            out.extend(word.to_be_bytes());
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_written_as_said() {
        let taken =
            Taken { first: 0, gap: 0, samples: vec![5.0, -10.0, 0.0, 2.5], overload: vec![false, true] };
        let words: Vec<i32> = encode(&taken, &[10.0, 5.0])
            .chunks(4)
            .map(|c| i32::from_be_bytes(c.try_into().unwrap()))
            .collect();
        assert_eq!(words, [1 << 30, 1, i32::MIN, (1 << 30) + 1]);
    }
}
