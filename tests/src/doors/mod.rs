//! The doors of the daemon with a house behind them that is none: for checks of what comes in and goes out over HTTP.
//!
//! Owns the desk that plays a house ([`desk`]), opening the doors before it, and a small client that says exactly what it is told to.

pub mod ask;
pub mod desk;
pub mod played;

pub use ask::{Answer, Ask};
pub use desk::PlayDesk;

use anyhow::{Context, Result};
use calwright::http::{self, DoorSettings, Doors, Limits, tokens};
use calwright::record::UtcTime;
use calwright::serve::words::Role;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use tempfile::TempDir;
use tokio::runtime::Runtime;

/// Doors that are open, and a token for each role.
pub struct House {
    /// What was asked of it is counted here.
    pub desk: Arc<PlayDesk>,
    tokens: BTreeMap<&'static str, String>,
    doors: Option<Doors>,
    runtime: Runtime,
    folder: TempDir,
}

/// A token each: by name, and with which role.
const TOKENS: [(&str, Role); 5] = [
    ("viewer", Role::Viewer),
    ("stopper", Role::Stopper),
    ("operator", Role::Operator),
    ("approver", Role::Approver),
    ("admin", Role::Admin),
];

impl House {
    /// Opens the doors on any port before this desk.
    ///
    /// # Errors
    /// If they can't be opened.
    pub fn open(desk: PlayDesk, settings: impl FnOnce(&mut DoorSettings)) -> Result<Self> {
        Self::open_with(desk, settings, Limits::default())
    }

    /// Opens them with other limits.
    ///
    /// # Errors
    /// If they can't be opened.
    pub fn open_with(
        desk: PlayDesk,
        settings: impl FnOnce(&mut DoorSettings),
        limits: Limits,
    ) -> Result<Self> {
        let folder = tempfile::tempdir()?;
        let mut made = BTreeMap::new();
        for (name, role) in TOKENS {
            let path = folder.path().join("tokens.toml");
            made.insert(name, tokens::add(&path, &format!("A. {name}"), [role].into(), UtcTime::now())?);
        }
        let mut asked = DoorSettings { listen: ([127, 0, 0, 1], 0).into(), ..DoorSettings::default() };
        settings(&mut asked);
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
        let desk = Arc::new(desk);
        let doors = runtime.block_on(http::open_with(desk.clone(), &asked, folder.path(), limits))?;
        Ok(Self { desk, tokens: made, doors: Some(doors), runtime, folder })
    }

    /// Where page and API are, without a slash at the end.
    ///
    /// # Errors
    /// If there is no port.
    pub fn url(&self) -> Result<String> {
        let url = self.doors.as_ref().and_then(Doors::url).context("there is no port")?;
        Ok(url.trim_end_matches('/').to_owned())
    }

    /// A token with this role.
    #[must_use]
    pub fn token(&self, role: &str) -> &str {
        self.tokens.get(role).map_or("", String::as_str)
    }

    /// The folder of state.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// The runtime behind the doors.
    #[must_use]
    pub fn runtime(&self) -> &Runtime {
        &self.runtime
    }

    /// A question to the port.
    ///
    /// # Errors
    /// If there is no port.
    pub fn ask(&self, method: &str, path: &str) -> Result<Ask> {
        let url = self.url()?;
        let address = url.trim_start_matches("http://").to_owned();
        Ok(Ask::port(&address, method, path))
    }

    /// A question over the socket.
    #[must_use]
    pub fn ask_socket(&self, method: &str, path: &str) -> Ask {
        let socket = self.doors.as_ref().map_or(Path::new(""), Doors::socket);
        Ask::socket(socket, method, path)
    }

    /// Closes the doors.
    pub fn close(&mut self) {
        if let Some(doors) = self.doors.take() {
            self.runtime.block_on(doors.close());
        }
    }
}

impl Drop for House {
    fn drop(&mut self) {
        self.close();
    }
}
