//! Samples as bytes of a card, and as shares of full scale.
//!
//! Full scale is 2^(n−1) steps of an n-bit word, so that −1 can be reached and +1 only up to one step.

use plan_schema::written_words;

written_words! {
    /// How a card packs a sample; all little-endian, with 24 bits or more.
    pub enum SampleFormat {
        /// 24 bits in three bytes.
        Packed24 = "s24_3le",
        /// 32 bits, of which a card may leave the lowest at zero.
        Wide32 = "s32_le",
        /// IEEE 754 binary32, full scale ±1.
        Float32 = "float_le",
    }
}

/// Steps of full scale of 24 and of 32 bits.
const STEPS_24: f64 = 8_388_608.0;
const STEPS_32: f64 = 2_147_483_648.0;

/// From here on, as a share of full scale, a converter counts as clipped: one step of 16 bits below its end. Our own choice,
/// no source: an input may end a little before the last code.
pub const CLIPPED_FROM: f32 = 1.0 - 1.0 / 32_768.0;

impl SampleFormat {
    /// Bytes of a sample.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::Packed24 => 3,
            Self::Wide32 | Self::Float32 => 4,
        }
    }

    /// Adds a sample, rounded to the nearest step; beyond full scale it is held there, and what is no number is 0.
    pub fn encode(self, share: f64, into: &mut Vec<u8>) {
        let share = if share.is_finite() { share } else { 0.0 };
        match self {
            Self::Packed24 => into.extend_from_slice(&steps(share, STEPS_24).to_le_bytes()[..3]),
            Self::Wide32 => into.extend_from_slice(&steps(share, STEPS_32).to_le_bytes()),
            Self::Float32 => {
                #[expect(clippy::cast_possible_truncation, reason = "the card's word is no longer")]
                let word = share.clamp(-1.0, 1.0) as f32;
                into.extend_from_slice(&word.to_le_bytes());
            }
        }
    }

    /// The sample in the first bytes; `None` where there are too few.
    #[must_use]
    pub fn decode(self, bytes: &[u8]) -> Option<f32> {
        let share = match (self, bytes) {
            (Self::Packed24, [a, b, c, ..]) => {
                // Read as the upper three bytes of four, so that the sign comes by itself.
                f64::from(i32::from_le_bytes([0, *a, *b, *c])) / STEPS_32
            }
            (Self::Wide32, [a, b, c, d, ..]) => f64::from(i32::from_le_bytes([*a, *b, *c, *d])) / STEPS_32,
            (Self::Float32, [a, b, c, d, ..]) => return Some(f32::from_le_bytes([*a, *b, *c, *d])),
            _ => return None,
        };
        #[expect(
            clippy::cast_possible_truncation,
            reason = "24 bits fit; of 32 those beyond are a card's noise"
        )]
        let share = share as f32;
        Some(share)
    }
}

fn steps(share: f64, full: f64) -> i32 {
    let steps = (share * full).round().clamp(-full, full - 1.0);
    #[expect(clippy::cast_possible_truncation, reason = "clamped to the range")]
    let steps = steps as i32;
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn there_and_back(format: SampleFormat, share: f64) -> f32 {
        let mut bytes = Vec::new();
        format.encode(share, &mut bytes);
        assert_eq!(bytes.len(), format.bytes());
        format.decode(&bytes).unwrap()
    }

    /// Two's complement, lowest byte first, as ALSA's names of formats say (S24_3LE, S32_LE, FLOAT_LE; from memory).
    #[test]
    fn words_of_the_formats() {
        let bytes = |format: SampleFormat, share| {
            let mut bytes = Vec::new();
            format.encode(share, &mut bytes);
            bytes
        };
        assert_eq!(bytes(SampleFormat::Packed24, 0.5), [0x00, 0x00, 0x40]);
        assert_eq!(bytes(SampleFormat::Packed24, -1.0), [0x00, 0x00, 0x80]);
        assert_eq!(bytes(SampleFormat::Packed24, 1.0), [0xff, 0xff, 0x7f]);
        assert_eq!(bytes(SampleFormat::Packed24, -1.0 / STEPS_24), [0xff, 0xff, 0xff]);
        assert_eq!(bytes(SampleFormat::Wide32, 0.25), [0, 0, 0, 0x20]);
        assert_eq!(bytes(SampleFormat::Float32, -0.5), [0, 0, 0, 0xbf]);
        assert_eq!(bytes(SampleFormat::Packed24, f64::NAN), [0, 0, 0]);
        assert_eq!(SampleFormat::Packed24.decode(&[1, 2]), None);
    }

    proptest! {
        #[test]
        fn a_sample_comes_back_within_half_a_step(share in -1.0..1.0_f64) {
            for format in SampleFormat::ALL {
                let back = f64::from(there_and_back(*format, share));
                prop_assert!((back - share).abs() <= 1.0 / STEPS_24, "{format:?}: {share} came back as {back}");
            }
            let back = there_and_back(SampleFormat::Packed24, share);
            prop_assert_eq!(there_and_back(SampleFormat::Packed24, f64::from(back)).to_bits(), back.to_bits());
        }

        #[test]
        fn beyond_full_scale_it_is_held_there(share in prop_oneof![1.0..1e300_f64, -1e300..-1.0_f64]) {
            for format in SampleFormat::ALL {
                let back = there_and_back(*format, share);
                prop_assert!(back.abs() >= CLIPPED_FROM && f64::from(back) * share.signum() > 0.0);
            }
        }
    }
}
