//! One run from start to end, supervised: lock, latch, threads, and what happens if the program itself fails.

use super::clock::Clock;
use super::devices::{self, Safes};
use super::engine::{Engine, Progress, Report};
use super::latch::{Acknowledgement, Latch, LatchFile};
use super::leave::{Lapse, Leave, WithdrawnBy, mounted_sha256};
use super::leave_file::{Keeper, LeaveFile, leave_for};
use super::line::{Line, NOT_SAFE, Word};
use super::messages::{Message, Observer, Order};
use super::power;
use super::writer::{RunStore, tripped, write_all};
use crate::files::Files;
use crate::record::UtcTime;
use calibration::interlock::{Trip, TripReason};
use calibration::sequence::{Operator, Outcome, Run, Setup};
use drivers::{DriverError, PermitIssuer, Registry, StopReason};
use jiff::Timestamp;
use plan_schema::rig::instrument_of;
use plan_schema::units::Seconds;
use std::fmt;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex};
use std::thread;
use tokio::sync::mpsc::{Receiver, Sender, channel};

/// Messages that may wait for the engine. Devices wait when it is full; samples are never dropped.
const INBOX: usize = 64;

/// Records that may wait for the disk.
const RECORDS: usize = 64;

/// Everything a run needs.
pub struct Mission {
    /// The job, prepared and found feasible.
    pub setup: Setup,
    /// Name of the run.
    pub run: String,
    /// The drivers.
    pub registry: Registry,
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// The disk.
    pub files: Arc<dyn Files>,
    /// The rig's latch.
    pub latch: LatchFile,
    /// Under which leave it moves.
    pub authority: Authority,
    /// Who looks on.
    pub observers: Vec<Box<dyn Observer>>,
}

/// Under which leave a run moves its rig.
#[derive(Debug, Clone)]
pub enum Authority {
    /// A dry run: nothing real moves, and the leave of the real rig is never touched.
    DryRun,
    /// A real rig, under the leave that [`leave_for`] gave; it has to stand still when the run has the rig's lock.
    Leave(Box<Leave>),
}

/// The line by which a person reaches a run that goes on.
#[derive(Debug, Clone)]
pub struct Start {
    inbox: Sender<Message>,
}

impl Start {
    /// Tells the run that a person of this name did what it asked for. Nothing happens if it is over, or asked for nothing.
    pub fn confirm(&self, name: String) {
        let inbox = self.inbox.clone();
        thread::spawn(move || inbox.blocking_send(Message::Confirmed(name)).is_ok());
    }

    /// Tells the run what a person wants. Nothing happens if it is over.
    pub fn tell(&self, what: Operator) {
        // A full inbox empties within a block; waiting here would hold up whoever asks.
        let inbox = self.inbox.clone();
        thread::spawn(move || inbox.blocking_send(Message::Operator(what)).is_ok());
    }
}

/// Why a run did not begin, or was cut off.
#[derive(Debug)]
pub enum StationError {
    /// Another process works on this rig.
    Locked(String),
    /// The latch says no.
    Tripped {
        /// The word of the reason.
        reason: String,
        /// For people.
        message: String,
    },
    /// Nobody gave leave to move, or it lapsed.
    NotArmed(Lapse),
    /// The disk.
    Disk(io::Error),
    /// The line by which `stop` reaches a run can't be opened.
    Line(io::Error),
    /// An instrument could not be opened or set up at the start. [`run`] makes a run that failed of it.
    Instrument(DriverError),
    /// The program failed; everything was made safe, as far as the trip's message says.
    Program(Box<Trip>),
}

impl StationError {
    pub(super) fn program(reason: TripReason, message: impl Into<String>) -> Self {
        Self::Program(Box::new(Trip::plain(reason, message)))
    }
}

impl fmt::Display for StationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Locked(rig) => {
                write!(f, "another calwright process works on rig '{rig}'; wait until it has ended")
            }
            Self::Tripped { reason, message } => write!(f, "the rig is tripped ({reason}): {message}"),
            Self::NotArmed(lapse) => write!(f, "{lapse}"),
            Self::Line(error) => {
                write!(f, "the run could not be stopped from another terminal, so it does not begin: {error}")
            }
            Self::Disk(error) => write!(f, "the latch can't be written: {error}"),
            Self::Instrument(error) => write!(f, "{error}"),
            Self::Program(trip) => write!(f, "{}", trip.message),
        }
    }
}

impl std::error::Error for StationError {}

/// Whether a run could begin on a rig at this moment; leaves no trace of having asked. [`run`] asks again, under the lock.
///
/// # Errors
/// `Locked` or `Tripped`.
pub fn may_begin(
    latch: &LatchFile,
    files: &dyn Files,
    rig: &str,
    now: Timestamp,
) -> Result<(), StationError> {
    if latch.is_locked() {
        return Err(StationError::Locked(rig.to_owned()));
    }
    cleared(latch.read(files, now)).map(|_| ())
}

/// The last acknowledgement of a latch that is clear.
fn cleared(latch: Latch) -> Result<Option<Acknowledgement>, StationError> {
    match latch {
        Latch::Clear { acknowledged, .. } => Ok(acknowledged),
        Latch::Tripped { reason, message, .. } => Err(StationError::Tripped { reason, message }),
        // Reading turns 'may be moving' into a trip; should it ever come through, it is one all the same.
        Latch::MayBeMoving { run, .. } => Err(StationError::Tripped {
            reason: TripReason::RestartWhileMoving.word().to_owned(),
            message: format!("run {run} was cut off while the armature may have been moving"),
        }),
    }
}

/// Runs a job to its end. `started` is given the line by which a person reaches the run.
///
/// # Errors
/// Where the run did not begin or the program failed.
pub fn run<S: RunStore + 'static>(
    mission: Mission,
    store: S,
    started: impl FnOnce(Start),
) -> Result<(Report, S), StationError> {
    let rig = mission.setup.job.rig.name.clone();
    let (files, latch, clock) = (mission.files.clone(), mission.latch.clone(), mission.clock.clone());
    let (_lock, before) = latch.claim(files.as_ref(), clock.utc()).map_err(|e| match e.kind() {
        io::ErrorKind::WouldBlock => StationError::Locked(rig),
        _ => StationError::Disk(e),
    })?;
    let keeper = Arc::new(under_leave(&mission, &before)?);
    let acknowledged = cleared(before)?;
    let (inbox, messages) = channel(INBOX);
    let start = Start { inbox: inbox.clone() };
    let line = open_line(&mission, &start, &keeper)?;
    let moving = Latch::MayBeMoving { at_utc: format!("{:.3}", clock.utc()), run: mission.run.clone() };
    latch.write(files.as_ref(), &moving).map_err(StationError::Disk)?;

    let run = mission.run.clone();
    let (orders, records) = channel(RECORDS);
    started(start);
    let writer = {
        let (files, latch, run, inbox) = (files.clone(), latch.clone(), run.clone(), inbox.clone());
        thread::spawn(move || write_all(store, files, &latch, &run, records, &inbox))
    };
    let station = thread::spawn(move || station(mission, inbox, messages, orders));
    let ended = station.join().unwrap_or_else(|_| {
        let message = "the station's thread failed before instruments were open. Look at rig and amplifier.";
        Err(StationError::program(TripReason::ProgramError, message))
    });
    let store = writer.join();

    let at = clock.utc();
    let last = match &ended {
        Ok(Report { trip: Some(trip), .. }) => tripped(trip, &run, at),
        Err(StationError::Program(trip)) => tripped(trip, &run, at),
        Ok(Report { trip: None, .. }) | Err(_) => Latch::Clear { at_utc: format!("{at:.3}"), acknowledged },
    };
    withdraw_after(&keeper, &ended, at.into());
    let latched = latch.write(files.as_ref(), &last).map_err(StationError::Disk);
    if let Some(line) = line {
        line.close(&how_it_ended(&ended));
    }
    latched?;
    let store = store.map_err(|_| {
        StationError::program(TripReason::ProgramError, "the writer's thread failed; see the log")
    })?;
    ended.or_else(|error| not_opened(error, at)).map(|report| (report, store))
}

/// A run whose instruments could not be opened or set up has failed before its first sample; its records say so.
fn not_opened(error: StationError, at: Timestamp) -> Result<Report, StationError> {
    let StationError::Instrument(error) = error else { return Err(error) };
    Ok(Report {
        outcome: Outcome::Failed,
        trip: None,
        tripped_at: None,
        started: at,
        ended: at,
        rig_time: Seconds::ZERO,
        waited: Seconds::ZERO,
        hold: None,
        refused: None,
        guard_opened: false,
        ambient: Vec::new(),
        failures: vec![error.to_string()],
        store_failed: false,
    })
}

/// Looks at the leave again, now that nobody else can change it, and binds it to what is mounted.
fn under_leave(mission: &Mission, latch: &Latch) -> Result<Keeper, StationError> {
    let (place, files) = (&mission.latch, &mission.files);
    let real = match &mission.authority {
        Authority::DryRun => false,
        Authority::Leave(shown) => {
            let job = &mission.setup.job;
            let now = mission.clock.utc().into();
            let mut leave = match leave_for(place, files.as_ref(), job, latch, now) {
                // A latch that says no has a message of its own.
                Err(StationError::NotArmed(Lapse::Tripped(_) | Lapse::CutOff)) => shown.as_ref().clone(),
                other => other?,
            };
            if leave.generation != shown.generation {
                return Err(StationError::NotArmed(Lapse::NeverGiven));
            }
            let mounted = mounted_sha256(job);
            if leave.mounted_sha256.replace(mounted).is_none() {
                LeaveFile::beside(place).write(files.as_ref(), &leave).map_err(StationError::Disk)?;
            }
            true
        }
    };
    Ok(Keeper::new(place.clone(), files.clone(), real))
}

/// The line for `stop`. A dry run goes on without one, where the system has no sockets.
fn open_line(mission: &Mission, start: &Start, keeper: &Arc<Keeper>) -> Result<Option<Line>, StationError> {
    let (start, keeper, clock) = (start.clone(), keeper.clone(), mission.clock.clone());
    let opened = Line::open(mission.latch.directory(), move |word| match word {
        Word::Stop => {
            // The armature first, the disk after it.
            start.tell(Operator::Stop);
            keeper.withdraw(clock.utc().into(), WithdrawnBy::Stop);
        }
        Word::Confirm(name) => start.confirm(name),
    });
    match (opened, &mission.authority) {
        (Ok(line), _) => Ok(Some(line)),
        (Err(error), Authority::DryRun) => {
            tracing::warn!(%error, "this dry run can't be stopped from another terminal");
            Ok(None)
        }
        (Err(error), Authority::Leave(_)) => Err(StationError::Line(error)),
    }
}

/// A trip and an open guard end the leave to move.
fn withdraw_after(keeper: &Keeper, ended: &Result<Report, StationError>, at: UtcTime) {
    let by = match ended {
        Ok(Report { guard_opened: true, .. }) => WithdrawnBy::Guard,
        Ok(Report { trip: Some(_), .. }) | Err(StationError::Program(_)) => WithdrawnBy::Trip,
        Ok(Report { trip: None, .. }) | Err(_) => return,
    };
    keeper.withdraw(at, by);
}

/// For who said stop: whether the rig is safe, first of all.
fn how_it_ended(ended: &Result<Report, StationError>) -> String {
    let trip = match ended {
        Ok(report) => report.trip.as_ref(),
        Err(StationError::Program(trip)) => Some(trip.as_ref()),
        Err(error) => return format!("the run did not begin: {error}"),
    };
    match trip {
        Some(trip) if trip.reason == TripReason::MakeSafeFailed => format!("{NOT_SAFE}: {}", trip.message),
        Some(trip) => format!("the rig was made safe; it tripped ({}): {}", trip.reason.word(), trip.message),
        None => "the rig was made safe and the run has ended".to_owned(),
    }
}

/// The station's thread.
fn station(
    mission: Mission,
    inbox: Sender<Message>,
    messages: Receiver<Message>,
    orders: Sender<Order>,
) -> Result<Report, StationError> {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(StationError::Disk)?;
    // Kept outside of what may panic, so that instruments can be made safe after it.
    let safes: Arc<Mutex<Option<Safes>>> = Arc::default();
    let kept = safes.clone();
    let run = AssertUnwindSafe(|| runtime.block_on(engine(mission, inbox, messages, orders, &kept)));
    match catch_unwind(run) {
        Ok(ended) => ended,
        Err(panic) => {
            let safes = safes.lock().map(|s| s.clone()).unwrap_or_else(|e| e.into_inner().clone());
            let made_safe = match safes {
                Some(safes) => runtime.block_on(safes.make_all_safe(StopReason::Trip)),
                None => Ok(()),
            };
            Err(StationError::Program(Box::new(panicked(&*panic, made_safe))))
        }
    }
}

fn panicked(panic: &(dyn std::any::Any + Send), made_safe: Result<(), DriverError>) -> Trip {
    let what = panic
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("no message");
    match made_safe {
        Ok(()) => Trip::plain(
            TripReason::ProgramError,
            format!(
                "the program failed ({what}); the instruments were made safe. Report this, then acknowledge."
            ),
        ),
        Err(error) => Trip::plain(
            TripReason::MakeSafeFailed,
            format!(
                "the program failed ({what}) and {error}. Cut the power of the amplifier by hand, keep clear of the \
                 armature, then acknowledge."
            ),
        ),
    }
}

async fn engine(
    mission: Mission,
    inbox: Sender<Message>,
    messages: Receiver<Message>,
    orders: Sender<Order>,
    kept: &Mutex<Option<Safes>>,
) -> Result<Report, StationError> {
    let job = mission.setup.job.clone();
    let (issuer, gate) = PermitIssuer::new();
    let mut bench =
        devices::open(&job.rig, &mission.registry, &gate).await.map_err(StationError::Instrument)?;
    for (name, identity) in &bench.identities {
        tracing::info!(instrument = name, ?identity, "opened");
    }
    let safes = bench.safes.clone();
    if let Ok(mut slot) = kept.lock() {
        *slot = Some(safes.clone());
    }
    power::on(&mut bench, &job.rig).await?;
    bench.reaches(&job).map_err(StationError::Instrument)?;
    tracing::debug!(source = instrument_of(&job.rig.roles.source), "safe at the start");
    bench.start(&job).await.map_err(StationError::Instrument)?;
    let started = mission.clock.utc();
    let hosts = mission.registry.hosts().clone();
    if let Some(lost) = hosts.take_lost() {
        tokio::spawn(devices::tell_lost(lost, inbox.clone()));
    }
    let starts_at_zero = bench.source.limits().starts_at_zero;
    let leave_ends = match &mission.authority {
        Authority::DryRun => None,
        Authority::Leave(leave) => {
            let left = leave.until_utc.timestamp().duration_since(started).as_secs_f64();
            Some(mission.clock.now().after(Seconds::new(left.max(0.0))))
        }
    };
    let ends = safes.clone();
    let engine = Engine {
        run: Run::new(mission.setup),
        clock: mission.clock,
        lines: bench.spawn(&job.rig, &inbox),
        safes,
        inbox: messages,
        replies: inbox,
        orders,
        issuer,
        hosts,
        observers: mission.observers,
        starts_at_zero,
        leave_ends,
        progress: Progress::new(started),
    };
    let report = engine.run().await;
    // What a host that was lost in mid-run left on.
    if let Err(error) = ends.outputs_off(StopReason::RunEnded).await {
        tracing::error!(%error, "outputs of the contacts may be on: look at the rig");
    }
    Ok(report)
}
