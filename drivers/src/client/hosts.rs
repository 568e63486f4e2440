//! What the station shares with all hosts of a run: how far it has judged, which leave stands, and who was lost.

use crate::error::DriverError;
use crate::protocol::Heartbeat;
use plan_schema::units::SampleIndex;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};

/// Nothing was judged yet.
const NOTHING: u64 = u64::MAX;

/// The station writes, the heartbeats of all hosts read; hosts that are lost come back the other way.
#[derive(Debug)]
pub struct Hosts {
    judged: AtomicU64,
    generation: AtomicU64,
    /// As many as there are hosts at most: each is lost once.
    lost: UnboundedSender<DriverError>,
    taken: Mutex<Option<UnboundedReceiver<DriverError>>>,
}

impl Default for Hosts {
    fn default() -> Self {
        let (lost, taken) = unbounded_channel();
        Self {
            judged: AtomicU64::new(NOTHING),
            generation: AtomicU64::new(0),
            lost,
            taken: Mutex::new(Some(taken)),
        }
    }
}

impl Hosts {
    /// The interlock has judged everything before this sample. To be called by the step that judged, and nobody else: a
    /// loop that is stuck must stop the heart.
    pub fn judged(&self, end: SampleIndex) {
        self.judged.store(end.0.min(NOTHING - 1), Ordering::SeqCst);
    }

    /// The leave of this number stands; 0 for none.
    pub fn leave(&self, generation: u64) {
        self.generation.store(generation, Ordering::SeqCst);
    }

    /// Where lost hosts are told; once.
    #[must_use]
    pub fn take_lost(&self) -> Option<UnboundedReceiver<DriverError>> {
        self.taken.lock().ok().and_then(|mut taken| taken.take())
    }

    pub(super) fn beat(&self) -> Heartbeat {
        let judged = self.judged.load(Ordering::SeqCst);
        Heartbeat {
            generation: self.generation.load(Ordering::SeqCst),
            judged_samples: (judged != NOTHING).then_some(judged),
        }
    }

    /// Tells the station that a host is gone.
    pub fn tell_lost(&self, error: DriverError) {
        // Nobody listens once the run is over.
        let _ = self.lost.send(error);
    }
}
