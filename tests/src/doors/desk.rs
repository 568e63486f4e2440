//! A desk without a house: jobs in memory, results of run directories that lie somewhere, news that a check writes.
//!
//! It asks no role and judges no job beyond its TOML, so that whatever the doors let through is seen to be let through.

use super::played::{self, Played};
use async_trait::async_trait;
use calwright::record::words::Outcome;
use calwright::record::{ResultRecord, UtcTime};
use calwright::serve::counts::{Counts, Watched};
use calwright::serve::desk::{Desk, Refusal, RunFile};
use calwright::serve::news::Told;
use calwright::serve::words::{
    Acknowledging, Arming, AuditEntry, Draining, Happening, HistoryPoint, LatchState, News, Person,
    QueueEntry, Registers, Reloaded, Reloading, RigState, RunFilter, RunSummary, Stage, Stopped, Submission,
    Whence,
};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::broadcast;

/// Most news that is kept.
const KEPT: usize = 2000;

/// The desk.
pub struct PlayDesk {
    pub(super) held: Arc<Mutex<Held>>,
    sender: broadcast::Sender<Told>,
}

/// What it holds.
pub(super) struct Held {
    pub(super) rig: RigState,
    stopped: Stopped,
    pub(super) jobs: Vec<QueueEntry>,
    keys: Vec<(String, Submission, i64)>,
    pub(super) runs: Vec<(RunSummary, PathBuf)>,
    audit: Vec<AuditEntry>,
    news: Vec<Told>,
    last: u64,
    away: bool,
}

type Done<T> = Result<T, Refusal>;

impl PlayDesk {
    /// With the runs of these directories.
    ///
    /// # Errors
    /// Where one holds no result.
    pub fn new(runs: &[PathBuf]) -> anyhow::Result<Self> {
        let mut held = Held {
            rig: played::rig(),
            stopped: Stopped { at_rest: true, message: "everything is at rest".to_owned() },
            jobs: played::jobs()?,
            keys: Vec::new(),
            runs: Vec::new(),
            audit: Vec::new(),
            news: Vec::new(),
            last: 0,
            away: false,
        };
        for path in runs {
            held.runs.push((played::summary(path)?, path.clone()));
        }
        Ok(Self { held: Arc::new(Mutex::new(held)), sender: broadcast::channel(256).0 })
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What was done so far: word, and by whom.
    #[must_use]
    pub fn done(&self) -> Vec<(String, Option<String>)> {
        self.lock().audit.iter().map(|e| (e.what.clone(), e.who.clone())).collect()
    }

    /// Tells news.
    pub fn tell(&self, what: Happening) {
        let mut held = self.lock();
        held.last += 1;
        let news = Told::new(News { id: held.last, what });
        if !matches!(news.news.what, Happening::Moment(_)) {
            held.news.push(news.clone());
            let over = held.news.len().saturating_sub(KEPT);
            held.news.drain(..over);
        }
        // Nobody listens: nobody is told.
        let _ = self.sender.send(news);
    }

    /// Its database goes away, or comes back.
    pub fn set_away(&self, away: bool) {
        self.lock().away = away;
    }

    fn database(&self) -> Done<()> {
        match self.lock().away {
            true => Err(Refusal::Environment("the database is away".to_owned())),
            false => Ok(()),
        }
    }

    /// Gives leave to move, as a person would.
    pub fn set_leave(&self, who: &str) {
        self.set_rig(|rig| rig.leave_by = Some(who.to_owned()));
    }

    /// How many points were told of.
    #[must_use]
    pub fn points_told(&self) -> u64 {
        self.lock().news.iter().filter(|n| matches!(n.news.what, Happening::Point(_))).count() as u64
    }

    /// Plays a run whenever there is leave to move, until the runtime ends.
    pub async fn play_under_leave(self: Arc<Self>, run: Played, step_ms: u64) {
        loop {
            let may = {
                let held = self.lock();
                held.rig.leave_by.is_some() && held.rig.running.is_none()
            };
            if may {
                run.clone().play(&self, step_ms).await;
                self.set_rig(|rig| rig.leave_by = None);
            }
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    }

    pub(super) fn ended(&self, run: &str, outcome: Outcome) {
        let mut held = self.lock();
        if let Some((summary, _)) = held.runs.iter_mut().find(|(r, _)| r.run == run) {
            summary.outcome = Some(outcome);
        }
    }

    fn note(&self, who: Option<&Person>, what: &str, detail: String) {
        let mut held = self.lock();
        let id = i64::try_from(held.audit.len()).unwrap_or(0) + 1;
        let (way, who) = (who.map(|p| p.way), who.map(|p| p.name.clone()));
        held.audit.push(AuditEntry { id, at: UtcTime::now(), who, way, what: what.to_owned(), detail });
    }

    fn change(&self, job: i64, with: impl FnOnce(&mut QueueEntry)) -> Done<QueueEntry> {
        let changed = {
            let mut held = self.lock();
            let entry = held.jobs.iter_mut().find(|j| j.job == job);
            let entry = entry.ok_or_else(|| Refusal::NotThere(format!("there is no job {job}")))?;
            with(entry);
            entry.clone()
        };
        self.tell(Happening::Queue);
        Ok(changed)
    }

    /// Has every stop go so from now on.
    pub fn set_stopped(&self, how: Stopped) {
        self.lock().stopped = how;
    }

    /// Changes the state of the rig, and tells.
    pub fn set_rig(&self, with: impl FnOnce(&mut RigState)) -> RigState {
        let rig = {
            let mut held = self.lock();
            with(&mut held.rig);
            held.rig.clone()
        };
        self.tell(Happening::Rig(rig.clone()));
        rig
    }
}

#[async_trait]
impl Desk for PlayDesk {
    async fn ready(&self) -> Done<()> {
        self.database()
    }

    async fn rig(&self) -> Done<RigState> {
        Ok(self.lock().rig.clone())
    }

    async fn submit(&self, who: &Person, job: Submission, key: Option<String>) -> Done<QueueEntry> {
        if toml::from_str::<toml::Table>(&job.job).map_or(true, |t| !t.contains_key("plan")) {
            return Err(Refusal::Input(format!("error: {}: this is no job; write plan = \"…\"", job.name)));
        }
        let entry = {
            let mut held = self.lock();
            if let Some(key) = &key
                && let Some((_, before, number)) = held.keys.iter().find(|(k, ..)| k == key)
            {
                if *before != job {
                    return Err(Refusal::KeyUsed("this key came with another job".into()));
                }
                let found = held.jobs.iter().find(|j| j.job == *number).cloned();
                return found.ok_or_else(|| Refusal::NotThere("the job is gone".into()));
            }
            let number = held.jobs.iter().map(|j| j.job).max().unwrap_or(0) + 1;
            let entry = played::entry(number, &job.name, &who.name, Stage::Waiting);
            held.jobs.push(entry.clone());
            held.keys.extend(key.map(|key| (key, job, number)));
            entry
        };
        self.note(Some(who), "submit", entry.name.clone());
        self.tell(Happening::Queue);
        Ok(entry)
    }

    async fn watched(&self) -> Watched {
        Watched {
            started: UtcTime::now(),
            counts: Counts { trips: 2, ..Counts::default() },
            paused: false,
            not_safe: false,
            free_bytes: Some(1 << 30),
            notices: None,
        }
    }

    async fn queue(&self) -> Done<Vec<QueueEntry>> {
        self.database()?;
        Ok(self.lock().jobs.clone())
    }

    async fn job(&self, job: i64) -> Done<QueueEntry> {
        let found = self.lock().jobs.iter().find(|j| j.job == job).cloned();
        found.ok_or_else(|| Refusal::NotThere(format!("there is no job {job}")))
    }

    async fn hold(&self, who: &Person, job: Option<i64>, reason: &str) -> Done<()> {
        match job {
            Some(job) => {
                self.change(job, |j| {
                    (j.stage, j.waits_for) = (Stage::Held, Some(reason.to_owned()));
                })?;
            }
            None => {
                self.set_rig(|rig| rig.queue_held = Some(reason.to_owned()));
            }
        }
        self.note(Some(who), "hold", reason.to_owned());
        Ok(())
    }

    async fn unhold(&self, who: &Person, job: Option<i64>) -> Done<()> {
        match job {
            Some(job) => {
                self.change(job, |j| (j.stage, j.waits_for) = (Stage::Waiting, None))?;
            }
            None => {
                self.set_rig(|rig| rig.queue_held = None);
            }
        }
        self.note(Some(who), "unhold", String::new());
        Ok(())
    }

    async fn move_to(&self, who: &Person, job: i64, place: u32) -> Done<QueueEntry> {
        {
            let mut held = self.lock();
            let at = held.jobs.iter().position(|j| j.job == job);
            let Some(at) = at else { return Err(Refusal::NotThere(format!("there is no job {job}"))) };
            let entry = held.jobs.remove(at);
            let first = held.jobs.iter().take_while(|j| j.stage == Stage::Running).count();
            let to = (first + usize::try_from(place).unwrap_or(1)).saturating_sub(1).min(held.jobs.len());
            held.jobs.insert(to, entry);
        }
        self.note(Some(who), "move", format!("job {job} to {place}"));
        self.change(job, |_| ())
    }

    async fn cancel(&self, who: &Person, job: i64, reason: &str) -> Done<QueueEntry> {
        let entry = self.change(job, |j| (j.stage, j.place) = (Stage::Cancelled, None))?;
        self.note(Some(who), "cancel", reason.to_owned());
        Ok(entry)
    }

    async fn resume(&self, who: &Person, run: &str) -> Done<QueueEntry> {
        self.run(run).await?;
        self.note(Some(who), "resume", run.to_owned());
        let job = self.lock().jobs.first().map_or(0, |j| j.job);
        self.change(job, |j| j.stage = Stage::Waiting)
    }

    async fn stop(&self, who: Option<&Person>, from: &Whence) -> Done<Stopped> {
        self.note(who, "stop", from.place.clone());
        let cut_off = self.lock().rig.running.clone();
        if let Some(run) = cut_off {
            self.ended(&run, Outcome::Tripped);
        }
        self.set_rig(|rig| {
            if rig.running.is_some() {
                (rig.latch, rig.trip) = (LatchState::Tripped, Some("emergency_stop".to_owned()));
                rig.message =
                    Some("a run was stopped in the middle; look at the rig, then acknowledge".to_owned());
            }
            (rig.leave_by, rig.leave_until, rig.running) = (None, None, None);
            rig.leave_missing = Some("the rig was stopped".to_owned());
        });
        Ok(self.lock().stopped.clone())
    }

    async fn arm(&self, who: &Person, what: Arming) -> Done<RigState> {
        let list = self.lock().rig.checklist.clone();
        if let Some(missing) = list.iter().find(|line| !what.confirmed.contains(line)) {
            return Err(Refusal::Input(format!("'{missing}' is not confirmed")));
        }
        if self.lock().rig.latch != LatchState::Clear {
            return Err(Refusal::State("the rig is tripped; acknowledge first".to_owned()));
        }
        self.note(Some(who), "arm", format!("{} lines", list.len()));
        Ok(self.set_rig(|rig| {
            rig.leave_by = Some(who.name.clone());
            rig.leave_until = "2026-01-01T20:00:00Z".parse().ok();
            rig.leave_missing = None;
        }))
    }

    async fn acknowledge(&self, who: &Person, what: Acknowledging) -> Done<RigState> {
        if what.reason.trim().is_empty() {
            return Err(Refusal::Input("say what was found and done".to_owned()));
        }
        self.note(Some(who), "acknowledge", what.reason);
        Ok(self.set_rig(|rig| (rig.latch, rig.trip, rig.message) = (LatchState::Clear, None, None)))
    }

    async fn reload(&self, who: &Person, what: Reloading) -> Done<Reloaded> {
        if !what.only_show {
            self.note(Some(who), "reload", what.reason);
        }
        Ok(Reloaded { in_force: true, changes: Vec::new() })
    }

    async fn drain(&self, who: &Person, what: Draining) -> Done<RigState> {
        self.note(Some(who), "drain", what.reason);
        self.rig().await
    }

    async fn runs(&self, filter: &RunFilter) -> Done<Vec<RunSummary>> {
        let held = self.lock();
        let wanted = held.runs.iter().map(|(r, _)| r).filter(|r| {
            let serial = filter.serial.as_ref();
            serial.is_none_or(|s| r.sensors.iter().any(|sensor| sensor.serial == *s))
                && filter.state.as_ref().is_none_or(|state| r.state == *state)
        });
        let skipped: Vec<RunSummary> = match &filter.after {
            Some(after) => wanted.skip_while(|r| r.run != *after).skip(1).cloned().collect(),
            None => wanted.cloned().collect(),
        };
        Ok(skipped.into_iter().take(filter.limit.map_or(50, |n| n as usize)).collect())
    }

    async fn run(&self, run: &str) -> Done<RunSummary> {
        let found = self.lock().runs.iter().find(|(r, _)| r.run == run).map(|(r, _)| r.clone());
        found.ok_or_else(|| Refusal::NotThere(format!("there is no run '{run}'")))
    }

    async fn result(&self, run: &str) -> Done<Arc<ResultRecord>> {
        let file = self.file(run, "result.json").await?;
        played::result(&file.path).map(Arc::new).map_err(|e| Refusal::Environment(e.to_string()))
    }

    async fn file(&self, run: &str, name: &str) -> Done<RunFile> {
        let found = self.lock().runs.iter().find(|(r, _)| r.run == run).map(|(_, path)| path.clone());
        let folder = found.ok_or_else(|| Refusal::NotThere(format!("there is no run '{run}'")))?;
        let media_type = match name.rsplit_once('.').map(|(_, ending)| ending) {
            Some("json") => "application/json",
            Some("pdf") => "application/pdf",
            _ => "application/octet-stream",
        };
        let path = folder.join(name);
        let inside = name.split_once('/').map_or(name, |(_, inside)| inside);
        let plain = !inside.contains('/') && !inside.contains("..");
        if plain && path.is_file() {
            return Ok(RunFile { path, media_type });
        }
        Err(Refusal::NotThere(format!("run '{run}' has no file '{name}'")))
    }

    async fn approve(&self, who: &Person, run: &str) -> Done<RunSummary> {
        self.note(Some(who), "approve", run.to_owned());
        let mut held = self.lock();
        let found = held.runs.iter_mut().find(|(r, _)| r.run == run);
        let (summary, _) = found.ok_or_else(|| Refusal::NotThere(format!("there is no run '{run}'")))?;
        if summary.state != "draft" {
            return Err(Refusal::State(format!("run '{run}' is {} already", summary.state)));
        }
        summary.state = "released".to_owned();
        Ok(summary.clone())
    }

    async fn history(&self, serial: &str) -> Done<Vec<HistoryPoint>> {
        let runs = self.lock().runs.clone();
        let points = played::history(&runs, serial).map_err(|e| Refusal::Environment(e.to_string()))?;
        if points.is_empty() {
            return Err(Refusal::NotThere(format!("sensor '{serial}' was never measured here")));
        }
        Ok(points)
    }

    async fn registers(&self) -> Done<Registers> {
        let runs = self.lock().runs.clone();
        Ok(played::registers(&runs))
    }

    async fn audit(&self, before: Option<i64>, limit: u32) -> Done<Vec<AuditEntry>> {
        let held = self.lock();
        let wanted = held.audit.iter().rev().filter(|e| before.is_none_or(|id| e.id < id));
        Ok(wanted.take(limit as usize).cloned().collect())
    }

    fn news(&self, since: Option<u64>) -> (Vec<Told>, broadcast::Receiver<Told>) {
        let held = self.lock();
        let kept = match since {
            Some(since) => held.news.iter().filter(|n| n.news.id > since).cloned().collect(),
            None => Vec::new(),
        };
        (kept, self.sender.subscribe())
    }
}
