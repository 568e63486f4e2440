//! The way of blocks from a task that reads them to the one who asks for the next.
//!
//! Owns: the queue between the two, and the gaps. A full queue never stops the reader: what has no room is dropped, and
//! the next block says how much is missing. Invariant: indices ascend, and nothing is handed out twice.

use crate::block::Block;
use crate::error::{DriverError, ErrorKind};
use crate::roles::AcquisitionRequest;
use crate::room;
use plan_schema::units::{SampleCount, SampleIndex, Seconds};
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::time::timeout;

/// A stretch of samples as it was read: channel after channel, in V.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Index of the first sample.
    pub first: u64,
    /// The samples.
    pub samples: Vec<f32>,
    /// For each channel, whether it was overloaded.
    pub overload: Vec<bool>,
}

type Item = Result<Stretch, DriverError>;

/// Where the reader puts what it read.
#[derive(Debug, Clone)]
pub struct Inlet(Sender<Item>);

impl Inlet {
    /// Puts a stretch in; drops it where there is no room. False if nobody takes any more.
    pub fn put(&self, stretch: Stretch) -> bool {
        !matches!(self.0.try_send(Ok(stretch)), Err(TrySendError::Closed(_)))
    }

    /// Says that no more comes, and why. Waits for room: this must not be lost.
    pub async fn end(&self, error: DriverError) {
        let _ = self.0.send(Err(error)).await;
    }

    /// The same from a thread of its own, outside of any runtime.
    pub fn end_blocking(&self, error: DriverError) {
        let _ = self.0.blocking_send(Err(error));
    }
}

/// Where the next block is taken from.
#[derive(Debug)]
pub struct Outlet {
    items: Receiver<Item>,
    instrument: String,
    /// Index of the sample after the last that was handed out.
    expected: u64,
    channels: usize,
}

/// A queue for the blocks of a request.
#[must_use]
pub fn feed(instrument: &str, request: &AcquisitionRequest) -> (Inlet, Outlet) {
    let (sender, items) = channel(room::blocks(request));
    let channels = request.channels.len();
    (Inlet(sender), Outlet { items, instrument: instrument.to_owned(), expected: 0, channels })
}

impl Outlet {
    /// The next block, or `None` if none came within `within`. Cancel-safe.
    ///
    /// # Errors
    /// What ended the reader, or a stretch that can't be true.
    pub async fn next(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        let wrong = |kind, detail: String| DriverError::new(kind, &self.instrument, "next_block", detail);
        let within = Duration::from_secs_f64(within.si().clamp(0.0, 3600.0));
        let stretch = match timeout(within, self.items.recv()).await {
            Err(_) => return Ok(None),
            Ok(None) => return Err(wrong(ErrorKind::Disconnected, "sampling ended".to_owned())),
            Ok(Some(item)) => item?,
        };
        let Some(gap) = stretch.first.checked_sub(self.expected) else {
            let detail =
                format!("a block begins at sample {}, and {} came before", stretch.first, self.expected);
            return Err(wrong(ErrorKind::Protocol, detail));
        };
        if stretch.overload.len() != self.channels || !stretch.samples.iter().all(|v| v.is_finite()) {
            let detail = "a block has another number of channels, or samples that are no numbers".to_owned();
            return Err(wrong(ErrorKind::BadData, detail));
        }
        let first = SampleIndex(stretch.first);
        let block = Block::new(first, SampleCount(gap), stretch.samples, stretch.overload)
            .filter(|b| b.frames() > 0)
            .ok_or_else(|| wrong(ErrorKind::BadData, "a block is empty or uneven".to_owned()))?;
        self.expected = block.end().0;
        Ok(Some(block))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::roles::ChannelRequest;
    use plan_schema::units::{SamplesPerSecond, Volts};

    /// Blocks of two samples of two channels, of which 40 are two seconds.
    fn request() -> AcquisitionRequest {
        let channel = ChannelRequest { input: 0, range: Volts::new(1.0) };
        AcquisitionRequest { rate: SamplesPerSecond::new(40.0), frames: 2, channels: vec![channel; 2] }
    }

    fn stretch(first: u64, value: f32) -> Stretch {
        Stretch { first, samples: vec![value; 4], overload: vec![false, true] }
    }

    #[tokio::test]
    async fn what_has_no_room_is_a_gap() {
        let (inlet, mut outlet) = feed("unit", &request());
        for n in 0..100 {
            assert!(inlet.put(stretch(n * 2, 0.0)));
        }
        let within = Seconds::new(0.01);
        for n in 0..40 {
            let block = outlet.next(within).await.unwrap().unwrap();
            assert_eq!((block.first_sample.0, block.gap_before.0), (n * 2, 0));
        }
        assert!(outlet.next(within).await.unwrap().is_none());
        inlet.put(stretch(200, 0.0));
        let block = outlet.next(within).await.unwrap().unwrap();
        assert_eq!((block.first_sample.0, block.gap_before.0, block.frames()), (200, 120, 2));
        drop(inlet);
        assert_eq!(outlet.next(within).await.unwrap_err().kind, ErrorKind::Disconnected);
    }

    #[tokio::test]
    async fn what_was_handed_out_does_not_come_again() {
        let within = Seconds::new(0.01);
        for (second, kind) in [
            (stretch(0, 0.0), ErrorKind::Protocol),
            (stretch(2, f32::NAN), ErrorKind::BadData),
            (Stretch { overload: vec![false], ..stretch(2, 0.0) }, ErrorKind::BadData),
            (Stretch { samples: Vec::new(), ..stretch(2, 0.0) }, ErrorKind::BadData),
        ] {
            let (inlet, mut outlet) = feed("unit", &request());
            inlet.put(stretch(0, 0.0));
            inlet.put(second);
            outlet.next(within).await.unwrap().unwrap();
            assert_eq!(outlet.next(within).await.unwrap_err().kind, kind);
        }
    }
}
