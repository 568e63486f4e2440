//! The desk, word by word.

use super::House;
use crate::record::ResultRecord;
use crate::serve::counts::Watched;
use crate::serve::desk::{Desk, Refusal, RunFile};
use crate::serve::news::Told;
use crate::serve::words::{
    Acknowledging, Arming, AuditEntry, Draining, HistoryPoint, Person, QueueEntry, Registers, Reloaded,
    Reloading, RigState, RunFilter, RunSummary, Stopped, Submission, Whence,
};
use async_trait::async_trait;
use std::sync::Arc;
use tokio::sync::broadcast;

#[async_trait]
impl Desk for House {
    async fn ready(&self) -> Result<(), Refusal> {
        if self.is_closing() {
            return Err(Refusal::State("this daemon winds down".to_owned()));
        }
        self.takes_jobs()?;
        // The cheapest question that the database has to answer.
        self.store.queue_held().await?;
        Ok(())
    }

    async fn watched(&self) -> Watched {
        self.watched_now()
    }

    async fn rig(&self) -> Result<RigState, Refusal> {
        Ok(self.rig_lately().await)
    }

    async fn submit(
        &self,
        who: &Person,
        job: Submission,
        key: Option<String>,
    ) -> Result<QueueEntry, Refusal> {
        self.take_in(who, job, key.as_deref()).await
    }

    async fn queue(&self) -> Result<Vec<QueueEntry>, Refusal> {
        self.whole_queue().await
    }

    async fn job(&self, job: i64) -> Result<QueueEntry, Refusal> {
        self.entry(job).await
    }

    async fn hold(&self, who: &Person, job: Option<i64>, reason: &str) -> Result<(), Refusal> {
        self.hold_back(who, job, reason).await
    }

    async fn unhold(&self, who: &Person, job: Option<i64>) -> Result<(), Refusal> {
        self.let_go_on(who, job).await
    }

    async fn move_to(&self, who: &Person, job: i64, place: u32) -> Result<QueueEntry, Refusal> {
        self.put_at(who, job, place).await
    }

    async fn cancel(&self, who: &Person, job: i64, reason: &str) -> Result<QueueEntry, Refusal> {
        self.take_out(who, job, reason).await
    }

    async fn resume(&self, who: &Person, run: &str) -> Result<QueueEntry, Refusal> {
        self.go_on_with(who, run).await
    }

    async fn stop(&self, who: Option<&Person>, from: &Whence) -> Result<Stopped, Refusal> {
        self.stop_now(who, from).await
    }

    async fn arm(&self, who: &Person, what: Arming) -> Result<RigState, Refusal> {
        self.give_leave(who, what).await
    }

    async fn acknowledge(&self, who: &Person, what: Acknowledging) -> Result<RigState, Refusal> {
        self.clear_trip(who, what).await
    }

    async fn runs(&self, filter: &RunFilter) -> Result<Vec<RunSummary>, Refusal> {
        self.listed(filter).await
    }

    async fn run(&self, run: &str) -> Result<RunSummary, Refusal> {
        self.summary(run).await
    }

    async fn result(&self, run: &str) -> Result<Arc<ResultRecord>, Refusal> {
        self.result_of(run).await
    }

    async fn file(&self, run: &str, name: &str) -> Result<RunFile, Refusal> {
        self.file_of(run, name).await
    }

    async fn approve(&self, who: &Person, run: &str) -> Result<RunSummary, Refusal> {
        self.release(who, run).await
    }

    async fn reload(&self, who: &Person, what: Reloading) -> Result<Reloaded, Refusal> {
        self.put_in_force(who, what).await
    }

    async fn drain(&self, who: &Person, what: Draining) -> Result<RigState, Refusal> {
        self.begin_no_more(who, what).await
    }

    async fn history(&self, serial: &str) -> Result<Vec<HistoryPoint>, Refusal> {
        Ok(self.store.points_of(serial).await?)
    }

    async fn registers(&self) -> Result<Registers, Refusal> {
        self.all_registers().await
    }

    async fn audit(&self, before: Option<i64>, limit: u32) -> Result<Vec<AuditEntry>, Refusal> {
        Ok(self.store.audited(before, limit).await?)
    }

    fn news(&self, since: Option<u64>) -> (Vec<Told>, broadcast::Receiver<Told>) {
        self.news.since(since)
    }
}
