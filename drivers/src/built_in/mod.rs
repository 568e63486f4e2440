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
mod feed;
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
use plan_schema::units::Seconds;
use std::sync::Arc;

/// All drivers that are built in.
#[must_use]
pub fn all() -> Vec<Arc<dyn DriverFactory>> {
    vec![
        Arc::new(scpi::source::Factory),
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
