//! Frames of a streaming acquisition: what the box sends. FRAMES.md says the same in words.
//!
//! Invariant: a frame is taken whole and with the right checksum, or the stream is broken; nothing is searched for in it.

use std::io;
use tokio::io::{AsyncRead, AsyncReadExt};

/// First bytes of a frame.
pub const MAGIC: [u8; 4] = *b"CWFR";
/// Version of the frames.
pub const VERSION: u8 = 1;
/// Largest body, in bytes.
pub const BODY_MAX: usize = 4 << 20;
/// Most channels of a block.
pub const CHANNELS_MAX: usize = 64;

/// Bytes before the body, and before the samples in the body of a block.
const HEAD: usize = 16;
const BLOCK_HEAD: usize = 24;

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// What a frame carries.
#[derive(Debug, Clone, PartialEq)]
pub enum Frame {
    /// The answer to a command, beginning with OK or ERROR.
    Answer(String),
    /// Samples.
    Block {
        /// Index of the first sample since the start.
        first: u64,
        /// Samples in V, channel after channel.
        samples: Vec<f32>,
        /// One for each channel: true if it was overloaded within the block.
        overload: Vec<bool>,
    },
    /// Sampling ended by itself, and why.
    Ended(String),
}

impl Frame {
    /// The frame as bytes.
    ///
    /// # Errors
    /// For a body that is too large or uneven.
    pub fn encode(&self) -> Result<Vec<u8>, &'static str> {
        let (kind, body) = match self {
            Self::Answer(text) => (1_u8, text.as_bytes().to_vec()),
            Self::Block { first, samples, overload } => (2, block_body(*first, samples, overload)?),
            Self::Ended(text) => (3, text.as_bytes().to_vec()),
        };
        if body.len() > BODY_MAX {
            return Err("a frame is too large");
        }
        let length = u32::try_from(body.len()).map_err(|_| "a frame is too large")?;
        let mut said = vec![VERSION, kind, 0, 0];
        said.extend(length.to_le_bytes());
        let mut out = Vec::with_capacity(HEAD + body.len());
        out.extend(MAGIC);
        out.extend(&said);
        out.extend(checksum(&said, &body).to_le_bytes());
        out.extend(body);
        Ok(out)
    }

    /// Reads the next frame; `None` at the end of the stream.
    ///
    /// # Errors
    /// `InvalidData` for anything that is no frame, and what the stream says.
    pub async fn read(stream: &mut (impl AsyncRead + Unpin)) -> io::Result<Option<Self>> {
        let mut head = [0_u8; HEAD];
        let first = stream.read(&mut head).await?;
        if first == 0 {
            return Ok(None);
        }
        if let Some(rest) = head.get_mut(first..) {
            stream.read_exact(rest).await?;
        }
        let [m0, m1, m2, m3, version, kind, r0, r1, l0, l1, l2, l3, c0, c1, c2, c3] = head;
        if [m0, m1, m2, m3] != MAGIC || version != VERSION || [r0, r1] != [0, 0] {
            return Err(broken("this is no frame of version 1"));
        }
        let length = usize::try_from(u32::from_le_bytes([l0, l1, l2, l3])).unwrap_or(usize::MAX);
        if length > BODY_MAX {
            return Err(broken("a frame says that it is longer than 4 MiB"));
        }
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await?;
        if checksum(&[version, kind, r0, r1, l0, l1, l2, l3], &body) != u32::from_le_bytes([c0, c1, c2, c3]) {
            return Err(broken("the checksum of a frame is wrong"));
        }
        let text = |body| String::from_utf8(body).map_err(|_| broken("a frame holds bytes that are no text"));
        match kind {
            1 => text(body).map(|t| Some(Self::Answer(t))),
            2 => block(&body).map(Some).ok_or_else(|| broken("a block does not hold what it says")),
            3 => text(body).map(|t| Some(Self::Ended(t))),
            _ => Err(broken("this kind of frame is unknown")),
        }
    }
}

fn broken(detail: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, detail.to_owned())
}

fn checksum(said: &[u8], body: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(said);
    digest.update(body);
    digest.finalize()
}

fn block_body(first: u64, samples: &[f32], overload: &[bool]) -> Result<Vec<u8>, &'static str> {
    let channels = overload.len();
    if channels == 0 || channels > CHANNELS_MAX || !samples.len().is_multiple_of(channels) {
        return Err("a block is uneven");
    }
    let frames = u32::try_from(samples.len() / channels).map_err(|_| "a frame is too large")?;
    let count = u16::try_from(channels).map_err(|_| "a block is uneven")?;
    let flags = overload.iter().enumerate().fold(0_u64, |flags, (n, over)| flags | u64::from(*over) << n);
    let mut body = Vec::with_capacity(BLOCK_HEAD + samples.len() * 4);
    body.extend(first.to_le_bytes());
    body.extend(frames.to_le_bytes());
    body.extend(count.to_le_bytes());
    body.extend([0, 0]);
    body.extend(flags.to_le_bytes());
    samples.iter().for_each(|sample| body.extend(sample.to_le_bytes()));
    Ok(body)
}

/// Reads the body of a block; `None` where it contradicts itself.
fn block(body: &[u8]) -> Option<Frame> {
    let (head, rest) = body.split_first_chunk::<BLOCK_HEAD>()?;
    let (first, tail) = head.split_first_chunk::<8>()?;
    let (frames, tail) = tail.split_first_chunk::<4>()?;
    let (channels, tail) = tail.split_first_chunk::<2>()?;
    let (reserved, tail) = tail.split_first_chunk::<2>()?;
    let flags = u64::from_le_bytes(*tail.first_chunk::<8>()?);
    let (frames, channels) = (u32::from_le_bytes(*frames), usize::from(u16::from_le_bytes(*channels)));
    let samples = usize::try_from(frames).ok()?.checked_mul(channels)?;
    let beyond = channels < CHANNELS_MAX && flags >> channels != 0;
    if channels == 0
        || channels > CHANNELS_MAX
        || beyond
        || *reserved != [0, 0]
        || rest.len() != samples.checked_mul(4)?
    {
        return None;
    }
    let (chunks, _) = rest.as_chunks::<4>();
    Some(Frame::Block {
        first: u64::from_le_bytes(*first),
        samples: chunks.iter().map(|c| f32::from_le_bytes(*c)).collect(),
        overload: (0..channels).map(|n| flags >> n & 1 == 1).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(bytes: &[u8]) -> io::Result<Option<Frame>> {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let mut bytes = bytes;
        runtime.block_on(Frame::read(&mut bytes))
    }

    fn example() -> Frame {
        Frame::Block { first: 7, samples: vec![1.0, -2.0, 0.5, 0.25], overload: vec![false, true] }
    }

    /// The checksum is that of Ethernet, gzip and PNG; its check value for "123456789" is CBF43926 (from memory).
    #[test]
    fn the_checksum_is_the_common_one() {
        assert_eq!(checksum(b"12345", b"6789"), 0xcbf4_3926);
    }

    #[test]
    fn frames_come_back_as_they_went() {
        for frame in [example(), Frame::Answer("OK".into()), Frame::Ended("power".into())] {
            assert_eq!(read(&frame.encode().unwrap()).unwrap(), Some(frame));
        }
        assert_eq!(read(b"").unwrap(), None);
        assert!(Frame::Block { first: 0, samples: vec![0.0; 3], overload: vec![false; 2] }.encode().is_err());
        assert!(
            Frame::Block { first: 0, samples: vec![0.0; 65], overload: vec![false; 65] }.encode().is_err()
        );
    }

    /// The block that FRAMES.md prints; Python's zlib.crc32 gives the same checksum, 082d2525.
    #[test]
    fn a_block_in_bytes() {
        let hex: Vec<String> = example().encode().unwrap().iter().map(|b| format!("{b:02x}")).collect();
        let (first, rest) = hex.split_at(32);
        let printed = format!("{}\n{}\n", first.join(" "), rest.join(" "));
        assert!(include_str!("../../../FRAMES.md").contains(&printed), "{printed}");
    }

    proptest! {
        #[test]
        fn bytes_drawn_at_random_are_no_frame(bytes in proptest::collection::vec(any::<u8>(), 1..100)) {
            prop_assert!(read(&bytes).is_err());
        }

        #[test]
        fn a_bit_that_was_turned_is_found(at in 0_usize..56 * 8) {
            let mut bytes = example().encode().unwrap();
            prop_assert_eq!(bytes.len(), 56);
            bytes[at / 8] ^= 1 << (at % 8);
            prop_assert!(read(&bytes).is_err());
        }

        /// Also where the checksum is right.
        #[test]
        fn a_body_that_contradicts_itself_is_no_block(body in proptest::collection::vec(any::<u8>(), 0..80)) {
            if let Some(Frame::Block { samples, overload, .. }) = block(&body) {
                prop_assert_eq!(samples.len() * 4 + BLOCK_HEAD, body.len());
                prop_assert!(!overload.is_empty());
            }
        }
    }
}
