//! Drivers that are built in: instruments over TCP, serial lines, USB and Modbus, configured wholly in the rig file.
//!
//! Owns: one folder a family, and the list of them all. Each driver reads its settings through [`settings`] and speaks
//! through [`link`]. Must not: know a maker's instrument; what differs between instruments is a setting.
//!
//! # What they all keep
//! - Every call ends within the time-outs of its link. A question that was not answered may be asked again, as often as
//!   the settings say; a setting never is.
//! - An answer that comes too late is never taken for the answer to the next question: the link is opened anew first.
//! - After a link was opened anew the same instrument has to answer, and it does not drive again before it was made safe.
//! - Opening asks and reads; it changes nothing at an output.

mod ambient;
pub mod feed;
pub mod link;
pub mod manual;
pub mod modbus;
pub mod scpi;
pub mod settings;
pub mod stream;
pub mod text;

use crate::error::DriverError;
use crate::registry::DriverFactory;
use crate::safe::{Identity, Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use link::Link;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::Arc;

/// All drivers that are built in.
#[must_use]
pub fn all() -> Vec<Arc<dyn DriverFactory>> {
    vec![
        Arc::new(scpi::source::Factory),
        Arc::new(scpi::acquisition::Factory),
        Arc::new(stream::acquisition::Factory),
        Arc::new(modbus::amplifier::Factory),
        Arc::new(modbus::contacts::Factory),
        Arc::new(modbus::ambient::Factory),
        Arc::new(text::amplifier::Factory),
        Arc::new(text::contacts::Factory),
        Arc::new(text::ambient::Factory),
        Arc::new(manual::amplifier::Factory),
        Arc::new(manual::ambient::Factory),
    ]
}

/// How an instrument is reached; `None` where its settings name no link, or none that can be read.
#[must_use]
pub fn link_of(instrument: &Instrument) -> Option<Link> {
    let settings = &instrument.settings.0;
    let link = settings.get("link").or_else(|| settings.get("relay")?.get("link"))?;
    let mut only = instrument.clone();
    only.settings.0 = serde_json::Map::from_iter([("link".to_owned(), link.clone())]);
    settings::read::<Reached>(&only).ok().map(|r| r.link)
}

/// Gives an instrument another address: a path is a serial line, anything else host and port. One without a link stays as it
/// is.
pub fn readdress(instrument: &mut Instrument, address: &str) {
    let settings = &mut instrument.settings.0;
    let holder = if settings.contains_key("link") {
        Some(settings)
    } else {
        settings.get_mut("relay").and_then(|r| r.as_object_mut())
    };
    let Some(link) = holder.and_then(|h| h.get_mut("link")).and_then(|l| l.as_object_mut()) else {
        return;
    };
    for way in ["tcp", "serial", "usbtmc"] {
        link.remove(way);
    }
    let way = if address.starts_with('/') { "serial" } else { "tcp" };
    link.insert(way.to_owned(), serde_json::Value::from(address));
}

written_table! {
    /// The link of an instrument, whatever else its settings hold.
    pub struct Reached {
        /// How it is reached.
        pub link: Link,
    }
}

/// An open instrument without a role yet.
fn opened(identity: Identity, safe: Arc<dyn SafeHandle>, safe_within: Seconds) -> Opened {
    Opened {
        identity,
        source: None,
        amplifier: None,
        acquisition: None,
        ambient: None,
        contacts: None,
        safe,
        safe_within,
    }
}

/// Makes safe what can't move anything.
struct Harmless;

#[async_trait]
impl SafeHandle for Harmless {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        Ok(SafeProof::default())
    }
}
