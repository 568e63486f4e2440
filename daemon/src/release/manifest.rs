//! The hashes of a folder's files, and what differs from them later.

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
