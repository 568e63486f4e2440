//! How long the station takes from a block that shows a limit passed to the first stopping action, beside a bare echo.
//!
//! The station is the one of a real run: its own thread and runtime, wall clock, a task a device, bounded channels. Only the
//! instruments are simulated, behind a link: a thread of its own hands blocks over, as the transport of an instrument does.
//! An echo goes the same way (link thread, channel, device task, channel, loop, spawned task, safe handle) on the same
//! runtime and in the same run, with the same block, and with nothing done in between. What is more is the judgement.
//!
//! Only the ratio of the two means something: both hang on how busy this machine is.

use crate::figure::Figure;
use crate::program::root;
use anyhow::{Context, Result, ensure};
use async_trait::async_trait;
use calibration::interlock::Trip;
use calibration::sequence::{
    Cable, Event, FirstMotion, Pause, PointEnd, QuietRecord, RatioTone, Recent, Setup,
};
use calwright::files::{Disk, Files};
use calwright::load;
use calwright::station::latch::LatchFile;
use calwright::station::{Authority, Clock, Mission, Observer, RunStore, run};
use drivers::{
    Acquisition, AcquisitionRequest, Block, Continuity, DriverError, DriverFactory, Opened, Registry,
    SafeHandle, SafeProof, StopReason,
};
use jiff::Timestamp;
use plan_schema::faults::Faults;
use plan_schema::rig::Instrument;
use plan_schema::units::{Mono, SampleIndex, Seconds};
use sim::SimulatedRig;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread;
use std::time::{Duration, Instant};
use tokio::sync::mpsc as hops;

/// Depths of the channels, as the station has them: into a device task, into the engine.
const DEPTH: usize = 8;
const INBOX: usize = 64;

/// Most of the runs that a busy machine may cut off, of all.
const DISTURBED: f64 = 0.05;

#[expect(clippy::disallowed_methods, reason = "how long it takes is what is claimed")]
fn now() -> Instant {
    Instant::now()
}

/// The times of one run: the trip's and the echo's.
#[derive(Debug, Default)]
struct Stamps {
    /// When the block that trips was handed over, with its samples.
    block: Option<(Instant, SampleIndex, SampleIndex)>,
    /// When the first stopping action came out.
    stop: Option<Instant>,
    echo: Option<Duration>,
}

/// What link, drivers and observer share.
#[derive(Clone, Default)]
struct Shared {
    stamps: Arc<Mutex<Stamps>>,
    /// A point is measured.
    dwelling: Arc<AtomicBool>,
}

impl Shared {
    fn stamps(&self) -> std::sync::MutexGuard<'_, Stamps> {
        self.stamps.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Lets the link know when a point is measured.
struct Tells(Shared);

impl Observer for Tells {
    fn event(&mut self, _now: Mono, event: &Event) {
        if matches!(event, Event::DwellBegins { .. }) {
            self.0.dwelling.store(true, Ordering::SeqCst);
        }
    }
}

/// Wall time.
struct Wall(Instant);

impl Clock for Wall {
    fn now(&self) -> Mono {
        Mono::default().after(Seconds::new(now().duration_since(self.0).as_secs_f64()))
    }

    fn utc(&self) -> Timestamp {
        calwright::record::UtcTime::now().timestamp()
    }

    fn lock_step(&self) -> bool {
        false
    }
}

/// The link to an acquisition: a thread that hands its blocks over when they are asked for.
struct Link {
    asks: mpsc::Sender<Seconds>,
    blocks: hops::Receiver<Result<Option<Block>, DriverError>>,
}

/// The way of the echo: blocks go in, and come out where the safe handle would be.
struct Echo {
    blocks: hops::Sender<(Block, Instant)>,
    done: mpsc::Receiver<()>,
}

impl Echo {
    /// Tasks like those of device and engine, on the runtime of the station.
    fn on_this_runtime(shared: &Shared) -> Self {
        let (blocks, mut link) = hops::channel::<(Block, Instant)>(DEPTH);
        let (inbox, mut messages) = hops::channel::<(Block, Instant)>(INBOX);
        let (finished, done) = mpsc::channel();
        tokio::spawn(async move {
            while let Some(block) = link.recv().await {
                if inbox.send(block).await.is_err() {
                    return;
                }
            }
        });
        let shared = shared.clone();
        tokio::spawn(async move {
            while let Some((_block, handed)) = messages.recv().await {
                let (shared, finished) = (shared.clone(), finished.clone());
                tokio::spawn(async move {
                    shared.stamps().echo = Some(now().duration_since(handed));
                    let _ = finished.send(());
                });
            }
        });
        Self { blocks, done }
    }

    /// Sends a block round and waits until it is back.
    fn send(&self, block: Block) -> bool {
        self.blocks.blocking_send((block, now())).is_ok() && self.done.recv().is_ok()
    }
}

/// Hands blocks over: as they are, until a point is measured; then one goes round as an echo, and the next shows three times
/// the limit of acceleration, both ways.
fn link(
    mut inner: Box<dyn Acquisition>,
    asked: &mpsc::Receiver<Seconds>,
    out: &hops::Sender<Result<Option<Block>, DriverError>>,
    echo: &Echo,
    (shared, column, volts): (&Shared, usize, f32),
) {
    let runtime = tokio::runtime::Builder::new_current_thread().build();
    let Ok(runtime) = runtime else { return };
    let mut measured = 0;
    while let Ok(within) = asked.recv() {
        let mut taken = runtime.block_on(inner.next_block(within));
        if let Ok(Some(block)) = &mut taken
            && shared.dwelling.load(Ordering::SeqCst)
        {
            measured += 1;
            if measured == 2 && !echo.send(block.clone()) {
                return;
            }
            if measured == 3 {
                match beyond(block, column, volts) {
                    Some(bad) => *block = bad,
                    None => return,
                }
                shared.stamps().block = Some((now(), block.first_sample, block.end()));
            }
        }
        if out.blocking_send(taken).is_err() {
            return;
        }
    }
}

/// The same block with one channel beyond, up in its first half, down in its second.
fn beyond(block: &Block, column: usize, volts: f32) -> Option<Block> {
    let mut samples = Vec::with_capacity(block.channels() * block.frames());
    for channel in 0..block.channels() {
        samples.extend_from_slice(block.channel(channel));
    }
    let frames = block.frames();
    let of_channel = samples.get_mut(column * frames..(column + 1) * frames)?;
    let (first, second) = of_channel.split_at_mut(frames / 2);
    first.fill(volts);
    second.fill(-volts);
    Block::new(block.first_sample, block.gap_before, samples, block.overload().to_vec())
}

struct Factory {
    inner: Arc<dyn DriverFactory>,
    shared: Shared,
    column: usize,
    volts: f32,
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
        let linked = |inner| Box::new(Linked::new(inner, self)) as Box<dyn Acquisition>;
        let safe = Arc::new(Safe { inner: opened.safe, shared: self.shared.clone() });
        Ok(Opened { acquisition: opened.acquisition.map(linked), safe, ..opened })
    }
}

/// Notes the first stopping action after the block.
struct Safe {
    inner: Arc<dyn SafeHandle>,
    shared: Shared,
}

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError> {
        let at = now();
        {
            let mut stamps = self.shared.stamps();
            if stamps.block.is_some() {
                stamps.stop.get_or_insert(at);
            }
        }
        self.inner.make_safe(why).await
    }
}

/// An acquisition behind a link.
struct Linked {
    /// Until it is started, which is when the link takes it.
    inner: Option<Box<dyn Acquisition>>,
    link: Option<Link>,
    shared: Shared,
    column: usize,
    volts: f32,
}

impl Linked {
    fn new(inner: Box<dyn Acquisition>, of: &Factory) -> Self {
        let (shared, column, volts) = (of.shared.clone(), of.column, of.volts);
        Self { inner: Some(inner), link: None, shared, column, volts }
    }

    fn lost(&self) -> DriverError {
        DriverError::new(drivers::ErrorKind::Disconnected, "daq", "next_block", "the link is gone")
    }
}

#[async_trait]
impl Acquisition for Linked {
    fn continuity(&self) -> Continuity {
        Continuity::Continuous
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        match &mut self.inner {
            Some(inner) => inner.configure(want).await,
            None => Err(self.lost()),
        }
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        let Some(mut inner) = self.inner.take() else { return Err(self.lost()) };
        inner.start().await?;
        let (asks, asked) = mpsc::channel();
        let (out, blocks) = hops::channel(DEPTH);
        let echo = Echo::on_this_runtime(&self.shared);
        let (shared, column, volts) = (self.shared.clone(), self.column, self.volts);
        thread::spawn(move || link(inner, &asked, &out, &echo, (&shared, column, volts)));
        self.link = Some(Link { asks, blocks });
        Ok(())
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        let lost = self.lost();
        let Some(link) = &mut self.link else { return Err(lost) };
        if link.asks.send(within).is_err() {
            return Err(lost);
        }
        link.blocks.recv().await.unwrap_or(Err(lost))
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.link = None;
        Ok(())
    }
}

/// A disk in memory: what is written is not what is timed. Folders are made, since lock and line lie in them.
#[derive(Default)]
struct Memory(Mutex<BTreeMap<PathBuf, Vec<u8>>>);

impl Files for Memory {
    fn write(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(path.to_owned(), bytes.to_vec());
        Ok(())
    }
    fn append(&self, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let mut files = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        files.entry(path.to_owned()).or_default().extend_from_slice(bytes);
        Ok(())
    }
    fn create_dir(&self, path: &Path) -> io::Result<()> {
        Disk.create_dir(path)
    }
    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        let files = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        files.get(path).cloned().ok_or_else(|| io::ErrorKind::NotFound.into())
    }
}

/// Records are not what is timed.
struct Nowhere;

impl RunStore for Nowhere {
    fn quiet(&mut self, _at: Timestamp, _record: QuietRecord) -> io::Result<()> {
        Ok(())
    }
    fn first_motion(&mut self, _at: Timestamp, _motion: FirstMotion) -> io::Result<()> {
        Ok(())
    }
    fn point(&mut self, _at: Timestamp, _end: PointEnd) -> io::Result<()> {
        Ok(())
    }
    fn ratio_tone(&mut self, _at: Timestamp, _tone: RatioTone) -> io::Result<()> {
        Ok(())
    }
    fn confirmed(&mut self, _at: Timestamp, _cable: Cable, _name: &str) -> io::Result<()> {
        Ok(())
    }
    fn pause(&mut self, _at: Timestamp, _pause: &Pause) -> io::Result<()> {
        Ok(())
    }
    fn trip(&mut self, _at: Timestamp, _trip: &Trip, _recent: &Recent) -> io::Result<()> {
        Ok(())
    }
}

/// One run: the times of trip and echo, or nothing where the machine was too busy for it.
fn once(setup: &Setup, seed: u64, folder: &Path) -> Result<Option<(Duration, Duration)>> {
    let job = &setup.job;
    let none = Faults { format: job.plan.format, faults: Vec::new() };
    let rig = SimulatedRig::new(job, seed, &none)?;
    let shared = Shared::default();
    let frequency = job.points.first().context("no point")?.frequency;
    let limit = job.rig.shaker.acceleration_limit.si() * setup.sensitivity_near(frequency).si();
    #[expect(clippy::cast_possible_truncation, reason = "a sample is no finer")]
    let volts = (3.0 * limit) as f32;
    let mut registry = Registry::default();
    for instrument in &job.rig.instruments {
        let inner = rig.factory(&instrument.driver);
        let (shared, column) = (shared.clone(), job.reference.column);
        registry.add(Arc::new(Factory { inner, shared, column, volts }));
    }
    let mission = Mission {
        setup: setup.clone(),
        run: format!("run-{seed}"),
        registry,
        clock: Arc::new(Wall(now())),
        files: Arc::new(Memory::default()),
        latch: LatchFile::of(&folder.join(seed.to_string()), &job.rig.name, true),
        authority: Authority::DryRun,
        observers: vec![Box::new(Tells(shared.clone()))],
    };
    let (report, _) = run(mission, Nowhere, |_| ()).map_err(|e| anyhow::anyhow!("{e}"))?;
    let stamps = shared.stamps();
    let (Some((handed, first, end)), Some(stop), Some(echo)) = (stamps.block, stamps.stop, stamps.echo)
    else {
        return Ok(None);
    };
    let trip = report.trip.context("the block beyond the limit did not trip")?;
    match trip.at_sample {
        Some(at) if at >= first && at < end => Ok(Some((stop.duration_since(handed), echo))),
        _ => Ok(None),
    }
}

/// The value that so many per mille do not exceed, in µs.
fn quantile(sorted: &[Duration], per_mille: usize) -> f64 {
    let rank = (sorted.len() * per_mille).div_ceil(1000).saturating_sub(1);
    sorted.get(rank).map_or(f64::NAN, |d| d.as_secs_f64() * 1e6)
}

/// Reaction beside echo over so many runs.
///
/// # Errors
/// If the run does not trip, or the machine is too busy for most runs.
pub fn beside_an_echo(runs: u64) -> Result<Vec<Figure>> {
    let mut job = load::job(&root().join("examples/portable.toml")).map_err(|e| anyhow::anyhow!("{e}"))?.job;
    job.points.retain(|p| p.frequency.si() > 90.0);
    let setup = Setup::new(job);
    let folder = tempfile::tempdir()?;
    let (mut trips, mut echoes, mut disturbed) = (Vec::new(), Vec::new(), 0u64);
    for seed in 1..=runs {
        match once(&setup, seed, folder.path())? {
            Some((trip, echo)) => {
                trips.push(trip);
                echoes.push(echo);
            }
            None => disturbed += 1,
        }
    }
    ensure!(
        (disturbed as f64) <= DISTURBED * runs as f64,
        "{disturbed} of {runs} runs were cut off by something else"
    );
    trips.sort_unstable();
    echoes.sort_unstable();
    let row = |name: &str, of: &[Duration]| {
        let [half, most, nearly, all] = [500, 990, 999, 1000].map(|q| quantile(of, q));
        format!("\n  {name}: p50 {half:.0} µs, p99 {most:.0} µs, p99.9 {nearly:.0} µs, largest {all:.0} µs")
    };
    let figure = |what: &str, per_mille: usize, limit: f64, sample: String| Figure {
        what: what.to_owned(),
        value: quantile(&trips, per_mille) / quantile(&echoes, per_mille),
        limit,
        unit: "",
        sample,
        seeds: vec![1, runs],
    };
    let sample = format!(
        "{} trips and as many echoes, one of each a run; {disturbed} runs were cut off by a busy machine{}{}",
        trips.len(),
        row("from block to stop", &trips),
        row("echo", &echoes)
    );
    Ok(vec![
        figure(
            "p99.9 of the time from a block to the first stopping action, over that of an echo",
            999,
            3.0,
            sample,
        ),
        figure("the same of the medians", 500, f64::INFINITY, "the same runs".to_owned()),
    ])
}
