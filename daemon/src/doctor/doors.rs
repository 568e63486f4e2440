//! The daemon's doors and its outbox: files that they need, socket and port. Nothing is opened for others, and nobody is told.

use super::Finding;
use crate::http;
use crate::serve::outbox;
use crate::settings::Settings;
use std::io;
use std::net::TcpListener;
use std::os::unix::net::UnixStream;
use std::path::Path;

pub(super) fn examine(settings: &Settings) -> Vec<Finding> {
    let state = settings.state_dir();
    let mut found = vec![guards(settings, &state)];
    let socket = http::socket_of(&settings.doors, &state);
    let runs = UnixStream::connect(&socket).is_ok();
    found.push(socket_place(&socket, runs));
    found.extend(settings.doors.port_open.then(|| port(settings, runs)));
    if !settings.outbox.receivers.is_empty() {
        found.push(receivers(settings));
    }
    found
}

/// Tokens, certificate, key, zone and people.
fn guards(settings: &Settings, state: &Path) -> Finding {
    let what = "who may come in";
    match http::examine(&settings.doors, state) {
        Ok(()) if settings.doors.certificate.is_some() => {
            Finding::ok(what, "tokens, certificate and key can be read, by nobody else")
        }
        Ok(()) => {
            Finding::ok(what, "tokens can be read, by nobody else; no TLS, which loopback does not need")
        }
        Err(error) => Finding::wrong(what, error.to_string(), "mend what [doors] names, or its permissions"),
    }
}

/// Longest path of a socket, without the zero behind it (unix(7)).
const SOCKET_PATH_MAX: usize = 107;

fn socket_place(path: &Path, runs: bool) -> Finding {
    let (what, shown) = ("socket", path.display());
    if runs {
        return Finding::ok(what, format!("{shown}: a daemon listens there"));
    }
    let length = path.as_os_str().len();
    if length > SOCKET_PATH_MAX {
        let seen = format!("{shown}: {length} bytes long, and a socket's path has {SOCKET_PATH_MAX} at most");
        return Finding::wrong(what, seen, "name a shorter one with doors.socket");
    }
    Finding::ok(what, format!("{shown}: nobody listens there yet"))
}

/// The port is taken and given back at once: nobody can have come in meanwhile who would be missed.
fn port(settings: &Settings, runs: bool) -> Finding {
    let (what, listen) = ("port", settings.doors.listen);
    match TcpListener::bind(listen) {
        Ok(_) => Finding::ok(what, format!("{listen} is free")),
        Err(error) if error.kind() == io::ErrorKind::AddrInUse && runs => {
            Finding::ok(what, format!("{listen} is taken, and the daemon runs"))
        }
        Err(error) if error.kind() == io::ErrorKind::AddrInUse => {
            let remedy = "end the other program, or name another port with doors.listen";
            Finding::wrong(what, format!("{listen} is taken by another program"), remedy)
        }
        Err(error) => {
            let remedy = "name an address of this machine and a port from 1024 on with doors.listen";
            Finding::wrong(what, format!("{listen}: {error}"), remedy)
        }
    }
}

fn receivers(settings: &Settings) -> Finding {
    let what = "receivers of notices";
    match outbox::examine(&settings.outbox) {
        Ok(()) => {
            let count = settings.outbox.receivers.len();
            Finding::ok(what, format!("{count}; not asked, since a notice would be taken for true"))
        }
        Err(error) => {
            Finding::wrong(what, error.to_string(), "mend [outbox], or the permissions of its token")
        }
    }
}
