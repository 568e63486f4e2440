//! A rig: whether this user could reach its instruments, and what its latch says. Nothing is opened.

use super::{Finding, State};
use crate::files::Disk;
use crate::record::UtcTime;
use crate::settings::Settings;
use crate::station::latch::{Latch, LatchFile};
use crate::wiring;
use drivers::built_in::link_of;
use drivers::client::Program;
use plan_schema::rig::{Instrument, Rig};
use rustix::fs::{Access, access};
use std::net::ToSocketAddrs;
use std::path::Path;

pub(super) fn examine(settings: &Settings, rig: &Rig) -> Vec<Finding> {
    let mut found = vec![latch(settings, rig)];
    found.extend(rig.instruments.iter().map(|i| instrument(settings, rig, i)));
    found
}

fn latch(settings: &Settings, rig: &Rig) -> Finding {
    let what = format!("rig '{}'", rig.name);
    let simulated = rig.instruments.iter().all(|i| i.driver == wiring::SIMULATED);
    let place = LatchFile::of(&settings.state_dir(), &rig.name, simulated);
    if place.is_locked() {
        return Finding::ok(what, "a run goes on, or somebody gives leave");
    }
    match place.read(&Disk, UtcTime::now().timestamp()) {
        Latch::Clear { .. } => Finding::ok(what, "its latch is clear"),
        Latch::Tripped { reason, message, .. } => {
            let remedy = "look at rig and amplifier, then `calwright acknowledge`";
            Finding::remark(what, format!("tripped ({reason}): {message}"), remedy)
        }
        Latch::MayBeMoving { run, .. } => {
            let seen = format!("run {run} was cut off while the armature may have been moving");
            Finding::remark(what, seen, "look at rig and amplifier, then `calwright acknowledge`")
        }
    }
}

fn instrument(settings: &Settings, rig: &Rig, one: &Instrument) -> Finding {
    let what = format!("rig '{}', instrument '{}'", rig.name, one.name);
    if let Some(program) = one.settings.0.get("program").and_then(|p| p.as_str()) {
        return match Program::plug_in(program, &settings.plug_in_folders) {
            Ok(_) => Finding::ok(what, format!("plug-in {program} can be started")),
            Err(error) => Finding::wrong(what, error.to_string(), "mend folder, name or permissions"),
        };
    }
    if wiring::built_in().iter().all(|f| f.kind() != one.driver) {
        return Finding::wrong(
            what,
            format!("there is no driver '{}'", one.driver),
            "see `calwright drivers`",
        );
    }
    let Some(link) = link_of(one) else {
        return Finding::ok(what, format!("{}: no link to look at", one.driver));
    };
    match (&link.tcp, link.serial.as_ref().or(link.usbtmc.as_ref())) {
        (Some(address), _) => host(what, address),
        (None, Some(path)) => match device(what, Path::new(path)) {
            found if found.state == State::Ok && link.usbtmc.is_some() => {
                let seen = format!("{}; a transfer that is not ended keeps it for up to 5 s", found.seen);
                Finding::remark(found.what, seen, "see to it that a way to stop the armature goes without it")
            }
            found => found,
        },
        (None, None) => Finding::ok(what, "no link to look at"),
    }
}

/// A host's name is looked up; nothing is connected.
fn host(what: String, address: &str) -> Finding {
    match address.to_socket_addrs().map(|mut found| found.next()) {
        Ok(Some(at)) => {
            Finding::ok(what, format!("{address} is {at}; not connected, `drivers conform` does that"))
        }
        Ok(None) => Finding::wrong(what, format!("{address} has no address"), "write the address in numbers"),
        Err(error) => {
            let remedy = "write the address in numbers, or look at the network's names";
            Finding::wrong(what, format!("{address}: {error}"), remedy)
        }
    }
}

fn device(what: String, path: &Path) -> Finding {
    let shown = path.display();
    if let Err(error) = access(path, Access::READ_OK | Access::WRITE_OK) {
        let remedy = if path.exists() {
            "let this user read and write it: group dialout, or a udev rule such as in 60-calwright.rules"
        } else {
            "plug the adapter in, or write the path by which it is found (/dev/serial/by-id)"
        };
        return Finding::wrong(what, format!("{shown}: {error}"), remedy);
    }
    // Not by component, as `Path::starts_with` compares: what follows is a number.
    let numbered = ["/dev/ttyUSB", "/dev/ttyACM", "/dev/usbtmc"];
    if path.to_str().is_some_and(|own| numbered.iter().any(|n| own.starts_with(n))) {
        let remedy =
            "name it by /dev/serial/by-id or a udev rule: the number changes with the order of plugging in";
        return Finding::remark(
            what,
            format!("{shown}: there, but this name may move to another adapter"),
            remedy,
        );
    }
    Finding::ok(what, format!("{shown}: there, may be read and written"))
}
