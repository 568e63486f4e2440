//! The keeper: looks what comes next, carries it out, and writes down how it ended. One job at a time.
//!
//! The run has a thread of its own, and within it the station has; the keeper waits for it and does nothing else meanwhile.
//! Invariant: the next job begins only when the one before is in the index: a database that is away delays, and loses nothing.

use super::crier::{Crier, OF_A_RUN};
use super::directory;
use super::house::{House, Prepared, Running};
use super::names::run_name;
use super::queue::{Ended, Need, Next, Waiting, hold_after, next, opening, turn};
use super::rig::OwnRig;
use super::room;
use super::store::{BegunRun, IndexedRun, Said, StoreError, StoredJob, StoredStage};
use super::watcher::Watcher;
use super::words::{Happening, RigState};
use crate::execution::{Begun, Done, NotBegun, NotDone, On, Order, Pace};
use crate::record::UtcTime;
use crate::station::clock::RealClock;
use crate::station::{Clock, StationError};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{MutexGuard, mpsc, oneshot};

/// How often the keeper looks by itself: leave lapses, and other hands of this machine acknowledge.
const LOOK: Duration = Duration::from_secs(1);

/// Between two tries to write down how a run ended.
const AGAIN: Duration = Duration::from_secs(2);

/// So often it is tried while the daemon winds down: what is in the run's folder is put into the index at the next start.
const TRIES_CLOSING: u32 = 3;

/// News of a run that may wait; what comes beyond is lost to viewers.
const DEPTH: usize = 1024;

/// Keeps the queue going until the house closes.
pub async fn keep(house: Arc<House>) {
    let (line, mut told) = mpsc::channel(DEPTH);
    let listener = house.clone();
    tokio::spawn(async move {
        while let Some(what) = told.recv().await {
            listener.news.tell(what);
        }
    });
    let mut keeper = Keeper { house, line, prepared: None, last: None, clock: RealClock::new() };
    while !keeper.house.is_closing() {
        match keeper.look().await {
            Ok(true) => continue,
            Ok(false) => {
                keeper.house.warn("database", None);
            }
            Err(error) => {
                keeper.house.warn("database", Some(error.to_string()));
            }
        }
        keeper.look_at_the_clock().await;
        keeper.house.end_if_drained();
        keeper.tell_rig().await;
        let changed = keeper.house.changed.notified();
        let _ = tokio::time::timeout(LOOK, changed).await;
    }
}

struct Keeper {
    house: Arc<House>,
    line: mpsc::Sender<Happening>,
    /// The job whose turn it is: preparing one takes a while.
    prepared: Option<(i64, Prepared, Arc<OwnRig>)>,
    last: Option<RigState>,
    clock: RealClock,
}

impl Keeper {
    /// Looks what comes next and does it; true where there may be more at once.
    async fn look(&mut self) -> Result<bool, StoreError> {
        let house = self.house.clone();
        let beginning = house.beginning.lock().await;
        let open = self.house.store.open_jobs().await?;
        let waits = |j: &&StoredJob| matches!(j.stage, StoredStage::Waiting | StoredStage::Held);
        let waiting: Vec<Waiting> = open
            .iter()
            .filter(waits)
            .map(|j| Waiting { job: j.job, held: j.stage == StoredStage::Held })
            .collect();
        let held = self.house.store.queue_held().await?.is_some()
            || self.house.is_closing()
            || self.house.is_draining();
        if !held
            && let Some(job) = turn(&waiting)
            && !self.prepare(job).await?
        {
            return Ok(true);
        }
        let ready = self.prepared.as_ref();
        let need = |job| match ready.filter(|(of, ..)| *of == job) {
            Some((_, prepared, rig)) => {
                let what = rig.needs(&prepared.ready.setup.job).or_else(|| self.house.template_differs());
                let what = what.or_else(|| self.missing_standard(rig, prepared));
                match what.or_else(|| room::missing(self.house.runs(), &prepared.ready.setup)) {
                    Some(what) => Need::Person(what),
                    None => Need::Nothing,
                }
            }
            None => Need::Person("it is being looked at".to_owned()),
        };
        match next(&waiting, held, need) {
            Next::Begin(job) => {
                self.house.set_needs(None);
                let stored = open.into_iter().find(|j| j.job == job);
                let prepared = self.prepared.take().map(|(_, prepared, _)| prepared);
                let (Some(stored), Some(prepared)) = (stored, prepared) else { return Ok(false) };
                self.carry_out(stored, prepared, beginning).await?;
                Ok(true)
            }
            Next::Needs(job, what) => {
                self.house.set_needs(Some((job, what)));
                Ok(false)
            }
            Next::Nothing => {
                self.house.set_needs(None);
                Ok(false)
            }
        }
    }

    /// Why the job whose turn it is does not open the queue, where the rig names a check standard.
    fn missing_standard(&self, rig: &OwnRig, prepared: &Prepared) -> Option<String> {
        let wanted = rig.document.value.check_standard.as_deref()?;
        let standards = &prepared.ready.setup.job.check_standards;
        let mounted: Vec<&str> = standards.iter().map(|s| s.sensor.serial.as_str()).collect();
        opening(wanted, &mounted, self.house.opened(), UtcTime::now())
    }

    /// That the wall clock was set is in the audit, whose times are those of that clock; its numbers keep the order.
    async fn look_at_the_clock(&self) {
        let Some(by) = self.clock.was_set() else { return };
        let text = format!("the clock of this machine was set by {:+.1} s", by.as_secs_f64());
        let said = Said { at: UtcTime::now(), who: None, what: "clock", detail: &text };
        if let Err(error) = self.house.store.audit(&said).await {
            tracing::warn!(%error, "that the clock was set could not be entered into the audit");
        }
        self.house.warn("clock", Some(format!("{text}, as of {} by it", said.at)));
    }

    /// Prepares a job; one that can't be run any more is held back with the reason, and gives false.
    async fn prepare(&mut self, job: i64) -> Result<bool, StoreError> {
        let rig = self.house.rig();
        if self.prepared.as_ref().is_some_and(|(of, _, on)| *of == job && Arc::ptr_eq(on, &rig)) {
            return Ok(true);
        }
        let Some(submission) = self.house.store.submission(job).await? else { return Ok(false) };
        let house = self.house.clone();
        let prepared = tokio::task::spawn_blocking(move || house.prepare(&submission)).await;
        match prepared {
            Ok(Ok(prepared)) => {
                self.prepared = Some((job, prepared, rig));
                Ok(true)
            }
            Ok(Err(why)) => self.hold_back(job, &why).await,
            Err(error) => self.hold_back(job, &error.to_string()).await,
        }
    }

    async fn hold_back(&self, job: i64, why: &str) -> Result<bool, StoreError> {
        let from = [StoredStage::Waiting];
        self.house.store.change_stage(job, &from, (StoredStage::Held, Some(why)), None).await?;
        self.house.news.tell(Happening::Queue);
        Ok(false)
    }

    /// Carries out a job, from the intent to the index.
    async fn carry_out(
        &mut self,
        job: StoredJob,
        prepared: Prepared,
        beginning: MutexGuard<'_, ()>,
    ) -> Result<(), StoreError> {
        let house = self.house.clone();
        let seed = house.store.submission(job.job).await?.and_then(|s| s.seed);
        let run = free_name(&house, &job);
        let simulated = house.rig().simulated;
        let order = Order {
            setup: prepared.ready.setup,
            run: run.clone(),
            started: house.day(),
            directory: house.runs().join(&run),
            continues: job.continues.as_ref().map(|earlier| house.runs().join(earlier)),
            on: if simulated {
                let seed = seed.or(house.settings.serve.seed).unwrap_or(1);
                On::Simulated { seed, faults: prepared.faults }
            } else {
                On::Real
            },
        };
        let begun = BegunRun {
            run: &run,
            job: job.job,
            name: &job.name,
            simulated,
            started: order.started,
            serials: &job.serials,
        };
        if !house.store.begin_run(&begun).await? {
            return Ok(());
        }
        house.set_running(Some(Running::new(job.job, run.clone())));
        drop(beginning);
        house.news.tell(Happening::Began(run.clone()));
        house.news.tell(Happening::Queue);
        self.tell_rig().await;
        let ended = self.run(order).await;
        let cancelled = house.running().and_then(|r| r.cancelled);
        house.set_running(None);
        match ended {
            Ok(ended) => self.write_down(&run, job.job, &ended, cancelled.as_deref()).await,
            Err(refused) => self.put_back(&run, job.job, &refused).await,
        }
        self.tell_rig().await;
        Ok(())
    }

    /// The run, in a thread of its own.
    async fn run(&self, order: Order) -> Result<Ended, NotBegun> {
        let (answer, ended) = oneshot::channel();
        let (house, line) = (self.house.clone(), self.line.clone());
        let crier = Crier::new(self.house.clone());
        std::thread::spawn(move || {
            // Whoever waits is there until it has the answer.
            let _ = answer.send(carried_out(&house, order, line, crier));
        });
        let ended = ended.await;
        for about in OF_A_RUN {
            self.house.warn(about, None);
        }
        match ended {
            Ok(ended) => ended,
            Err(_) => Ok(Ended::Broken("the program failed; see the log, look at the rig".to_owned())),
        }
    }

    /// Puts a run into the index, and holds the queue where it has to. Tries until it is done.
    async fn write_down(&self, run: &str, job: i64, ended: &Ended, cancelled: Option<&str>) {
        let folder = self.house.runs().join(run);
        let mut closing = 0;
        let indexed = loop {
            let error = match self.written_down(run, &folder, job, ended, cancelled).await {
                Ok(indexed) => break indexed,
                Err(error) => error,
            };
            let text = format!("the end of run {run} is in its folder and not in the index yet: {error}");
            closing += u32::from(self.house.is_closing());
            if closing > TRIES_CLOSING {
                tracing::error!("{text}; the next start puts it there");
                return;
            }
            if self.house.warn("database", Some(text)) {
                self.house.rig_changed().await;
            }
            tokio::time::sleep(AGAIN).await;
        };
        if let Some(indexed) = indexed {
            self.house.count(&indexed);
        }
        self.house.warn("database", None);
        self.house.records_changed();
        if let Ok(Some(summary)) = self.house.store.one_run(run).await {
            self.house.news.tell(Happening::Ended(summary));
        }
        self.house.news.tell(Happening::Queue);
    }

    async fn written_down(
        &self,
        run: &str,
        folder: &Path,
        job: i64,
        ended: &Ended,
        cancelled: Option<&str>,
    ) -> Result<Option<IndexedRun>, StoreError> {
        let store = &self.house.store;
        if let Some(why) = hold_after(run, ended) {
            self.house.hold_for(&why).await?;
        }
        let indexed = match directory::indexed(folder) {
            Ok(indexed) => {
                store.index(&indexed).await?;
                Some(indexed)
            }
            Err(why) => {
                tracing::error!("run {run}: its records can't be read: {why}");
                store.unreadable(run).await?;
                None
            }
        };
        if let Some(why) = cancelled {
            let to = (StoredStage::Cancelled, Some(why));
            store.change_stage(job, &[StoredStage::Ended, StoredStage::Running], to, None).await?;
        }
        Ok(indexed)
    }

    /// A run that did not begin left no folder; its job waits again, or is held back where waiting does not help.
    async fn put_back(&self, run: &str, job: i64, refused: &NotBegun) {
        let text = refused.to_string();
        let waits = matches!(
            refused,
            NotBegun::Station(
                StationError::Tripped { .. } | StationError::NotArmed(_) | StationError::Locked(_)
            )
        );
        let held = (!waits).then_some(text.as_str());
        let mut closing = 0;
        while let Err(error) = self.house.store.not_begun(run, job, held).await {
            self.house.warn("database", Some(error.to_string()));
            closing += u32::from(self.house.is_closing());
            if closing > TRIES_CLOSING {
                return;
            }
            tokio::time::sleep(AGAIN).await;
        }
        self.house.news.tell(Happening::Queue);
    }

    /// Tells viewers of the rig where something about it changed.
    async fn tell_rig(&mut self) {
        let state = self.house.rig_state().await;
        if self.last.as_ref() != Some(&state) {
            self.last = Some(state.clone());
            self.house.tell_rig(state);
        }
    }
}

/// A name of the next run of a job, which no folder has.
fn free_name(house: &House, job: &StoredJob) -> String {
    let mut attempt = job.runs.len() + 1;
    loop {
        let name = run_name(&job.name, job.job, attempt);
        if !house.runs().join(&name).exists() {
            return name;
        }
        attempt += 1;
    }
}

/// On the run's own thread.
fn carried_out(
    house: &Arc<House>,
    order: Order,
    line: mpsc::Sender<Happening>,
    crier: Crier,
) -> Result<Ended, NotBegun> {
    let begun = Begun::new(&house.settings, order)?;
    let mut observers: Vec<Box<dyn crate::station::Observer>> =
        vec![Box::new(Watcher::new(begun.run(), begun.setup(), line)), Box::new(crier)];
    if let (true, Some(speed)) = (house.rig().simulated, house.settings.serve.speed) {
        observers.push(Box::new(Pace::new(speed)));
    }
    let told = house.clone();
    let run = begun.run().to_owned();
    let done = begun.carry_out(&house.settings, true, observers, move |start| told.line_is_there(start));
    let (standard_is_good, ended) = match done {
        Ok(done) => {
            remark(house, &run, &done);
            (standard_is_good(house, &done), ended(done))
        }
        Err(error @ (NotDone::Station(_) | NotDone::Results(_) | NotDone::Driven)) => {
            tracing::error!("run {run}: {error}");
            (false, Ended::Broken(error.to_string()))
        }
    };
    if hold_after(&run, &ended).is_some() {
        house.set_opened(None);
    } else if standard_is_good {
        house.set_opened(Some(UtcTime::now()));
    }
    Ok(ended)
}

/// Whether a run measured the check standard that the rig names, and found it within its limits wherever it did.
fn standard_is_good(house: &House, done: &Done) -> bool {
    let rig = house.rig();
    let Some(wanted) = &rig.document.value.check_standard else { return false };
    let mut standards = done.result.witnesses.iter().filter(|w| w.serial == *wanted);
    standards.any(|w| !w.points.is_empty() && w.points.iter().all(|point| point.within))
}

fn remark(house: &House, run: &str, done: &Done) {
    for warning in &done.warnings {
        tracing::warn!("run {run}: certificate: {warning}");
    }
    let text = done.no_certificates.as_ref();
    let text = text
        .map(|error| format!("run {run}: the results are kept, but no certificate could be made: {error}"));
    house.warn("certificates", text);
}

fn ended(done: Done) -> Ended {
    Ended::Run {
        outcome: done.result.outcome,
        trip: done.result.trip.as_ref().map(|t| t.reason.word().to_owned()),
        hold: done.result.hold.clone(),
        refused: done.report.refused,
        failures: done.report.failures,
    }
}
