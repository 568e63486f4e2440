//! What is counted and what is so now, in the text format of Prometheus, version 0.0.4. Names are stable.
//!
//! Invariant: a database that is away takes away its own figures and no others: a trip has to be seen then too.

use super::admit::Viewer;
use super::house::{Counts, Shared};
use super::problem::Problem;
use crate::record::words::{Outcome, PointStatus, TripReason};
use crate::serve::counts::Watched;
use crate::serve::words::{LatchState, QueueEntry, RigState, Stage};
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use std::collections::BTreeMap;
use std::fmt::{Display, Write};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// The answer.
pub(super) async fn metrics(State(shared): State<Arc<Shared>>, _: Viewer) -> Result<Response, Problem> {
    let rig = shared.desk.rig().await?;
    let queue = shared.desk.queue().await.ok();
    let watched = shared.desk.watched().await;
    let mut metrics = Metrics::default();
    metrics.daemon(&watched);
    metrics.rig(&rig, &watched);
    metrics.queue(queue.as_deref());
    metrics.runs(&watched);
    metrics.doors(&shared.counts);
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], metrics.0).into_response())
}

#[derive(Default)]
struct Metrics(String);

impl Metrics {
    fn daemon(&mut self, watched: &Watched) {
        let version = format!("{{version=\"{}\"}}", env!("CARGO_PKG_VERSION"));
        self.all("calwright_build_info", "gauge", "The program, by its version", [(version, 1)]);
        let started = watched.started.timestamp().as_second();
        self.gauge("calwright_start_time_seconds", "When the daemon started, since 1970 in UTC", started);
        if let Some(free) = watched.free_bytes {
            self.gauge("calwright_disk_free_bytes", "Free on the disk of the runs", free);
        }
        if let Some(notices) = watched.notices {
            self.gauge(
                "calwright_notices_waiting",
                "Notices that their receivers have not taken yet",
                notices,
            );
        }
    }

    fn rig(&mut self, rig: &RigState, watched: &Watched) {
        let tripped = rig.latch == LatchState::Tripped;
        self.flag("calwright_tripped", "1 while a person has to acknowledge", tripped);
        let not_safe = watched.not_safe || rig.trip.as_deref() == Some(TripReason::MakeSafeFailed.word());
        let about = "1 where an instrument could not be made safe, at the start or in the run that tripped";
        self.flag("calwright_not_safe", about, not_safe);
        self.flag("calwright_leave", "1 while there is leave to move", rig.leave_by.is_some());
        self.flag("calwright_running", "1 while a run goes on", rig.running.is_some());
        self.flag("calwright_paused", "1 while the run that goes on pauses", watched.paused);
        self.flag("calwright_draining", "1 while no job is begun any more", rig.draining);
        self.flag("calwright_queue_held", "1 while the queue is held", rig.queue_held.is_some());
        self.gauge("calwright_warnings", "Remarks about the rig", rig.warnings.len());
    }

    /// Without the database nothing is known of jobs.
    fn queue(&mut self, queue: Option<&[QueueEntry]>) {
        self.flag("calwright_database_up", "1 while the database answers", queue.is_some());
        let Some(queue) = queue else { return };
        let count = |stage: Stage| queue.iter().filter(|job| job.stage == stage).count();
        let stages = [
            ("waiting", count(Stage::Waiting)),
            ("held", count(Stage::Held)),
            ("needs_person", count(Stage::NeedsPerson)),
            ("running", count(Stage::Running)),
        ];
        let stages = stages.map(|(stage, n)| (format!("{{stage=\"{stage}\"}}"), n));
        self.all("calwright_jobs", "gauge", "Jobs that are not over", stages);
    }

    fn runs(&mut self, watched: &Watched) {
        let counts = &watched.counts;
        let of = |counted: &BTreeMap<String, u64>, word: &str| counted.get(word).copied().unwrap_or(0);
        let runs = Outcome::ALL.iter().map(|o| (format!("{{outcome=\"{o}\"}}"), of(&counts.runs, o.word())));
        self.all("calwright_runs_total", "counter", "Runs that came to their end", runs);
        self.counter("calwright_trips_total", "Runs that a trip ended", counts.trips);
        let points =
            PointStatus::ALL.iter().map(|s| (format!("{{status=\"{s}\"}}"), of(&counts.points, s.word())));
        self.all("calwright_points_total", "counter", "Points of each sensor in runs that ended", points);
    }

    fn doors(&mut self, counts: &Counts) {
        let answers = std::iter::zip(1.., &counts.answers)
            .map(|(n, count): (u32, _)| (format!("{{status=\"{n}xx\"}}"), count.load(Ordering::Relaxed)));
        self.all("calwright_http_answers_total", "counter", "Requests that were answered", answers);
        let refused = counts.refused.load(Ordering::Relaxed);
        self.counter("calwright_connections_refused_total", "Connections beyond the limit", refused);
        let failures = counts.failures.load(Ordering::Relaxed);
        self.counter("calwright_identity_failures_total", "Tokens that were none", failures);
        let connections = counts.connections.load(Ordering::Relaxed);
        self.gauge("calwright_connections", "Connections that are open", connections);
        let streams = counts.streams.load(Ordering::Relaxed);
        self.gauge("calwright_event_streams", "Event streams that are open", streams);
    }

    fn flag(&mut self, name: &str, about: &str, value: bool) {
        self.gauge(name, about, u8::from(value));
    }

    fn gauge(&mut self, name: &str, about: &str, value: impl Display) {
        self.all(name, "gauge", about, [(String::new(), value)]);
    }

    fn counter(&mut self, name: &str, about: &str, value: u64) {
        self.all(name, "counter", about, [(String::new(), value)]);
    }

    /// A metric with its values, each behind its labels.
    fn all<V: Display>(
        &mut self,
        name: &str,
        kind: &str,
        about: &str,
        values: impl IntoIterator<Item = (String, V)>,
    ) {
        // Writing to a String can't fail.
        let _ = writeln!(self.0, "# HELP {name} {about}\n# TYPE {name} {kind}");
        for (labels, value) in values {
            let _ = writeln!(self.0, "{name}{labels} {value}");
        }
    }
}
