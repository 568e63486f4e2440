//! The hashes of a folder's files, and what differs from them later.

use super::record::ReleaseRecord;
use crate::hash::sha256;
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::Path;

/// Begins the names of folders that hold releases.
pub const RELEASE: &str = "release-";

/// SHA-256 of every file below a folder by its path with `/`; folders of releases at its top are left out.
///
/// # Errors
/// Of the disk; a link is an error, since what it points at may change.
pub fn of(folder: &Path) -> io::Result<BTreeMap<String, String>> {
    let mut hashes = BTreeMap::new();
    gather(folder, "", &mut hashes)?;
    Ok(hashes)
}

fn gather(folder: &Path, prefix: &str, hashes: &mut BTreeMap<String, String>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry
            .file_name()
            .into_string()
            .map_err(|name| io::Error::other(format!("{} is no text", name.display())))?;
        let kind = entry.file_type()?;
        let path = format!("{prefix}{name}");
        if kind.is_dir() {
            if !(prefix.is_empty() && name.starts_with(RELEASE)) {
                gather(&entry.path(), &format!("{path}/"), hashes)?;
            }
        } else if kind.is_file() {
            hashes.insert(path, sha256(&fs::read(entry.path())?));
        } else {
            return Err(io::Error::other(format!("{path} is neither file nor folder")));
        }
    }
    Ok(())
}

/// What is not as it was: path and words.
#[must_use]
pub fn differences(
    was: &BTreeMap<String, String>,
    is: &BTreeMap<String, String>,
) -> Vec<(String, &'static str)> {
    let lost_or_changed = was.iter().filter_map(|(path, hash)| match is.get(path) {
        None => Some((path.clone(), "is missing")),
        Some(now) if now != hash => Some((path.clone(), "was changed")),
        Some(_) => None,
    });
    let added = is.keys().filter(|path| !was.contains_key(*path)).map(|path| (path.clone(), "was added"));
    lost_or_changed.chain(added).collect()
}

/// What is not as the releases of a run say that it was, without asking for their signatures: a path and words each. Nothing
/// for a run that was not released.
///
/// # Errors
/// Of the disk.
pub fn against_releases(run: &Path) -> io::Result<Vec<(String, String)>> {
    let mut found = Vec::new();
    for n in 1.. {
        let name = format!("{RELEASE}{n}");
        let folder = run.join(&name);
        if !folder.is_dir() {
            break;
        }
        // Without a record it was broken off, and says nothing.
        let Ok(bytes) = fs::read(folder.join("release.json")) else { continue };
        let record: ReleaseRecord = match serde_json::from_slice(&bytes) {
            Ok(record) => record,
            Err(error) => {
                found.push((format!("{name}/release.json"), format!("can't be read: {error}")));
                continue;
            }
        };
        let own = |path: &str| path == "release.json" || path == "release.sig";
        for (path, how) in differences(&record.files, &of(&folder)?) {
            if !own(&path) {
                found.push((format!("{name}/{path}"), how.to_owned()));
            }
        }
        // What was put beside the records later is none of them.
        let run_files = differences(&record.run_files, &of(run)?).into_iter();
        let lost = run_files.filter(|(path, _)| record.run_files.contains_key(path));
        found.extend(lost.map(|(path, how)| (path, how.to_owned())));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_change_is_seen() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
        fs::create_dir_all(dir.path().join("raw")).unwrap();
        fs::create_dir_all(dir.path().join("release-1")).unwrap();
        ["a", "b", "raw/c", "release-1/d"].iter().for_each(|name| write(name, name));
        let was = of(dir.path()).unwrap();
        assert_eq!(was.keys().collect::<Vec<_>>(), ["a", "b", "raw/c"]);
        write("a", "x");
        fs::remove_file(dir.path().join("raw/c")).unwrap();
        write("e", "e");
        let seen = differences(&was, &of(dir.path()).unwrap());
        let seen: Vec<_> = seen.iter().map(|(path, what)| format!("{path} {what}")).collect();
        assert_eq!(seen, ["a was changed", "raw/c is missing", "e was added"]);
    }
}
