//! The machine: folders, keys, disk, clock, template, log.

use super::Finding;
use crate::files::{Disk, Files};
use crate::log::LogFiles;
use crate::record::UtcTime;
use crate::release::key;
use crate::settings::Settings;
use rustix::fs::{Access, statvfs};
use std::fs;
use std::io;
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

/// What to do about a folder that no log can be written to.
const NAME_ANOTHER_LOG: &str = "give the daemon's user the folder, name another one with log_files.folder, or leave that out for the journal";

pub(super) fn examine(settings: &Settings) -> Vec<Finding> {
    let state = settings.state_dir();
    let mut found = vec![folder(&state), room(&state), clock(), certificates(settings)];
    found.extend(settings.release.key.as_deref().map(private_key));
    found.extend(settings.plug_in_folders.iter().map(|f| plug_ins(f)));
    found.extend(settings.log_files.folder.as_deref().map(|folder| log(folder, &settings.log_files)));
    found
}

/// Whether the log's folder takes lines, is nobody's to write to, and has the room that the settings give it.
fn log(path: &Path, settings: &LogFiles) -> Finding {
    let (what, shown) = ("log folder", path.display());
    let known = match fs::metadata(path) {
        Ok(known) => known,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let remedy = "nothing, where the daemon's user may make it; else make it for that user";
            return Finding::remark(what, format!("{shown}: not there yet; the daemon makes it"), remedy);
        }
        Err(error) => return Finding::wrong(what, format!("{shown}: {error}"), NAME_ANOTHER_LOG),
    };
    if !known.is_dir() {
        return Finding::wrong(what, format!("{shown} is no folder"), NAME_ANOTHER_LOG);
    }
    if known.permissions().mode() & 0o002 != 0 {
        let seen =
            format!("{shown}: everybody may write there (mode {:o})", known.permissions().mode() & 0o777);
        return Finding::wrong(what, seen, format!("chmod o-w {shown}"));
    }
    if let Err(error) = rustix::fs::access(path, Access::WRITE_OK | Access::EXEC_OK) {
        return Finding::wrong(
            what,
            format!("{shown}: this user can't write there: {error}"),
            NAME_ANOTHER_LOG,
        );
    }
    let taken = taken(path);
    let more = settings.bytes_max().saturating_sub(taken);
    let mib = |bytes: u64| bytes as f64 / f64::from(1 << 20);
    let seen = format!("{shown}: {:.1} MiB, and {:.1} MiB more at most", mib(taken), mib(more));
    match free(path) {
        Ok(free) if free < more.saturating_add(ROOM_MIN) => {
            let remedy = "make room, or lower log_files.files_kept or log_files.file_mib_max";
            Finding::remark(what, format!("{seen}, of {:.1} MiB free", mib(free)), remedy)
        }
        Ok(_) => Finding::ok(what, seen),
        Err(error) => Finding::wrong(what, format!("{shown}: {error}"), "look at the disk"),
    }
}

/// What the files of a folder take, in bytes.
fn taken(folder: &Path) -> u64 {
    let files = fs::read_dir(folder).into_iter().flatten().flatten();
    files
        .filter_map(|entry| entry.metadata().ok())
        .filter(|known| known.is_file())
        .map(|known| known.len())
        .sum()
}

/// Bytes that this user may still write.
fn free(path: &Path) -> rustix::io::Result<u64> {
    statvfs(path).map(|disk| disk.f_bavail.saturating_mul(disk.f_frsize))
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
    match free(path) {
        Ok(free) => {
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
    if let Some(folder) = &settings.certificate.fonts
        && fonts_in(folder) == 0
    {
        let seen = format!("{}: no font in it (.ttf, .otf, .ttc or .otc)", folder.display());
        return Finding::wrong(
            what,
            seen,
            "name the folder of font files with certificate.fonts, or leave it out",
        );
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

/// How many files of a folder are named as fonts are.
fn fonts_in(folder: &Path) -> usize {
    let named = |path: &Path| {
        let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
        matches!(ending.as_deref(), Some("ttf" | "otf" | "ttc" | "otc"))
    };
    fs::read_dir(folder).into_iter().flatten().flatten().filter(|entry| named(&entry.path())).count()
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
