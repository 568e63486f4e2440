//! The queue at the desk: submit, hold, move, cancel, resume.

use super::{House, needs_role};
use crate::execution::{Ready, ready};
use crate::hash::sha256;
use crate::load::{self, Loaded};
use crate::record::UtcTime;
use crate::record::words::Outcome;
use crate::serve::desk::Refusal;
use crate::serve::names::job_name;
use crate::serve::rig::said;
use crate::serve::store::{NewJob, Said, StoredJob, StoredStage, Submitted};
use crate::serve::words::{Happening, Person, QueueEntry, RigState, Role, Stage, Submission};
use crate::station::leave::mounted_sha256;
use calibration::sequence::{Operator, Setup};
use plan_schema::faults::Faults;

/// So many jobs that ended are shown behind those that wait.
const ENDED_SHOWN: u32 = 50;

/// A job that was found ready to run.
pub(in crate::serve) struct Prepared {
    pub(in crate::serve) ready: Ready,
    pub(in crate::serve) faults: Faults,
}

impl House {
    /// The day on which jobs are judged and recorded.
    pub(in crate::serve) fn day(&self) -> UtcTime {
        let dry = || crate::cli::DAY_OF_DRY_RUNS.parse().ok();
        let simulated = self.rig().simulated.then(|| self.settings.serve.day.or_else(dry)).flatten();
        simulated.unwrap_or_else(UtcTime::now)
    }

    /// Reads a job and looks whether it can be run. Takes seconds: not for a thread that answers.
    ///
    /// # Errors
    /// What is wrong with it, as `check` prints it.
    pub(in crate::serve) fn prepare(&self, submission: &Submission) -> Result<Prepared, String> {
        let name = format!("{}.toml", submission.name);
        let loaded: Loaded =
            self.rig().job(&name, &submission.job, &submission.files).map_err(|e| said(&e))?;
        let faults = match &submission.faults {
            Some(_) if !self.rig().simulated => {
                return Err("error: faults are for simulated rigs; this one is real".to_owned());
            }
            Some(text) => load::faults_of_text("faults", text, &loaded.job).map_err(|e| said(&e))?,
            None => Faults { format: loaded.job.plan.format, faults: Vec::new() },
        };
        let ready = ready(&loaded, self.day()).map_err(|found| found.render(false))?;
        Ok(Prepared { ready, faults })
    }

    pub(super) async fn take_in(
        &self,
        who: &Person,
        mut job: Submission,
        key: Option<&str>,
    ) -> Result<QueueEntry, Refusal> {
        needs_role(who, Role::Operator)?;
        job.name = job_name(&job.name);
        let text = serde_json::to_string(&job).map_err(|e| Refusal::Input(e.to_string()))?;
        let hash = sha256(text.as_bytes());
        // What was taken before is answered as it was then, whatever is so by now: the first answer may have been lost.
        if let Some(key) = key
            && let Some(before) = self.store.submitted(&who.name, key, &hash).await?
        {
            return self.answered(before).await;
        }
        self.takes_jobs()?;
        if job.seed.is_some() && !self.rig().simulated {
            return Err(Refusal::Input("error: a seed is for simulated rigs; this one is real".to_owned()));
        }
        let setup = self.checked(&job).await?;
        let serials: Vec<String> = setup.job.sensors.iter().map(|s| s.sensor.serial.clone()).collect();
        let new = NewJob {
            submission: &job,
            by: &who.name,
            serials: &serials,
            mounted: &mounted_sha256(&setup.job),
            points: u32::try_from(setup.job.points.len()).unwrap_or(u32::MAX),
            rig_s: foreseen_s(&setup),
            key: key.map(|key| (key, hash.as_str())),
        };
        let said = Said { at: UtcTime::now(), who: Some(who), what: "submit", detail: &job.name };
        let submitted = self.store.submit(&new, &said).await?;
        if matches!(submitted, Submitted::New(_)) {
            self.queue_changed();
        }
        self.answered(submitted).await
    }

    async fn answered(&self, submitted: Submitted) -> Result<QueueEntry, Refusal> {
        match submitted {
            Submitted::New(number) | Submitted::Before(number) => self.entry(number).await,
            Submitted::KeyUsed => Err(Refusal::KeyUsed(
                "another job came with this key before; take a new key for a new job".to_owned(),
            )),
        }
    }

    /// Whether a job can be run, away from the threads that answer.
    async fn checked(&self, job: &Submission) -> Result<Setup, Refusal> {
        let prepared = tokio::task::block_in_place(|| self.prepare(job));
        prepared.map(|p| p.ready.setup).map_err(Refusal::Input)
    }

    pub(super) async fn whole_queue(&self) -> Result<Vec<QueueEntry>, Refusal> {
        let open = self.store.open_jobs().await?;
        let ended = self.store.ended_jobs(ENDED_SHOWN).await?;
        let mut place = 0;
        let mut entries: Vec<QueueEntry> = Vec::new();
        for job in open {
            let waits = matches!(job.stage, StoredStage::Waiting | StoredStage::Held);
            place += u32::from(waits);
            entries.push(self.shown(job, waits.then_some(place)));
        }
        entries.extend(ended.into_iter().map(|job| self.shown(job, None)));
        Ok(entries)
    }

    pub(super) async fn entry(&self, job: i64) -> Result<QueueEntry, Refusal> {
        let stored = self.store.stored_job(job).await?.ok_or_else(|| no_job(job))?;
        if stored.place.is_none() {
            return Ok(self.shown(stored, None));
        }
        let open = self.store.open_jobs().await?;
        let mut waiting = open.iter().filter(|j| matches!(j.stage, StoredStage::Waiting | StoredStage::Held));
        let place = waiting.position(|j| j.job == job).and_then(|n| u32::try_from(n + 1).ok());
        Ok(self.shown(stored, place))
    }

    /// A job as the desk shows it.
    fn shown(&self, job: StoredJob, place: Option<u32>) -> QueueEntry {
        let needs = self.now().needs.clone().filter(|(of, _)| *of == job.job).map(|(_, what)| what);
        let (stage, waits_for) = match job.stage {
            StoredStage::Waiting => match needs {
                Some(what) => (Stage::NeedsPerson, Some(what)),
                None => (Stage::Waiting, None),
            },
            StoredStage::Held => (Stage::Held, job.why),
            StoredStage::Running => (Stage::Running, None),
            StoredStage::Ended => (Stage::Ended, None),
            StoredStage::Cancelled => (Stage::Cancelled, job.why),
        };
        QueueEntry {
            job: job.job,
            name: job.name,
            stage,
            waits_for,
            place,
            submitted_by: job.submitted_by,
            submitted: job.submitted,
            serials: job.serials,
            points: job.points,
            rig_s: job.rig_s,
            runs: job.runs,
            outcome: job.outcome,
        }
    }

    pub(super) async fn hold_back(
        &self,
        who: &Person,
        job: Option<i64>,
        reason: &str,
    ) -> Result<(), Refusal> {
        needs_role(who, Role::Operator)?;
        if reason.trim().is_empty() {
            return Err(Refusal::Input("a hold needs a reason; it is recorded".to_owned()));
        }
        let at = UtcTime::now();
        let Some(job) = job else {
            let reason = format!("{}: {reason}", who.name);
            let said = Said { at, who: Some(who), what: "hold", detail: &format!("the queue: {reason}") };
            self.store.hold_queue(Some(&reason), &said).await?;
            self.rig_changed().await;
            self.queue_changed();
            return Ok(());
        };
        let detail = format!("job {job}: {reason}");
        let said = Said { at, who: Some(who), what: "hold", detail: &detail };
        let why = format!("{}: {reason}", who.name);
        let to = (StoredStage::Held, Some(why.as_str()));
        let from = [StoredStage::Waiting, StoredStage::Held];
        self.changed_stage(job, &from, to, &said, "it does not wait any more").await
    }

    pub(super) async fn let_go_on(&self, who: &Person, job: Option<i64>) -> Result<(), Refusal> {
        needs_role(who, Role::Operator)?;
        let at = UtcTime::now();
        let Some(job) = job else {
            let said = Said { at, who: Some(who), what: "unhold", detail: "the queue" };
            self.store.hold_queue(None, &said).await?;
            self.rig_changed().await;
            self.queue_changed();
            return Ok(());
        };
        let detail = format!("job {job}");
        let said = Said { at, who: Some(who), what: "unhold", detail: &detail };
        let to = (StoredStage::Waiting, None);
        self.changed_stage(job, &[StoredStage::Held], to, &said, "it is not held").await
    }

    async fn changed_stage(
        &self,
        job: i64,
        from: &[StoredStage],
        to: (StoredStage, Option<&str>),
        said: &Said<'_>,
        else_text: &str,
    ) -> Result<(), Refusal> {
        if self.store.change_stage(job, from, to, Some(said)).await? {
            self.queue_changed();
            return Ok(());
        }
        match self.store.stored_job(job).await? {
            Some(_) => Err(Refusal::State(format!("job {job}: {else_text}"))),
            None => Err(no_job(job)),
        }
    }

    pub(super) async fn put_at(&self, who: &Person, job: i64, place: u32) -> Result<QueueEntry, Refusal> {
        needs_role(who, Role::Operator)?;
        if place == 0 {
            return Err(Refusal::Input("places are counted from 1".to_owned()));
        }
        let detail = format!("job {job} to place {place}");
        let said = Said { at: UtcTime::now(), who: Some(who), what: "move", detail: &detail };
        if !self.store.move_job(job, place, &said).await? {
            return match self.store.stored_job(job).await? {
                Some(_) => Err(Refusal::State(format!("job {job}: it does not wait any more"))),
                None => Err(no_job(job)),
            };
        }
        self.queue_changed();
        self.entry(job).await
    }

    pub(super) async fn take_out(&self, who: &Person, job: i64, reason: &str) -> Result<QueueEntry, Refusal> {
        needs_role(who, Role::Operator)?;
        let reason = reason.trim();
        if reason.is_empty() {
            return Err(Refusal::Input("a cancellation needs a reason; it is recorded".to_owned()));
        }
        let detail = format!("job {job}: {reason}");
        let said = Said { at: UtcTime::now(), who: Some(who), what: "cancel", detail: &detail };
        let why = format!("{}: {reason}", who.name);
        let waits = [StoredStage::Waiting, StoredStage::Held];
        if self.store.change_stage(job, &waits, (StoredStage::Cancelled, Some(&why)), Some(&said)).await? {
            self.queue_changed();
            return self.entry(job).await;
        }
        let stored = self.store.stored_job(job).await?.ok_or_else(|| no_job(job))?;
        if stored.stage != StoredStage::Running {
            return Err(Refusal::State(format!("job {job} is over")));
        }
        // Winding down comes first; the audit follows before the answer.
        let told = self.tell_running(job, &why);
        self.store.audit(&said).await?;
        if !told {
            return Err(Refusal::State(format!("job {job} has just ended, or was cut off")));
        }
        self.entry(job).await
    }

    /// Tells the run of a job to wind down; false where it does not run.
    fn tell_running(&self, job: i64, why: &str) -> bool {
        let mut now = self.now();
        let Some(running) = now.running.as_mut().filter(|r| r.job == job) else { return false };
        running.cancelled = Some(why.to_owned());
        if let Some(start) = &running.start {
            start.tell(Operator::Cancel);
        }
        true
    }

    pub(super) async fn go_on_with(&self, who: &Person, run: &str) -> Result<QueueEntry, Refusal> {
        needs_role(who, Role::Operator)?;
        let summary = self.summary(run).await?;
        let may = [Outcome::Tripped, Outcome::Interrupted, Outcome::Cancelled, Outcome::Failed];
        if !summary.outcome.is_some_and(|o| may.contains(&o)) {
            let text =
                format!("run {run} goes on or is complete; only one that was ended early can be resumed");
            return Err(Refusal::State(text));
        }
        let Some(job) = self.store.job_of_run(run).await? else {
            return Err(Refusal::State(format!(
                "run {run} did not come from this queue; submit its job anew"
            )));
        };
        let stored = self.store.stored_job(job).await?.ok_or_else(|| no_job(job))?;
        if stored.runs.last().is_none_or(|last| last != run) {
            return Err(Refusal::State(format!("job {job} has a later run; resume that one")));
        }
        let said = Said { at: UtcTime::now(), who: Some(who), what: "resume", detail: run };
        if !self.store.continue_job(job, run, &said).await? {
            return Err(Refusal::State(format!("job {job} is in the queue already")));
        }
        self.queue_changed();
        self.entry(job).await
    }

    /// The rig's state changed: viewers are told.
    pub(in crate::serve) async fn rig_changed(&self) {
        self.kept.rig.forget();
        self.tell_rig(self.rig_state().await);
    }

    /// Tells viewers of another state of the rig; whoever asks from then on is not answered with the one before.
    pub(in crate::serve) fn tell_rig(&self, state: RigState) {
        self.kept.rig.forget();
        self.news.tell(Happening::Rig(state));
    }
}

fn no_job(job: i64) -> Refusal {
    Refusal::NotThere(format!("there is no job {job}"))
}

/// Foreseen time on the rig.
fn foreseen_s(setup: &Setup) -> f64 {
    let points: f64 = setup.forecasts.iter().map(|f| f.time.si()).sum();
    points + setup.waits().total().si()
}
