//! Upkeep at the desk: another rig file or certificate template put in force, and no more jobs before an upgrade.
//!
//! What is in force is what was read at the start or by the last reload, whatever lies on the disk since. Each version is kept
//! with who put it in force, when and why.

use super::{House, needs_role};
use crate::hash::sha256;
use crate::record::UtcTime;
use crate::serve::desk::Refusal;
use crate::serve::difference;
use crate::serve::rig::{OwnRig, said};
use crate::serve::store::{Said, StoreError, Version};
use crate::serve::words::{Change, Draining, Person, Reloaded, Reloading, RigState, Role};
use std::fs;
use std::path::Path;
use std::sync::{Arc, PoisonError};
use std::time::Duration;

/// Longest wait for a job that is just being looked at.
const PATIENCE: Duration = Duration::from_secs(5);

/// The text of the template on the disk; none where the settings name none.
fn template(path: Option<&Path>) -> Result<Option<Version>, String> {
    let Some(path) = path else { return Ok(None) };
    let text = fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    Ok(Some(version("template", &path.display().to_string(), &text)))
}

fn version(kind: &'static str, file: &str, text: &str) -> Version {
    Version { kind, file: file.to_owned(), sha256: sha256(text.as_bytes()), text: text.to_owned() }
}

/// Of what there are versions, in words.
fn kinds(versions: &[Version]) -> String {
    let kinds: Vec<&str> = versions.iter().map(|v| v.kind).collect();
    kinds.join(", ")
}

impl House {
    /// What is in force at the start, entered where it is another than the last that was.
    pub(super) async fn in_force_at_start(&self) -> Result<(), StoreError> {
        let rig = self.rig();
        let mut now = vec![version("rig", &rig.shown, &rig.text)];
        match template(self.settings.certificate.template.as_deref()) {
            Ok(found) => {
                self.set_template(found.as_ref());
                now.extend(found);
            }
            Err(why) => {
                self.warn("template", Some(format!("the certificate template can't be read: {why}")));
            }
        }
        let (new, _) = self.differing(&now).await?;
        if new.is_empty() {
            return Ok(());
        }
        let detail = format!("at the start: {}", kinds(&new));
        let said = Said { at: UtcTime::now(), who: None, what: "reload", detail: &detail };
        self.store.put_in_force(&new, "as found at the start", &said).await
    }

    /// What differs from the last versions that were in force, and how.
    async fn differing(&self, now: &[Version]) -> Result<(Vec<Version>, Vec<Change>), StoreError> {
        let (mut new, mut changes) = (Vec::new(), Vec::new());
        for version in now {
            let before = self.store.last_version(version.kind).await?;
            if before.as_ref() != Some(&version.text) {
                changes.push(Change {
                    kind: version.kind.to_owned(),
                    file: version.file.clone(),
                    difference: difference::of(&before.unwrap_or_default(), &version.text),
                });
                new.push(version.clone());
            }
        }
        Ok((new, changes))
    }

    fn set_template(&self, version: Option<&Version>) {
        let hash = version.map(|v| v.sha256.clone());
        *self.template.lock().unwrap_or_else(PoisonError::into_inner) = hash;
    }

    /// Why no certificate may be made at the moment: the template on the disk is not the one in force.
    pub(in crate::serve) fn template_differs(&self) -> Option<String> {
        let found = template(self.settings.certificate.template.as_deref());
        let in_force = self.template.lock().unwrap_or_else(PoisonError::into_inner).clone();
        match found {
            Ok(found) if found.as_ref().map(|v| &v.sha256) == in_force.as_ref() => None,
            Ok(_) => Some(
                "the certificate template is not the one in force: 'calwright reload' shows the difference and puts it in force"
                    .to_owned(),
            ),
            Err(why) => Some(format!("the certificate template can't be read: {why}")),
        }
    }

    pub(super) async fn put_in_force(&self, who: &Person, what: Reloading) -> Result<Reloaded, Refusal> {
        needs_role(who, Role::Admin)?;
        if what.reason.trim().is_empty() && !what.only_show {
            return Err(Refusal::Input("a change needs a reason; it is recorded".to_owned()));
        }
        let busy = || {
            Refusal::State(
                "a run goes on: a change is put in force between runs. Drain, or hold the queue".to_owned(),
            )
        };
        if self.running().is_some() {
            return Err(busy());
        }
        let beginning = tokio::time::timeout(PATIENCE, self.beginning.lock()).await;
        let _beginning = beginning.map_err(|_| busy())?;
        if self.running().is_some() {
            return Err(busy());
        }
        let (rig, now) = tokio::task::block_in_place(|| self.checked_anew())?;
        let (new, changes) = self.differing(&now).await?;
        if what.only_show || changes.is_empty() {
            return Ok(Reloaded { in_force: changes.is_empty(), changes });
        }
        let detail = format!("{}: {}", kinds(&new), what.reason.trim());
        let said = Said { at: UtcTime::now(), who: Some(who), what: "reload", detail: &detail };
        // Recorded first: what nobody can see who changed is not in force.
        self.store.put_in_force(&new, what.reason.trim(), &said).await?;
        *self.own.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(rig);
        self.set_template(now.iter().find(|v| v.kind == "template"));
        self.warn("template", None);
        self.rig_changed().await;
        self.queue_changed();
        Ok(Reloaded { in_force: true, changes })
    }

    /// The rig and the template as they lie on the disk, if they can be used in place of those in force.
    fn checked_anew(&self) -> Result<(OwnRig, Vec<Version>), Refusal> {
        let before = self.rig();
        let path = self.settings.serve.rig.as_deref().unwrap_or(Path::new(&before.shown));
        let rig = OwnRig::read(path, self.settings.serve.simulate, &self.settings)
            .map_err(|error| Refusal::Input(said(&error)))?;
        if (rig.name(), rig.simulated) != (before.name(), before.simulated) {
            let text = format!(
                "error: this is another rig ('{}') than the one that is served ('{}'): end the daemon, and serve it",
                rig.name(),
                before.name()
            );
            return Err(Refusal::Input(text));
        }
        let mut now = vec![version("rig", &rig.shown, &rig.text)];
        now.extend(template(self.settings.certificate.template.as_deref()).map_err(Refusal::Input)?);
        Ok((rig, now))
    }

    pub(super) async fn begin_no_more(&self, who: &Person, what: Draining) -> Result<RigState, Refusal> {
        needs_role(who, Role::Admin)?;
        let reason = what.reason.trim();
        if reason.is_empty() {
            return Err(Refusal::Input("draining needs a reason; it is recorded".to_owned()));
        }
        let then = if what.end { "then end" } else { "then wait" };
        let detail = format!("{then}: {reason}");
        self.store
            .audit(&Said { at: UtcTime::now(), who: Some(who), what: "drain", detail: &detail })
            .await?;
        *self.draining.lock().unwrap_or_else(PoisonError::into_inner) = Some(what.end);
        let text = format!(
            "no job begins any more before the next start: {} drains the daemon ({reason})",
            who.name
        );
        self.warn("drain", Some(text));
        self.rig_changed().await;
        self.queue_changed();
        Ok(self.rig_state().await)
    }

    /// True once a person wants no job begun any more.
    pub(in crate::serve) fn is_draining(&self) -> bool {
        self.draining.lock().unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// Whether jobs may be handed in.
    pub(super) fn takes_jobs(&self) -> Result<(), Refusal> {
        if self.is_draining() {
            return Err(Refusal::State(
                "this daemon drains: hand the job in after its next start".to_owned(),
            ));
        }
        Ok(())
    }

    /// Lets whoever keeps the process know that it may end; called while nothing runs.
    pub(in crate::serve) fn end_if_drained(&self) {
        let end = *self.draining.lock().unwrap_or_else(PoisonError::into_inner) == Some(true);
        if end {
            self.drained.notify_one();
        }
    }

    /// Waits until the daemon was drained and is to end.
    pub async fn when_drained(&self) {
        self.drained.notified().await;
    }
}
