//! The machine: folders, keys, disk, clock, template.

use super::Finding;
use crate::files::{Disk, Files};
use crate::record::UtcTime;
use crate::release::key;
use crate::settings::Settings;
use rustix::fs::statvfs;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// Less than this is too little for a night, in bytes; a night of many channels takes some hundred megabytes.
const ROOM_MIN: u64 = 1 << 30;
/// From here on nobody has to think about it, in bytes.
const ROOM_EASY: u64 = 8 << 30;
/// Before this year no program of this kind existed; the clock was never set.
const FIRST_YEAR: i16 = 2026;
/// Where the system's time service says that it is in step.
const IN_STEP: &str = "/run/systemd/timesync/synchronized";

pub(super) fn examine(settings: &Settings) -> Vec<Finding> {
    let state = settings.state_dir();
    let mut found = vec![folder(&state), room(&state), clock(), certificates(settings)];
    found.extend(settings.release.key.as_deref().map(private_key));
    found.extend(settings.plug_in_folders.iter().map(|f| plug_ins(f)));
    found
}

/// What is stored there must survive: it is written, read back and taken away again.
fn folder(path: &Path) -> Finding {
    let what = "state folder";
    let shown = path.display();
    let probe = path.join(".doctor");
    let tried = Disk.create_dir(path).and_then(|()| Disk.write(&probe, b"calwright")).and_then(|()| {
        let read = Disk.read(&probe);
        fs::remove_file(&probe)?;
        read
    });
    match tried {
        Ok(bytes) if bytes == b"calwright" => {}
        Ok(_) => {
            let remedy = "the disk does not give back what was written; look at it before anything else";
            return Finding::wrong(what, format!("{shown}: other bytes came back"), remedy);
        }
        Err(error) => {
            let remedy = "give this user the folder, or name another one with state_dir";
            return Finding::wrong(what, format!("{shown}: {error}"), remedy);
        }
    }
    match fs::metadata(path).map(|m| m.permissions().mode()) {
        Ok(mode) if mode & 0o002 != 0 => {
            let seen = format!("{shown}: everybody may write there (mode {:o})", mode & 0o777);
            Finding::wrong(what, seen, format!("chmod o-w {shown}"))
        }
        _ => Finding::ok(what, format!("{shown}: written and read back")),
    }
}

fn room(path: &Path) -> Finding {
    let what = "room on the disk";
    match statvfs(path) {
        Ok(disk) => {
            let free = disk.f_bavail.saturating_mul(disk.f_frsize);
            let seen = format!("{:.1} GiB free at {}", free as f64 / f64::from(1 << 30), path.display());
            match free {
                _ if free < ROOM_MIN => {
                    Finding::wrong(what, seen, "make room: a run pauses when the disk is full")
                }
                _ if free < ROOM_EASY => {
                    Finding::remark(what, seen, "`check` says how much a job takes; make room in time")
                }
                _ => Finding::ok(what, seen),
            }
        }
        Err(error) => Finding::wrong(what, format!("{}: {error}", path.display()), "look at the disk"),
    }
}

fn clock() -> Finding {
    let (what, now) = ("clock", UtcTime::now());
    if now.civil().year() < FIRST_YEAR {
        let remedy = "set it: due dates of calibrations are judged by it, and certificates bear its date";
        return Finding::wrong(what, format!("it says {now}"), remedy);
    }
    if Path::new(IN_STEP).exists() {
        return Finding::ok(what, format!("{now}, kept in step by the system's time service"));
    }
    let remedy = "where no other service keeps it in step, let one: certificates bear its date";
    Finding::remark(
        what,
        format!("{now}; the system's time service does not say that it keeps it in step"),
        remedy,
    )
}

fn certificates(settings: &Settings) -> Finding {
    let what = "certificates";
    if !cfg!(feature = "certificates") {
        let remedy = "build with the feature 'certificates' where they are wanted on paper";
        return Finding::remark(what, "this program was built without PDF; XML and CSV are made", remedy);
    }
    match &settings.certificate.template {
        Some(path) => match fs::File::open(path) {
            Ok(_) => Finding::ok(what, format!("template {}", path.display())),
            Err(error) => {
                let remedy = "name a file that is there with certificate.template, or leave it out";
                Finding::wrong(what, format!("template {}: {error}", path.display()), remedy)
            }
        },
        None => Finding::ok(what, "built-in template and fonts"),
    }
}

fn private_key(path: &Path) -> Finding {
    let what = "key of releases";
    match key::PrivateKey::read(path) {
        Ok(key) => {
            Finding::ok(what, format!("{}, fingerprint {}", path.display(), key.public().fingerprint()))
        }
        Err(error) => Finding::wrong(
            what,
            error.to_string(),
            "make one with `calwright keygen`, or mend its permissions",
        ),
    }
}

/// Who may write into such a folder decides what the daemon starts.
fn plug_ins(folder: &Path) -> Finding {
    let (what, shown) = ("plug-in folder", folder.display());
    match fs::metadata(folder).map(|m| (m.is_dir(), m.permissions().mode())) {
        Ok((true, mode)) if mode & 0o022 != 0 => {
            let seen = format!("{shown}: others than its owner may write there (mode {:o})", mode & 0o777);
            Finding::wrong(what, seen, format!("chmod go-w {shown}: what lies there is started as a program"))
        }
        Ok((true, _)) => Finding::ok(what, shown.to_string()),
        Ok((false, _)) => Finding::wrong(what, format!("{shown} is no folder"), "name folders, not programs"),
        Err(error) => {
            Finding::wrong(what, format!("{shown}: {error}"), "make it, or take it out of the settings")
        }
    }
}
