//! How many blocks may wait for somebody who is late.
//!
//! Owns: the one figure, in time of samples, that every queue of blocks on the way from an instrument to the station goes by.
//! A machine that is busy for a moment loses nothing; what is late for longer than that is dropped, counted and reported.
//! That samples wait makes nothing less safe: the station trips by how long ago it judged the last block.

use crate::protocol::LINE_MAX;
use crate::roles::AcquisitionRequest;
use plan_schema::units::{SampleCount, Seconds};

/// Time of samples that may wait at each place (common practice, no source): many times what a machine that is busy holds a
/// process up for.
const WAITING: Seconds = Seconds::new(2.0);

/// Blocks that may wait, however long they are.
const LEAST: u16 = 8;

/// And at most, however short: a queue needs a bound.
pub(crate) const MOST: u16 = 8192;

/// Most samples per channel that a block on a line holds; a longer one is sent in pieces. A sample takes 16/3 characters of
/// base64, and what stands about the samples of a channel far less than 64 more.
pub(crate) fn frames_on_a_line(channels: usize) -> usize {
    let channels = channels.max(1);
    (LINE_MAX.saturating_sub(1024) / channels).saturating_sub(64) / 16 * 3
}

/// How many blocks of a request make up the time that samples may wait.
pub(crate) fn blocks(request: &AcquisitionRequest) -> usize {
    let most = u64::try_from(frames_on_a_line(request.channels.len())).unwrap_or(u64::MAX);
    let block = SampleCount(u64::from(request.frames).min(most)).duration(request.rate);
    // What is no number becomes the least.
    let wanted = (WAITING / block).ceil().max(f64::from(LEAST)).min(f64::from(MOST));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between the two bounds")]
    let wanted = wanted as usize;
    wanted
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::units::SamplesPerSecond;

    #[test]
    fn it_is_a_time_with_bounds() {
        let of = |rate: f64, frames: u32| {
            blocks(&AcquisitionRequest { rate: SamplesPerSecond::new(rate), frames, channels: Vec::new() })
        };
        assert_eq!(of(20_000.0, 100), 400);
        assert_eq!(of(51_200.0, 1024), 100);
        assert_eq!(of(20_000.0, 40_000), 8);
        assert_eq!(of(20_000.0, 1), 8192);
        assert_eq!(of(f64::NAN, 0), 8);
    }
}
