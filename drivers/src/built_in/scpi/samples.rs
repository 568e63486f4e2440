//! Samples in a block of bytes: width, byte order, layout, scaling, overload bit.
//!
//! Invariant: a block holds exactly what was asked for, and every sample is a finite number, or it is an error.

use crate::built_in::settings::Number;
use plan_schema::{written_table, written_words};

written_words! {
    /// How a sample is written.
    pub enum Kind {
        /// 16 bits with sign.
        I16 = "i16",
        /// 24 bits with sign, in three bytes.
        I24 = "i24",
        /// 32 bits with sign.
        I32 = "i32",
        /// IEEE 754 single precision.
        F32 = "f32",
        /// IEEE 754 double precision.
        F64 = "f64",
    }
}

impl Kind {
    fn bytes(self) -> usize {
        match self {
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    fn is_whole(self) -> bool {
        matches!(self, Self::I16 | Self::I24 | Self::I32)
    }

    fn bits(self) -> u32 {
        match self {
            Self::I16 => 16,
            Self::I24 => 24,
            Self::I32 | Self::F32 => 32,
            Self::F64 => 64,
        }
    }
}

written_words! {
    /// Order of the bytes of a sample.
    pub enum ByteOrder {
        /// The low byte first.
        Little = "little",
        /// The high byte first.
        Big = "big",
    }
}

written_words! {
    /// Order of the samples.
    pub enum Layout {
        /// All channels of a moment, then the next moment.
        Interleaved = "interleaved",
        /// All samples of a channel, then the next channel.
        ByChannel = "by_channel",
    }
}

written_table! {
    /// How samples lie in a block. A sample in volts is `data / full_scale × range`, or `data × volt` without a full scale.
    pub struct SampleFormat {
        /// How a sample is written.
        pub kind: Kind,
        /// Order of its bytes.
        pub byte_order: ByteOrder,
        /// Order of the samples.
        pub layout: Layout,
        /// Position of the lowest bit of the data, of whole numbers.
        pub shift: u32 = 0,
        /// Bits of the data from there on, of whole numbers; absent: all.
        pub bits: Option<u32>,
        /// Position of the bit that says overload.
        pub overload_bit: Option<u32>,
        /// What the data are at the end of the range.
        pub full_scale: Option<Number>,
        /// Volts for 1 of the data.
        pub volt: Number = Number(1.0),
    }
}

impl SampleFormat {
    fn data_bits(&self) -> u32 {
        self.bits.unwrap_or(self.kind.bits().saturating_sub(self.shift))
    }

    /// What is wrong, each with its remedy.
    pub(super) fn problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        let bits = self.kind.bits();
        if self.kind.is_whole() {
            let fits = self.data_bits() >= 2 && self.shift.saturating_add(self.data_bits()) <= bits;
            if !fits || self.overload_bit.is_some_and(|b| b >= bits) {
                found.push(format!(
                    "settings.samples: {} data bits from bit {} on, and an overload bit of {:?}, do not fit {bits} bits; \
                     write shift, bits and overload_bit so that they do",
                    self.data_bits(),
                    self.shift,
                    self.overload_bit
                ));
            }
        } else if self.shift != 0 || self.bits.is_some() || self.overload_bit.is_some() {
            found.push(
                "settings.samples: shift, bits and overload_bit are of whole numbers; leave them out".into(),
            );
        }
        if self.full_scale.is_some_and(|f| f.0 <= 0.0) || self.volt.0 == 0.0 {
            found
                .push("settings.samples: full_scale is above 0 and volt is not 0; write what is true".into());
        }
        found
    }

    /// How many bytes a block of this size has.
    pub(super) fn length(&self, channels: usize, frames: usize) -> usize {
        channels.saturating_mul(frames).saturating_mul(self.kind.bytes())
    }

    /// Samples in V, channel after channel, and which channel said overload.
    ///
    /// # Errors
    /// A block of another length, or a sample that is no number.
    pub(super) fn decode(
        &self,
        block: &[u8],
        ranges: &[f64],
        frames: usize,
    ) -> Result<(Vec<f32>, Vec<bool>), String> {
        let channels = ranges.len();
        let wanted = self.length(channels, frames);
        if block.len() != wanted || channels == 0 {
            return Err(format!("a block has {} bytes in place of {wanted}", block.len()));
        }
        let mut samples = vec![0.0_f32; channels * frames];
        let mut overload = vec![false; channels];
        for (n, bytes) in block.chunks_exact(self.kind.bytes()).enumerate() {
            let (channel, frame) = match self.layout {
                Layout::Interleaved => (n % channels, n / channels),
                Layout::ByChannel => (n / frames, n % frames),
            };
            let (data, over) = self.sample(bytes);
            let scale = match self.full_scale {
                Some(full) => ranges.get(channel).copied().unwrap_or(1.0) / full.0,
                None => self.volt.0,
            };
            #[expect(
                clippy::cast_possible_truncation,
                reason = "samples are rounded to f32 where they come in"
            )]
            let volts = (data * scale) as f32;
            if !volts.is_finite() {
                return Err(format!("sample {frame} of channel {channel} is no number"));
            }
            if let Some(place) = samples.get_mut(channel * frames + frame) {
                *place = volts;
            }
            if let Some(flag) = overload.get_mut(channel).filter(|_| over) {
                *flag = true;
            }
        }
        Ok((samples, overload))
    }

    /// The data of a sample, and whether it says overload.
    fn sample(&self, bytes: &[u8]) -> (f64, bool) {
        let byte = |value: u64, b: &u8| value << 8 | u64::from(*b);
        let word = match self.byte_order {
            ByteOrder::Big => bytes.iter().fold(0, byte),
            ByteOrder::Little => bytes.iter().rev().fold(0, byte),
        };
        match self.kind {
            #[expect(clippy::cast_possible_truncation, reason = "four bytes were read")]
            Kind::F32 => (f64::from(f32::from_bits(word as u32)), false),
            Kind::F64 => (f64::from_bits(word), false),
            _ => {
                let up = 64 - self.data_bits().clamp(1, 64);
                let signed = (word >> self.shift << up).cast_signed() >> up;
                #[expect(clippy::cast_precision_loss, reason = "at most 32 bits")]
                let data = signed as f64;
                (data, self.overload_bit.is_some_and(|b| word >> b & 1 == 1))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn format(kind: Kind, byte_order: ByteOrder, layout: Layout) -> SampleFormat {
        SampleFormat {
            kind,
            byte_order,
            layout,
            shift: 0,
            bits: None,
            overload_bit: None,
            full_scale: None,
            volt: Number(0.5),
        }
    }

    #[test]
    fn samples_have_their_order_and_sign() {
        let little = format(Kind::I16, ByteOrder::Little, Layout::Interleaved);
        let bytes = [1, 0, 0xfe, 0xff, 3, 0, 4, 0];
        assert_eq!(little.decode(&bytes, &[1.0, 1.0], 2).unwrap().0, [0.5, 1.5, -1.0, 2.0]);
        let by_channel = format(Kind::I16, ByteOrder::Big, Layout::ByChannel);
        assert_eq!(
            by_channel.decode(&[0, 1, 0xff, 0xfe, 0, 3, 0, 4], &[1.0; 2], 2).unwrap().0,
            [0.5, -1.0, 1.5, 2.0]
        );
        let wide = SampleFormat {
            full_scale: Some(Number(8_388_608.0)),
            ..format(Kind::I24, ByteOrder::Big, Layout::ByChannel)
        };
        assert_eq!(wide.decode(&[0x40, 0, 0, 0x80, 0, 0], &[10.0], 2).unwrap().0, [5.0, -10.0]);
        let float = format(Kind::F64, ByteOrder::Big, Layout::ByChannel);
        assert_eq!(float.decode(&3.0_f64.to_be_bytes(), &[1.0], 1).unwrap().0, [1.5]);
        assert!(float.decode(&f64::NAN.to_be_bytes(), &[1.0], 1).is_err());
        assert!(float.decode(&[0; 9], &[1.0], 1).is_err());
    }

    /// 24 bits of data above a byte whose lowest bit says overload.
    #[test]
    fn an_overload_bit_is_no_data() {
        let format = SampleFormat {
            shift: 8,
            overload_bit: Some(0),
            ..format(Kind::I32, ByteOrder::Big, Layout::Interleaved)
        };
        assert!(format.problems().is_empty());
        let bytes = [0, 0, 2, 0, 0xff, 0xff, 0xff, 1];
        assert_eq!(format.decode(&bytes, &[1.0, 1.0], 1).unwrap(), (vec![1.0, -0.5], vec![false, true]));
        for bad in [
            SampleFormat { shift: 31, ..format.clone() },
            SampleFormat { overload_bit: Some(32), ..format.clone() },
        ] {
            assert_eq!(bad.problems().len(), 1);
        }
    }

    proptest! {
        #[test]
        fn what_is_decoded_is_finite(bytes in proptest::collection::vec(any::<u8>(), 0..64), kind in 0_usize..5) {
            let format = format(Kind::ALL[kind], ByteOrder::Little, Layout::Interleaved);
            if let Ok((samples, _)) = format.decode(&bytes, &[1.0, 2.0], 4) {
                prop_assert_eq!(bytes.len(), format.length(2, 4));
                prop_assert!(samples.iter().all(|s| s.is_finite()));
            }
        }
    }
}
