//! Blocks of samples on the wire: base64 of little-endian `f32`, a text for each channel.

use super::{LINE_MAX, params};
use crate::block::Block;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use plan_schema::units::{SampleCount, SampleIndex};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// The notification that carries a block.
pub const BLOCK: &str = "acquisition.block";

/// The notification that sampling ended by itself; its parameters are an error object.
pub const FAILED: &str = "acquisition.failed";

/// A block of samples of all channels, in volts at the input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BlockParams<'a> {
    /// Index of the first sample since `acquisition.start`.
    pub first_sample: u64,
    /// Samples lost between the block before and this one: by the instrument, or because nobody took them.
    pub gap_before_samples: u64,
    /// For each channel, in the order of `acquisition.configure`, its samples: 4 bytes each, IEEE 754 binary32,
    /// little-endian, all together in base64 (RFC 4648, with padding). All channels have the same number.
    #[serde(borrow)]
    pub channels: Vec<Cow<'a, str>>,
    /// For each channel, whether its input was overloaded within the block.
    pub overload: Vec<bool>,
    /// For each channel, whether a sample of it is no finite number. Absent where none is.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_finite: Vec<bool>,
}

impl BlockParams<'_> {
    /// As it is sent.
    #[must_use]
    pub fn of(block: &Block) -> BlockParams<'static> {
        let count = block.channels();
        let mut bytes = Vec::with_capacity(block.frames() * 4);
        let mut channels = Vec::with_capacity(count);
        let mut not_finite = Vec::with_capacity(count);
        for number in 0..count {
            let samples = block.channel(number);
            bytes.clear();
            bytes.extend(samples.iter().flat_map(|s| s.to_le_bytes()));
            channels.push(Cow::Owned(STANDARD.encode(&bytes)));
            not_finite.push(!samples.iter().all(|s| s.is_finite()));
        }
        if !not_finite.contains(&true) {
            not_finite.clear();
        }
        BlockParams {
            first_sample: block.first_sample.0,
            gap_before_samples: block.gap_before.0,
            channels,
            overload: block.overload().to_vec(),
            not_finite,
        }
    }
}

/// The block that a line carries.
///
/// # Errors
/// What is wrong with it: what does not decode, does not hang together, or is no number is no data.
pub fn read_block(line: &[u8]) -> Result<Block, String> {
    let params: BlockParams<'_> = params(line).map_err(|fault| fault.message)?;
    let count = params.channels.len();
    if params.overload.len() != count || !(params.not_finite.is_empty() || params.not_finite.len() == count) {
        return Err(format!("a block of {count} channels does not have {count} flags of each kind"));
    }
    if let Some(channel) = params.not_finite.iter().position(|flag| *flag) {
        return Err(format!("channel {channel} delivered samples that are no finite numbers"));
    }
    let mut samples: Vec<f32> = Vec::new();
    let mut frames = None;
    for (number, text) in params.channels.iter().enumerate() {
        let bytes =
            STANDARD.decode(text.as_bytes()).map_err(|e| format!("channel {number} is no base64: {e}"))?;
        let (whole, rest) = bytes.as_chunks::<4>();
        if !rest.is_empty() || whole.len() != *frames.get_or_insert(whole.len()) {
            return Err(format!(
                "channel {number} has {} bytes; every channel has to have the same number, a multiple of 4",
                bytes.len()
            ));
        }
        if number == 0 {
            samples.reserve_exact(whole.len().saturating_mul(count).min(LINE_MAX));
        }
        let before = samples.len();
        samples.extend(whole.iter().map(|b| f32::from_le_bytes(*b)));
        if samples.iter().skip(before).any(|s| !s.is_finite()) {
            return Err(format!(
                "channel {number} holds a sample that is no finite number, without saying so"
            ));
        }
    }
    if frames.is_none_or(|f| f == 0) {
        return Err("a block has to have a channel and a sample".to_owned());
    }
    if params.first_sample.checked_add(frames.unwrap_or(0) as u64).is_none() {
        return Err("the index of the last sample is beyond any count".to_owned());
    }
    let (first, gap) = (SampleIndex(params.first_sample), SampleCount(params.gap_before_samples));
    Block::new(first, gap, samples, params.overload).ok_or_else(|| "the block is uneven".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(samples: &[f32], channels: usize) -> Block {
        Block::new(SampleIndex(5), SampleCount(2), samples.to_vec(), vec![true; channels]).unwrap()
    }

    fn line(block: &Block) -> Vec<u8> {
        crate::protocol::notification(BLOCK, &BlockParams::of(block)).unwrap()
    }

    #[test]
    fn a_block_comes_back_to_the_bit() {
        let block = block(&[0.0, -0.0, 1.5e-42, f32::MAX, f32::MIN_POSITIVE, -3.25], 2);
        let back = read_block(&line(&block)).unwrap();
        assert_eq!(back, block);
        let bits =
            |b: &Block| (0..2).flat_map(|c| b.channel(c).to_vec()).map(f32::to_bits).collect::<Vec<_>>();
        assert_eq!(bits(&back), bits(&block));
    }

    /// The bytes of 1.0, −2.0 and 0.5 by the layout of IEEE 754 binary32, in base64 by hand from RFC 4648's alphabet.
    #[test]
    fn the_wire_form_is_that_of_the_standards() {
        let text = String::from_utf8(line(&block(&[1.0, -2.0, 0.5], 1))).unwrap();
        assert!(text.contains("\"AACAPwAAAMAAAAA/\""), "{text}");
    }

    #[test]
    fn what_is_no_number_is_flagged_and_refused() {
        let text = String::from_utf8(line(&block(&[0.0, f32::NAN], 2))).unwrap();
        assert!(text.contains("\"not_finite\":[false,true]"));
        assert!(read_block(text.as_bytes()).unwrap_err().contains("channel 1"));
        let silent = text.replace("[false,true]", "[]");
        assert!(read_block(silent.as_bytes()).unwrap_err().contains("without saying so"));
    }

    #[test]
    fn what_does_not_hang_together_is_refused() {
        let of = |channels: &str, overload: &str, first: &str| {
            let text = format!(
                "{{\"params\":{{\"first_sample\":{first},\"gap_before_samples\":0,\"channels\":{channels},\"overload\":{overload}}}}}"
            );
            read_block(text.as_bytes())
        };
        assert!(of("[\"AACAPw==\"]", "[false]", "0").is_ok());
        for (channels, overload, first) in [
            ("[]", "[]", "0"),
            ("[\"\"]", "[false]", "0"),
            ("[\"AACAPw==\"]", "[]", "0"),
            ("[\"AACAPw\"]", "[false]", "0"),
            ("[\"AACA\"]", "[false]", "0"),
            ("[\"AACAPw==\",\"\"]", "[false,false]", "0"),
            ("[\"AA*APw==\"]", "[false]", "0"),
            ("[\"AACAPw==\"]", "[false]", "-1"),
            ("[\"AACAPw==\"]", "[false]", "18446744073709551615"),
            ("null", "null", "0"),
        ] {
            assert!(of(channels, overload, first).is_err(), "{channels} {overload} {first}");
        }
    }
}
