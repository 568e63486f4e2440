//! What a person does at the command line, entered into the audit of the daemon that keeps the same rig, where there is one.

use super::{Context, keeping, say};
use crate::record::UtcTime;
use crate::serve::house::DATABASE;
use crate::serve::store::Said;
use crate::serve::words::{Person, Way};
use std::collections::BTreeSet;

/// Enters it. Nothing is undone or refused where that can't be: what was done to the rig stands, and is told to the person.
pub(super) fn note(context: &Context, name: Option<&str>, what: &'static str, detail: &str) {
    if !context.settings.data_dir().join(DATABASE).is_file() {
        return;
    }
    let who = name.map(|name| Person { name: name.to_owned(), roles: BTreeSet::new(), way: Way::Socket });
    let said = Said { at: UtcTime::now(), who: who.as_ref(), what, detail };
    let done = keeping::waited(async {
        let store = keeping::opened(context).await?;
        let done = store.audit(&said).await;
        store.close().await;
        done.map_err(|e| keeping::failed(&e))
    });
    if done.is_err() {
        say::error(&format!("warning: '{what}' is done, and could not be entered into the daemon's audit"));
    }
}
