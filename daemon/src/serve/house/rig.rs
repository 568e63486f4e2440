//! The rig at the desk: its state, stop, arm, acknowledge.

use super::start::NOT_SAFE_AT_START;
use super::{House, needs_role};
use crate::files::Disk;
use crate::record::UtcTime;
use crate::serve::desk::Refusal;
use crate::serve::store::Said;
use crate::serve::words::{Acknowledging, Arming, LatchState, Person, RigState, Role, Stopped, Way, Whence};
use crate::station::StationError;
use crate::station::acknowledge::{Acknowledged, NotAcknowledged, Words, acknowledge};
use crate::station::latch::Latch;
use crate::station::leave::WithdrawnBy;
use crate::station::leave_file::{Given, give, lasts, withdraw};
use crate::station::line::{self, NOT_SAFE, stop};
use calibration::interlock::TripReason;
use calibration::sequence::Operator;
use std::io;
use std::time::Duration;

/// Longest wait for a run to end after a stop: it brakes and mutes within seconds, and then writes its records.
const PATIENCE: Duration = Duration::from_secs(30);

/// For whatever goes wrong: the way that needs no program.
const BY_HAND: &str = "press the emergency stop, or cut the power of the amplifier by hand";

/// A stop after which it is not known that everything is at rest.
fn not_stopped(why: &str) -> Stopped {
    Stopped { at_rest: false, message: format!("{why}; {BY_HAND}") }
}

impl House {
    /// State of the rig; a database that is away is a warning in it.
    pub(in crate::serve) async fn rig_state(&self) -> RigState {
        let queue_held = match self.store.queue_held().await {
            Ok(held) => {
                self.warn("queue", None);
                held
            }
            Err(error) => {
                self.warn("queue", Some(error.to_string()));
                Some(error.to_string())
            }
        };
        let (rig, running) = (self.rig(), self.running());
        let (latch, trip, message) = rig.latched(running.as_ref());
        if latch == LatchState::Clear {
            // Acknowledged, be it by another hand of this machine.
            self.warn(NOT_SAFE_AT_START, None);
        }
        let warnings = self.now().warnings.values().cloned().collect();
        let (leave, leave_missing) = match rig.leave(running.as_ref()) {
            Ok(leave) => (leave, None),
            Err(missing) => (None, Some(missing)),
        };
        RigState {
            rig: rig.name().to_owned(),
            simulated: rig.simulated,
            latch,
            trip,
            message,
            leave_by: leave.as_ref().map(|l| l.name.clone()),
            leave_until: leave.as_ref().map(|l| l.until_utc),
            leave_missing,
            queue_held,
            checklist: rig.document.value.checklist.iter().map(|e| e.text.clone()).collect(),
            warnings,
            asks: running.as_ref().and_then(|r| r.asks.clone()),
            running: running.map(|r| r.run),
            draining: self.is_draining(),
        }
    }

    /// The same as it was a moment ago at most; what the daemon changes itself is in it at once.
    pub(super) async fn rig_lately(&self) -> RigState {
        match self.kept.rig.get("") {
            Ok(state) => state.as_ref().clone(),
            Err(begun) => self.kept.rig.put(begun, "", self.rig_state().await).as_ref().clone(),
        }
    }

    pub(super) async fn stop_now(&self, who: Option<&Person>, from: &Whence) -> Result<Stopped, Refusal> {
        // The armature first, everything else after it.
        if let Some(start) = self.running().and_then(|r| r.start) {
            start.tell(Operator::Stop);
        }
        let directory = self.rig().latch.directory().to_owned();
        let told = tokio::task::spawn_blocking(move || stop(&directory, PATIENCE)).await;
        let answer = match told {
            Ok(Ok(heard)) => self.stopped(heard),
            Ok(Err(error)) => not_stopped(&format!("the run can't be told: {error}")),
            Err(error) => not_stopped(&format!("the run can't be told: {error}")),
        };
        // Of somebody with a name the name says enough.
        let place = if who.is_some() { String::new() } else { format!(" (from {})", from.place) };
        let detail = format!("{}{place}", answer.message);
        let said = Said { at: UtcTime::now(), who, what: "stop", detail: &detail };
        if let Err(error) = self.store.audit_by(&said, from.way).await {
            // A stop is never refused because it can't be noted.
            tracing::error!(%error, who = ?who.map(|p| &p.name), "a stop could not be entered into the audit: {detail}");
        }
        self.rig_changed().await;
        self.changed.notify_one();
        Ok(answer)
    }

    pub(super) fn stopped(&self, heard: line::Stopped) -> Stopped {
        match heard {
            line::Stopped::Ended(how) if how.starts_with(NOT_SAFE) => not_stopped(&how),
            line::Stopped::Ended(how) => Stopped { at_rest: true, message: how },
            line::Stopped::Nobody => self.stopped_nobody(),
            line::Stopped::Unanswered => not_stopped("the run was told and did not say yet that it ended"),
        }
    }

    /// No run goes on. The leave to move is taken away all the same, so that none begins.
    fn stopped_nobody(&self) -> Stopped {
        let rig = self.rig();
        let at_rest = |message: String| Stopped { at_rest: true, message };
        if rig.simulated {
            return at_rest("no run goes on".to_owned());
        }
        let taken = rig.patiently(|| {
            let _lock = rig.latch.lock(&Disk)?;
            withdraw(&rig.latch, &Disk, UtcTime::now(), WithdrawnBy::Stop)
        });
        let latch = rig.latch.read(&Disk, UtcTime::now().timestamp());
        match (taken, latch) {
            // Nobody moves it, and nobody knows that it does not move.
            (_, Latch::Tripped { reason, message, .. }) if reason == TripReason::MakeSafeFailed.word() => {
                not_stopped(&format!("no run goes on, but the rig was left NOT SAFE: {message}"))
            }
            (Ok(Some(leave)), _) => {
                at_rest(format!("no run goes on; the leave to move of {} was withdrawn", leave.name))
            }
            (Ok(None), _) => at_rest("no run goes on, and there was no leave to move".to_owned()),
            (Err(error), _) if error.kind() == io::ErrorKind::WouldBlock => {
                not_stopped("the rig is in use, but whoever uses it can't be told")
            }
            (Err(error), _) => {
                not_stopped(&format!("no run goes on, but the leave to move can't be withdrawn: {error}"))
            }
        }
    }

    /// At the machine only, unless the settings say otherwise.
    fn at_the_machine(&self, who: &Person, what: &str) -> Result<(), Refusal> {
        if who.way == Way::Socket || self.arm_over_port {
            return Ok(());
        }
        let text = format!("{what} only at the machine, with the rig in view: calwright {what} there");
        Err(Refusal::NotAllowed(text))
    }

    pub(super) async fn give_leave(&self, who: &Person, what: Arming) -> Result<RigState, Refusal> {
        needs_role(who, Role::Operator)?;
        self.at_the_machine(who, "arm")?;
        let own = self.rig();
        if own.simulated {
            let text = "every run here is on the simulated rig, which needs no leave to move".to_owned();
            return Err(Refusal::State(text));
        }
        let rig = &own.document.value;
        let lasts = lasts(rig, what.hours).map_err(Refusal::Input)?;
        let list: Vec<&str> = rig.checklist.iter().map(|e| e.text.as_str()).collect();
        if let Some(stranger) = what.confirmed.iter().find(|c| !list.contains(&c.as_str())) {
            return Err(Refusal::Input(format!("'{stranger}' is no line of the check-list")));
        }
        if let Some(open) = list.iter().find(|line| !what.confirmed.iter().any(|c| c == *line)) {
            return Err(Refusal::Input(format!(
                "'{open}' is not confirmed; look at the rig, then confirm it"
            )));
        }
        let at = UtcTime::now();
        let until = at.timestamp().checked_add(lasts).map_err(|e| Refusal::Input(e.to_string()))?;
        let detail = format!("until {until}; confirmed: {}", what.confirmed.join("; "));
        // The audit first: leave that nobody can see who gave is none.
        self.store.audit(&Said { at, who: Some(who), what: "arm", detail: &detail }).await?;
        let given = Given { name: who.name.clone(), at, until: until.into(), checklist: what.confirmed };
        let gave = tokio::task::block_in_place(|| self.gave(&given));
        if let Err(refusal) = &gave {
            let detail = format!("refused: {refusal}");
            self.store.audit(&Said { at, who: Some(who), what: "arm", detail: &detail }).await?;
        }
        gave?;
        self.rig_changed().await;
        self.changed.notify_one();
        Ok(self.rig_state().await)
    }

    fn gave(&self, given: &Given) -> Result<(), Refusal> {
        let rig = self.rig();
        let place = &rig.latch;
        let claimed = rig.patiently(|| place.claim(&Disk, given.at.timestamp()));
        let (_lock, latch) = claimed.map_err(|e| match e.kind() {
            io::ErrorKind::WouldBlock => {
                Refusal::State("a run goes on; leave is given between runs".to_owned())
            }
            _ => Refusal::Environment(format!("the lock of the rig can't be taken: {e}")),
        })?;
        // A rig that was never used has no latch yet; with its lock there it would look as if the latch was lost.
        if !place.path().exists() && matches!(latch, Latch::Clear { .. }) {
            place
                .write(&Disk, &latch)
                .map_err(|e| Refusal::Environment(format!("no latch can be stored: {e}")))?;
        }
        if let Latch::Tripped { reason, message, .. } = &latch {
            return Err(Refusal::State(format!(
                "the rig is tripped ({reason}): {message}. Acknowledge first"
            )));
        }
        match give(place, &Disk, &rig.document.value, &latch, given.clone()) {
            Ok(_) => Ok(()),
            Err(error @ StationError::NotArmed(_)) => Err(Refusal::State(error.to_string())),
            Err(error) => Err(Refusal::Environment(format!("leave to move can't be stored: {error}"))),
        }
    }

    pub(super) async fn clear_trip(&self, who: &Person, what: Acknowledging) -> Result<RigState, Refusal> {
        needs_role(who, Role::Operator)?;
        self.at_the_machine(who, "acknowledge")?;
        if what.reason.trim().is_empty() {
            return Err(Refusal::Input("an acknowledgement needs a reason; it is recorded".to_owned()));
        }
        if self.running().is_some() {
            return Err(Refusal::State("a run goes on; there is nothing to acknowledge".to_owned()));
        }
        let at = UtcTime::now();
        self.store.audit(&Said { at, who: Some(who), what: "acknowledge", detail: &what.reason }).await?;
        let cleared = tokio::task::block_in_place(|| self.cleared(who, &what, at));
        if let Err(refusal) = &cleared {
            let detail = format!("refused: {refusal}");
            self.store.audit(&Said { at, who: Some(who), what: "acknowledge", detail: &detail }).await?;
        }
        cleared?;
        self.rig_changed().await;
        self.changed.notify_one();
        Ok(self.rig_state().await)
    }

    fn cleared(&self, who: &Person, what: &Acknowledging, at: UtcTime) -> Result<(), Refusal> {
        let rig = self.rig();
        let (place, simulated) = (&rig.latch, rig.simulated);
        let words =
            Words { name: &who.name, reason: &what.reason, made_safe_by_hand: what.made_safe_by_hand };
        match acknowledge(place, &Disk, simulated, at.timestamp(), &words) {
            Ok(Acknowledged::NotTripped) => {
                Err(Refusal::State("the rig is not tripped; there is nothing to acknowledge".to_owned()))
            }
            Ok(Acknowledged::Cleared { .. }) => Ok(()),
            Err(NotAcknowledged::Locked(error)) => {
                Err(Refusal::State(format!("the rig is in use, or its lock can't be taken: {error}")))
            }
            Err(NotAcknowledged::NotSafe(message)) => Err(Refusal::State(format!(
                "NOT SAFE: {message}; an instrument could not be made safe. Only when the power of the amplifier was cut by \
                 hand and the cause is found, say that it was made safe by hand"
            ))),
            Err(NotAcknowledged::Disk(error)) => {
                Err(Refusal::Environment(format!("the latch can't be written: {error}")))
            }
        }
    }
}
