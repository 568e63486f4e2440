//! The checker: looks at the true drive, the latch and the leave after every block, outside of the run.
//!
//! Owns: what has to hold between the three. It sits in the acquisition's place, since simulated time moves nowhere else, and
//! reads the files of the state folder as another process would. Must not: ask run, engine or interlock about anything.
//!
//! | what speaks against a drive | how long it may last all the same |
//! |---|---|
//! | the latch says tripped or clear | what making safe takes by the rig's own figures |
//! | the leave was taken away by a stop | from when the run took the word in: the same |
//! | the time of the leave is over | the same, and the way down in good order |
//! | there is no leave, or it is for another rig file | not at all |

use anyhow::Result;
use async_trait::async_trait;
use calibration::sequence::Event;
use calwright::files::Disk;
use calwright::record::UtcTime;
use calwright::station::latch::{Latch, LatchFile};
use calwright::station::leave::{Around, Found, Lapse, Standing, WithdrawnBy, rig_sha256, standing};
use calwright::station::leave_file::{LeaveFile, boot_id};
use calwright::station::{Clock, Observer};
use drivers::{
    Acquisition, AcquisitionRequest, Block, Continuity, DriverError, DriverFactory, Opened, Registry,
};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{Instrument, Rig};
use plan_schema::units::{Mono, Seconds};
use sim::SimulatedRig;
use std::sync::{Arc, Mutex, PoisonError};

/// What the checker saw.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Seen {
    /// Blocks that were looked at.
    pub(super) blocks: usize,
    /// Blocks after which there was drive.
    pub(super) driven: usize,
    /// Everything that must not be.
    pub(super) wrong: Vec<String>,
}

/// The checker of one run.
pub(super) struct Watch {
    rig: SimulatedRig,
    place: LatchFile,
    written: Rig,
    clock: Arc<dyn Clock>,
    /// The latch as it was before the run.
    before: Latch,
    /// What making safe takes, and the way down in good order.
    safe: Seconds,
    down: Seconds,
    state: Mutex<State>,
    /// Told the drive after each block.
    tells: Box<dyn Fn(f64) + Send + Sync>,
}

#[derive(Default)]
struct State {
    seen: Seen,
    /// Since when something has spoken against the drive.
    since: Option<Mono>,
    /// When the run said that it stops.
    stopping: Option<Mono>,
}

/// What speaks against a drive.
enum Against {
    Latch,
    Stop,
    Time,
    NoLeave(String),
}

impl Watch {
    pub(super) fn new(
        rig: &SimulatedRig,
        place: &LatchFile,
        job: &ResolvedJob,
        clock: Arc<dyn Clock>,
        (safe, down): (Seconds, Seconds),
        tells: impl Fn(f64) + Send + Sync + 'static,
    ) -> Arc<Self> {
        let before = place.read(&Disk, clock.utc());
        let written = job.rig.clone();
        let (rig, place) = (rig.clone(), place.clone());
        let tells = Box::new(tells);
        Arc::new(Self { rig, place, written, clock, before, safe, down, state: Mutex::default(), tells })
    }

    pub(super) fn seen(&self) -> Seen {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).seen.clone()
    }

    /// Looks once.
    fn look(&self) {
        let truth = self.rig.truth();
        let drive = truth.final_drive.si();
        (self.tells)(drive);
        let now = self.rig.now();
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        state.seen.blocks += 1;
        if drive <= 0.0 {
            return;
        }
        state.seen.driven += 1;
        let Some(against) = self.against() else {
            state.since = None;
            return;
        };
        let since = *state.since.get_or_insert(now);
        let (from, grace, what) = match against {
            Against::Latch => (since, self.safe, "the latch does not say that it may be moving".to_owned()),
            // The word is on its way to the run; from when it came there it is judged.
            Against::Stop => (state.stopping.unwrap_or(now), self.safe, "a person said stop".to_owned()),
            Against::Time => (since, self.safe + self.down, "the leave to move is over".to_owned()),
            Against::NoLeave(why) => (since, Seconds::new(-1.0), why),
        };
        if now.since(from) > grace {
            let at = now.since(Mono(0)).si();
            state.seen.wrong.push(format!("{drive} V at {at:.3} s, though {what}"));
        }
    }

    fn against(&self) -> Option<Against> {
        // As it lies on the disk; reading it as a start would turns 'may be moving' into a trip.
        let moving = std::fs::read(self.place.path())
            .ok()
            .and_then(|bytes| serde_json::from_slice::<Latch>(&bytes).ok())
            .is_some_and(|latch| matches!(latch, Latch::MayBeMoving { .. }));
        if !moving {
            return Some(Against::Latch);
        }
        let boot = boot_id();
        let around = Around {
            now: UtcTime::from(self.clock.utc()),
            boot_id: boot.as_deref(),
            up_s: None,
            rig_sha256: &rig_sha256(&self.written),
            mounted_sha256: None,
            latch: &self.before,
        };
        let found: Found = LeaveFile::beside(&self.place).read(&Disk);
        match standing(&found, &around) {
            Standing::Given(_) => None,
            Standing::Lapsed(Lapse::TimeOver(_)) => Some(Against::Time),
            Standing::Lapsed(Lapse::Withdrawn(w)) if w.by == WithdrawnBy::Stop => Some(Against::Stop),
            Standing::Lapsed(lapse) => Some(Against::NoLeave(lapse.to_string())),
        }
    }

    /// The drivers of a registry with the checker in the acquisition's place.
    pub(super) fn registry(self: &Arc<Self>, job: &ResolvedJob, inner: &Registry) -> Result<Registry> {
        let mut registry = Registry::default();
        for instrument in &job.rig.instruments {
            let inner = inner.find(instrument)?.clone();
            registry.add(Arc::new(Factory { inner, watch: self.clone() }));
        }
        Ok(registry)
    }
}

/// Hears when the run takes in that it is to stop.
pub(super) struct Hears(pub(super) Arc<Watch>);

impl Observer for Hears {
    fn event(&mut self, now: Mono, event: &Event) {
        if matches!(event, Event::Stopping(_) | Event::Tripped(_)) {
            let mut state = self.0.state.lock().unwrap_or_else(PoisonError::into_inner);
            state.stopping.get_or_insert(now);
        }
    }
}

struct Factory {
    inner: Arc<dyn DriverFactory>,
    watch: Arc<Watch>,
}

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        self.inner.kind()
    }

    fn describe(&self) -> &str {
        self.inner.describe()
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        self.inner.check(instrument)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let opened = self.inner.open(instrument).await?;
        let watched = |inner| Box::new(Watched { inner, watch: self.watch.clone() }) as Box<dyn Acquisition>;
        Ok(Opened { acquisition: opened.acquisition.map(watched), ..opened })
    }
}

struct Watched {
    inner: Box<dyn Acquisition>,
    watch: Arc<Watch>,
}

#[async_trait]
impl Acquisition for Watched {
    fn continuity(&self) -> Continuity {
        self.inner.continuity()
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        self.inner.configure(want).await
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        self.inner.start().await
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        let block = self.inner.next_block(within).await;
        self.watch.look();
        block
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.inner.stop().await
    }
}
