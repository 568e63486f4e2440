//! Settings of the doors: where the daemon listens, and who may come in.
//!
//! Owns their shape and defaults. Must not open anything.

use crate::serve::words::Role;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// The customary port; any other does as well.
const PORT: u16 = 7421;

/// Where the daemon listens, and who may come in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DoorSettings {
    /// The socket by which programs of this machine reach the daemon; null for `calwright.sock` in the state folder.
    pub socket: Option<PathBuf>,
    /// Users of this machine who may use the socket. The daemon's own user and root may do everything.
    pub people: Vec<MachineUser>,
    /// Address and port of page and API, such as "127.0.0.1:7421"; port 0 takes any. Beyond loopback only with
    /// certificate, key and tokens.
    #[schemars(with = "String")]
    pub listen: SocketAddr,
    /// Whether there is a port at all.
    pub port_open: bool,
    /// Names by which browsers reach the port, besides those of loopback: what another name asks for is refused.
    pub names: Vec<String>,
    /// The certificate's file for TLS: PEM, the chain after it.
    pub certificate: Option<PathBuf>,
    /// The file of its private key: PEM, readable by nobody else.
    pub key: Option<PathBuf>,
    /// The file of tokens; null for `tokens.toml` in the state folder.
    pub tokens: Option<PathBuf>,
    /// The laboratory's zone of time, in which the page shows what is stored in UTC, such as "Europe/Berlin"; null for UTC.
    pub zone: Option<String>,
    /// Whether page and API may be looked at without saying who looks, such as by a screen on the wall. Changes need an
    /// identity all the same.
    pub look_without_identity: bool,
    /// Whether leave to move may be given and trips acknowledged over the port, not only at the machine. Say yes only where
    /// whoever can reach the port has the rig in view.
    pub arm_over_port: bool,
}

/// A user of this machine who may use the socket.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MachineUser {
    /// The user's name at login, or the number of the user.
    pub user: String,
    /// The name that goes into the records; null for the name at login.
    #[serde(default)]
    pub name: Option<String>,
    /// What this person may do.
    #[schemars(with = "BTreeSet<String>")]
    pub roles: BTreeSet<Role>,
}

impl Default for DoorSettings {
    fn default() -> Self {
        Self {
            socket: None,
            people: Vec::new(),
            listen: SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), PORT),
            port_open: true,
            names: Vec::new(),
            certificate: None,
            key: None,
            tokens: None,
            zone: None,
            look_without_identity: false,
            arm_over_port: false,
        }
    }
}

/// What a daemon bears, so that no client can take it from the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Largest body of a request, bytes: jobs with their files are text.
    pub body: usize,
    /// Longest time until a request is answered, event streams apart, seconds.
    pub answer_s: u64,
    /// Longest time until a request's head has come, seconds.
    pub head_s: u64,
    /// Longest time in which a client takes nothing of its answer, seconds.
    pub write_s: u64,
    /// Connections at once, a door.
    pub connections: usize,
    /// Connections at once of one address: more than streams, and fewer than a door has.
    pub an_address: usize,
    /// Files on their way at once; who asks for one more waits.
    pub downloads: usize,
    /// Event streams at once, all doors together: fewer than connections, so that `stop` always gets through.
    pub streams: usize,
    /// Failed tries to say who one is, an address a minute.
    pub failures: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            body: 4 << 20,
            answer_s: 60,
            head_s: 10,
            write_s: 30,
            connections: 512,
            an_address: 400,
            downloads: 32,
            streams: 384,
            failures: 10,
        }
    }
}
