//! Where leave to move is kept, and what of this machine it depends on.
//!
//! Owns the file beside the rig's latch and the reading of the machine's start. Must not judge: [`super::leave`] does.

use super::latch::{Latch, LatchFile};
use super::leave::{
    Around, Found, Lapse, Leave, Standing, Withdrawal, WithdrawnBy, mounted_sha256, rig_sha256, standing,
    standing_in_run,
};
use super::supervise::StationError;
use crate::files::Files;
use crate::record::UtcTime;
use jiff::SignedDuration;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use std::io;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

/// Where a rig's leave is kept: beside its latch.
#[derive(Debug, Clone)]
pub struct LeaveFile(PathBuf);

impl LeaveFile {
    /// That of the rig whose latch this is.
    #[must_use]
    pub fn beside(latch: &LatchFile) -> Self {
        Self(latch.directory().join("leave.json"))
    }

    /// Reads it.
    #[must_use]
    pub fn read(&self, files: &dyn Files) -> Found {
        match files.read(&self.0) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Found::Nothing,
            Err(error) => Found::Unreadable(error.to_string()),
            Ok(bytes) => match serde_json::from_slice(&bytes) {
                Ok(leave) => Found::Record(Box::new(leave)),
                Err(error) => Found::Unreadable(error.to_string()),
            },
        }
    }

    /// Writes it. Durable after return.
    ///
    /// # Errors
    /// Of the operating system.
    pub fn write(&self, files: &dyn Files, leave: &Leave) -> io::Result<()> {
        let mut bytes = serde_json::to_vec_pretty(leave).map_err(io::Error::other)?;
        bytes.push(b'\n');
        if let Some(directory) = self.0.parent() {
            files.create_dir(directory)?;
        }
        files.write(&self.0, &bytes)
    }
}

/// Which start of this machine it is; `None` where the system does not tell.
#[must_use]
pub fn boot_id() -> Option<String> {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    Some(text.trim().to_owned()).filter(|id| !id.is_empty())
}

/// How long this machine has been up, its sleep included, in seconds; `None` where the system does not tell.
#[must_use]
pub fn up_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    text.split_whitespace().next()?.parse().ok()
}

/// What a person gives leave with.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Who.
    pub name: String,
    /// When.
    pub at: UtcTime,
    /// Until when.
    pub until: UtcTime,
    /// What was confirmed.
    pub checklist: Vec<String>,
}

/// Gives leave to move a rig. The caller holds the rig's lock, and has read `latch` under it. Durable after return.
///
/// # Errors
/// `NotArmed` while the rig is tripped, `Disk` where it can't be stored.
pub fn give(
    place: &LatchFile,
    files: &dyn Files,
    rig: &Rig,
    latch: &Latch,
    given: Given,
) -> Result<Leave, StationError> {
    let file = LeaveFile::beside(place);
    let found = file.read(files);
    let generation = match &found {
        Found::Record(before) => before.generation + 1,
        Found::Nothing | Found::Unreadable(_) => 1,
    };
    let acknowledged_utc = match latch {
        Latch::Clear { acknowledged, .. } => acknowledged.as_ref().map(|a| a.at_utc.clone()),
        Latch::Tripped { .. } | Latch::MayBeMoving { .. } => None,
    };
    let leave = Leave {
        generation,
        name: given.name,
        given_utc: given.at,
        until_utc: given.until,
        checklist: given.checklist,
        boot_id: boot_id(),
        given_up_s: up_s(),
        rig_sha256: rig_sha256(rig),
        mounted_sha256: None,
        acknowledged_utc,
        withdrawn: None,
    };
    // Only what would stand is stored.
    let around = Around {
        now: given.at,
        boot_id: leave.boot_id.as_deref(),
        up_s: leave.given_up_s,
        rig_sha256: &leave.rig_sha256,
        mounted_sha256: None,
        latch,
    };
    if let Standing::Lapsed(lapse) = standing(&Found::Record(Box::new(leave.clone())), &around) {
        return Err(StationError::NotArmed(lapse));
    }
    file.write(files, &leave).map_err(StationError::Disk)?;
    Ok(leave)
}

/// The leave under which a job may move its rig at this moment. Leaves no trace of having asked.
///
/// # Errors
/// `NotArmed` with what is missing.
pub fn leave_for(
    place: &LatchFile,
    files: &dyn Files,
    job: &ResolvedJob,
    latch: &Latch,
    now: UtcTime,
) -> Result<Leave, StationError> {
    standing_leave(place, files, (&job.rig, Some(&mounted_sha256(job))), latch, now)
}

/// The leave that stands at this moment, whatever is mounted.
///
/// # Errors
/// `NotArmed` with what is missing.
pub fn leave_now(
    place: &LatchFile,
    files: &dyn Files,
    rig: &Rig,
    latch: &Latch,
    now: UtcTime,
) -> Result<Leave, StationError> {
    standing_leave(place, files, (rig, None), latch, now)
}

/// The leave under which a run goes on at this moment, for whoever looks on.
///
/// # Errors
/// `NotArmed` with what ended it meanwhile.
pub fn leave_in_run(
    place: &LatchFile,
    files: &dyn Files,
    rig: &Rig,
    run: &str,
    now: UtcTime,
) -> Result<Leave, StationError> {
    let latch = Latch::MayBeMoving { at_utc: now.to_string(), run: run.to_owned() };
    judged_leave(place, files, (rig, None), (standing_in_run, &latch), now)
}

fn standing_leave(
    place: &LatchFile,
    files: &dyn Files,
    (rig, mounted_sha256): (&Rig, Option<&str>),
    latch: &Latch,
    now: UtcTime,
) -> Result<Leave, StationError> {
    judged_leave(place, files, (rig, mounted_sha256), (standing, latch), now)
}

fn judged_leave(
    place: &LatchFile,
    files: &dyn Files,
    (rig, mounted_sha256): (&Rig, Option<&str>),
    (judge, latch): (fn(&Found, &Around<'_>) -> Standing, &Latch),
    now: UtcTime,
) -> Result<Leave, StationError> {
    let found = LeaveFile::beside(place).read(files);
    let boot_id = boot_id();
    let around = Around {
        now,
        boot_id: boot_id.as_deref(),
        up_s: up_s(),
        rig_sha256: &rig_sha256(rig),
        mounted_sha256,
        latch,
    };
    match (judge(&found, &around), found) {
        (Standing::Given(_), Found::Record(leave)) => Ok(*leave),
        (Standing::Lapsed(lapse), _) => Err(StationError::NotArmed(lapse)),
        (Standing::Given(_), _) => Err(StationError::NotArmed(Lapse::NeverGiven)),
    }
}

/// For how many hours leave is given where nobody says.
const HOURS: f64 = 8.0;

/// How long leave is given on a rig.
///
/// # Errors
/// More than the rig file allows, in words.
pub fn lasts(rig: &Rig, hours: Option<f64>) -> Result<SignedDuration, String> {
    let limit = rig.leave_limit.si();
    let wanted = hours.map_or(limit.min(HOURS * 3600.0), |h| h * 3600.0);
    if wanted > limit * (1.0 + 1e-9) {
        let limit = limit / 3600.0;
        return Err(format!("rig '{}' can be given leave for at most {limit} h (leave_limit)", rig.name));
    }
    SignedDuration::try_from_secs_f64(wanted).map_err(|e| e.to_string())
}

/// Takes the leave of a rig away, if there is one. Durable after return.
///
/// # Errors
/// Of the operating system, or where the record can't be read; it then is no leave either.
pub fn withdraw(
    place: &LatchFile,
    files: &dyn Files,
    at: UtcTime,
    by: WithdrawnBy,
) -> io::Result<Option<Leave>> {
    let file = LeaveFile::beside(place);
    let mut leave = match file.read(files) {
        Found::Nothing => return Ok(None),
        Found::Unreadable(why) => return Err(io::Error::other(why)),
        Found::Record(leave) => leave,
    };
    if leave.withdrawn.is_some() {
        return Ok(None);
    }
    leave.withdrawn = Some(Withdrawal { at_utc: at, by });
    file.write(files, &leave)?;
    Ok(Some(*leave))
}

/// Keeps the leave of a run that goes on: the first reason to take it away stays.
pub(super) struct Keeper {
    place: LatchFile,
    files: Arc<dyn Files>,
    /// False in a dry run, which never touches the leave of the real rig.
    real: bool,
    taken: Mutex<Option<WithdrawnBy>>,
}

impl Keeper {
    pub(super) fn new(place: LatchFile, files: Arc<dyn Files>, real: bool) -> Self {
        Self { place, files, real, taken: Mutex::new(None) }
    }

    /// Takes it away, on the disk too.
    pub(super) fn withdraw(&self, at: UtcTime, by: WithdrawnBy) {
        let mut taken = self.taken.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if taken.replace(by).is_some() || !self.real {
            return;
        }
        if let Err(error) = withdraw(&self.place, self.files.as_ref(), at, by) {
            // A trip lapses it by the latch as well; after a stop there is nothing else that would say so.
            tracing::error!(%error, "the leave to move could not be withdrawn; take {} away", self.place.directory().display());
        }
    }
}
