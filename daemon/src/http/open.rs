//! Opening and closing the doors.

use super::failures::Failures;
use super::house::{Counts, Shared};
use super::listen::Door;
use super::peer::MachineUsers;
use super::router::router;
use super::sessions::Sessions;
use super::settings::{DoorSettings, Limits};
use super::tls;
use super::tokens::Tokens;
use super::zone::Zone;
use crate::serve::desk::Desk;
use crate::serve::kept::Kept;
use std::fmt;
use std::fs;
use std::io;
use std::net::SocketAddr;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

/// Why a door can't be opened.
#[derive(Debug)]
pub enum DoorError {
    /// The settings can't be used, or a file that they name.
    Settings(String),
    /// A socket or port can't be taken.
    Taken(String, io::Error),
}

impl fmt::Display for DoorError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Settings(why) => f.write_str(why),
            Self::Taken(what, error) => write!(f, "{what} can't be opened: {error}"),
        }
    }
}

impl std::error::Error for DoorError {}

/// Doors that are open. They close when this is dropped, at once; [`Doors::close`] lets answers out first.
pub struct Doors {
    socket: PathBuf,
    address: Option<SocketAddr>,
    tls: bool,
    closing: watch::Sender<bool>,
    serving: JoinSet<()>,
}

/// Opens the doors. `state` is the folder of what has no place of its own in the settings.
///
/// # Errors
/// See [`DoorError`]; then no door is open.
pub async fn open(desk: Arc<dyn Desk>, settings: &DoorSettings, state: &Path) -> Result<Doors, DoorError> {
    open_with(desk, settings, state, Limits::default()).await
}

/// Opens the doors with other limits than the usual ones.
///
/// # Errors
/// As [`open`].
pub async fn open_with(
    desk: Arc<dyn Desk>,
    settings: &DoorSettings,
    state: &Path,
    limits: Limits,
) -> Result<Doors, DoorError> {
    let Guards { tokens, acceptor, zone, users } = guards(settings, state)?;
    let mut names = settings.names.clone();
    names.push(match settings.listen.ip() {
        std::net::IpAddr::V4(ip) => ip.to_string(),
        std::net::IpAddr::V6(ip) => format!("[{ip}]"),
    });
    let (closing, when_closing) = watch::channel(false);
    let shared = Arc::new(Shared {
        desk,
        users,
        tokens,
        sessions: Sessions::default(),
        failures: Failures::new(limits.failures),
        names,
        tls: acceptor.is_some(),
        look_without_identity: settings.look_without_identity,
        arm_over_port: settings.arm_over_port,
        zone,
        drawn: Kept::new(32, Duration::from_secs(2)),
        downloads: Arc::new(Semaphore::new(limits.downloads)),
        limits,
        counts: Counts::default(),
        closing: when_closing,
    });
    let port = match settings.port_open {
        true => Some(
            TcpListener::bind(settings.listen)
                .await
                .map_err(|e| DoorError::Taken(format!("port {}", settings.listen), e))?,
        ),
        false => None,
    };
    let address = port.as_ref().and_then(|port| port.local_addr().ok());
    let path = socket_of(settings, state);
    let socket = bind_socket(&path, !settings.people.is_empty())
        .map_err(|e| DoorError::Taken(format!("socket {}", path.display()), e))?;
    let router = router(shared.clone());
    let mut serving = JoinSet::new();
    serving.spawn(Door::Socket(socket).serve(router.clone(), shared.clone()));
    let is_tls = acceptor.is_some();
    if let Some(port) = port {
        serving.spawn(Door::Port(port, acceptor).serve(router, shared));
    }
    Ok(Doors { socket: path, address, tls: is_tls, closing, serving })
}

/// What stands at the doors before they are opened.
struct Guards {
    tokens: Tokens,
    acceptor: Option<TlsAcceptor>,
    zone: Zone,
    users: MachineUsers,
}

/// Reads everything that the settings name, and looks whether it goes together. Opens nothing.
fn guards(settings: &DoorSettings, state: &Path) -> Result<Guards, DoorError> {
    let tokens =
        Tokens::open(&tokens_of(settings, state)).map_err(|error| DoorError::Settings(error.to_string()))?;
    let acceptor = match (&settings.certificate, &settings.key) {
        (Some(certificate), Some(key)) => Some(tls::acceptor(certificate, key)?),
        (None, None) => None,
        _ => return Err(DoorError::Settings("TLS needs both: certificate and key".to_owned())),
    };
    beyond_loopback(settings, acceptor.is_some(), &tokens)?;
    let zone = Zone::named(settings.zone.as_deref()).map_err(DoorError::Settings)?;
    let own = rustix::process::geteuid().as_raw();
    let passwd = fs::read_to_string("/etc/passwd").unwrap_or_default();
    let users = MachineUsers::of(&settings.people, own, &passwd).map_err(DoorError::Settings)?;
    Ok(Guards { tokens, acceptor, zone, users })
}

/// Whether doors can be opened with these settings, as far as that can be seen without opening one.
///
/// # Errors
/// As [`open`].
pub fn examine(settings: &DoorSettings, state: &Path) -> Result<(), DoorError> {
    guards(settings, state).map(|_| ())
}

/// Where the hashes of tokens are kept; `state` as in [`socket_of`].
#[must_use]
pub fn tokens_of(settings: &DoorSettings, state: &Path) -> PathBuf {
    settings.tokens.clone().unwrap_or_else(|| state.join("tokens.toml"))
}

/// Where the socket is. `state` is the folder of what has no place of its own in the settings.
#[must_use]
pub fn socket_of(settings: &DoorSettings, state: &Path) -> PathBuf {
    settings.socket.clone().unwrap_or_else(|| state.join("calwright.sock"))
}

/// Beyond loopback there has to be TLS, and somebody who can come in.
fn beyond_loopback(settings: &DoorSettings, tls: bool, tokens: &Tokens) -> Result<(), DoorError> {
    if !settings.port_open || settings.listen.ip().is_loopback() {
        return Ok(());
    }
    let refuse = |missing: &str| {
        Err(DoorError::Settings(format!(
            "listen = \"{}\" is open to other machines, and {missing}; listen on 127.0.0.1, or mend that",
            settings.listen
        )))
    };
    if !tls {
        return refuse("certificate and key for TLS are not set");
    }
    if tokens.is_empty() {
        return refuse("there is no token yet ('calwright token add')");
    }
    Ok(())
}

/// Takes the place of a socket that nobody listens on any more. Where others than the daemon's user may come in, everybody may
/// connect: who is who the operating system says.
fn bind_socket(path: &Path, for_others: bool) -> io::Result<UnixListener> {
    if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        fs::create_dir_all(folder)?;
    }
    match fs::symlink_metadata(path) {
        Ok(found) if !found.file_type().is_socket() => {
            return Err(io::Error::new(
                io::ErrorKind::AlreadyExists,
                "something that is no socket lies there",
            ));
        }
        Ok(_) if UnixStream::connect(path).is_ok() => {
            return Err(io::Error::new(io::ErrorKind::AddrInUse, "a daemon listens there already"));
        }
        Ok(_) => fs::remove_file(path)?,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error),
    }
    let listener = UnixListener::bind(path)?;
    let mode = if for_others { 0o666 } else { 0o600 };
    fs::set_permissions(path, fs::Permissions::from_mode(mode))?;
    Ok(listener)
}

impl Doors {
    /// Where the socket is.
    #[must_use]
    pub fn socket(&self) -> &Path {
        &self.socket
    }

    /// Where page and API are, if there is a port.
    #[must_use]
    pub fn url(&self) -> Option<String> {
        let scheme = if self.tls { "https" } else { "http" };
        self.address.map(|address| format!("{scheme}://{address}/"))
    }

    /// Lets nobody in any more, ends event streams, lets answers out, and takes the socket away.
    pub async fn close(mut self) {
        // Nobody listens where everything has ended already.
        let _ = self.closing.send(true);
        while self.serving.join_next().await.is_some() {}
        let _ = fs::remove_file(&self.socket);
    }
}
