//! What all requests share: the desk, who may come in, and the counts of what came.
//!
//! Owns no state of the house behind the desk.

use super::failures::Failures;
use super::peer::{MachineUsers, Peer};
use super::sessions::Sessions;
use super::settings::Limits;
use super::tokens::{Token, Tokens};
use super::zone::Zone;
use crate::serve::desk::Desk;
use crate::serve::kept::Kept;
use crate::serve::words::Person;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize};
use tokio::sync::{Semaphore, watch};

/// What all requests share.
pub struct Shared {
    /// The desk.
    pub desk: Arc<dyn Desk>,
    /// Users of this machine.
    pub users: MachineUsers,
    /// Tokens.
    pub tokens: Tokens,
    /// Logins on the page.
    pub sessions: Sessions,
    /// Failed tries.
    pub failures: Failures,
    /// Names by which the port may be asked for, without port numbers.
    pub names: Vec<String>,
    /// Whether the port speaks TLS.
    pub tls: bool,
    /// Whether one may look without an identity.
    pub look_without_identity: bool,
    /// Whether arming and acknowledging are allowed over the port.
    pub arm_over_port: bool,
    /// The zone in which times are shown.
    pub zone: Zone,
    /// Parts of pages that were drawn a moment ago.
    pub drawn: Kept<String>,
    /// What is borne at most.
    pub limits: Limits,
    /// Leave to send a file.
    pub downloads: Arc<Semaphore>,
    /// Counts.
    pub counts: Counts,
    /// Becomes true when the doors close.
    pub closing: watch::Receiver<bool>,
}

/// What came since the start.
#[derive(Debug, Default)]
pub struct Counts {
    /// Requests answered, by the hundreds of their status: 1xx to 5xx.
    pub answers: [AtomicU64; 5],
    /// Connections that were refused since there were too many.
    pub refused: AtomicU64,
    /// Connections that are open.
    pub connections: AtomicUsize,
    /// Event streams that are open.
    pub streams: AtomicUsize,
    /// Failed tries to say who one is.
    pub failures: AtomicU64,
}

impl Shared {
    /// Waits until the doors close, or whoever opened them is gone.
    pub async fn when_closing(&self) {
        let _ = self.closing.clone().wait_for(|closing| *closing).await;
    }

    /// The person that a token is of, by the way of this peer.
    #[must_use]
    pub fn person_of(&self, token: Token, peer: Peer) -> Person {
        Person { name: token.name, roles: token.roles, way: peer.way() }
    }
}
