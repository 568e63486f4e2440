//! A run directory as files: names, bytes, JSON. Knows nothing of how they came to be.

use anyhow::{Context, Result};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// A run directory.
#[derive(Debug, Clone)]
pub struct RunDir {
    path: PathBuf,
}

impl RunDir {
    /// The one at a path.
    #[must_use]
    pub fn new(path: PathBuf) -> Self {
        Self { path }
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Every file's name, relative and with `/`, and its bytes.
    ///
    /// # Errors
    /// Of the disk.
    pub fn files(&self) -> Result<BTreeMap<String, Vec<u8>>> {
        let mut files = BTreeMap::new();
        collect(&self.path, "", &mut files)?;
        Ok(files)
    }

    /// Bytes of a file.
    ///
    /// # Errors
    /// Of the disk.
    pub fn bytes(&self, name: &str) -> Result<Vec<u8>> {
        fs::read(self.path.join(name)).with_context(|| format!("{name} can't be read"))
    }

    /// Writes bytes in a file's place.
    ///
    /// # Errors
    /// Of the disk.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<()> {
        fs::write(self.path.join(name), bytes).with_context(|| format!("{name} can't be written"))
    }

    /// A file of JSON.
    ///
    /// # Errors
    /// If it is missing or no JSON.
    pub fn json(&self, name: &str) -> Result<Value> {
        serde_json::from_slice(&self.bytes(name)?).with_context(|| format!("{name} is no JSON"))
    }

    /// The lines of the journal.
    ///
    /// # Errors
    /// If one of them is no JSON.
    pub fn journal(&self) -> Result<Vec<Value>> {
        let bytes = self.bytes("journal.jsonl")?;
        let lines = bytes.split_inclusive(|b| *b == b'\n');
        lines.map(|line| serde_json::from_slice(line).context("a line of the journal is no JSON")).collect()
    }

    /// Entries of the journal of one kind: their bodies.
    ///
    /// # Errors
    /// As [`Self::journal`].
    pub fn entries(&self, kind: &str) -> Result<Vec<Value>> {
        let journal = self.journal()?;
        Ok(journal.into_iter().filter(|e| e["kind"] == kind).map(|e| e["body"].clone()).collect())
    }

    /// Names of files that are not the same here and there.
    ///
    /// # Errors
    /// Of the disk.
    pub fn differences(&self, other: &Self) -> Result<Vec<String>> {
        let (mine, theirs) = (self.files()?, other.files()?);
        let mut names: Vec<String> = mine.keys().chain(theirs.keys()).cloned().collect();
        names.sort();
        names.dedup();
        names.retain(|name| mine.get(name) != theirs.get(name));
        Ok(names)
    }
}

fn collect(folder: &Path, prefix: &str, files: &mut BTreeMap<String, Vec<u8>>) -> Result<()> {
    for entry in fs::read_dir(folder).with_context(|| format!("{} can't be read", folder.display()))? {
        let entry = entry?;
        let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
        if entry.file_type()?.is_dir() {
            collect(&entry.path(), &format!("{name}/"), files)?;
        } else {
            files.insert(name, fs::read(entry.path())?);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn differences_are_found_both_ways() {
        let dir = tempfile::tempdir().unwrap();
        let make = |name: &str, files: &[(&str, &str)]| {
            let path = dir.path().join(name);
            fs::create_dir_all(path.join("raw")).unwrap();
            files.iter().for_each(|(n, text)| fs::write(path.join(n), text).unwrap());
            RunDir::new(path)
        };
        let a = make("a", &[("x", "1"), ("raw/y", "2"), ("raw/only-a", "")]);
        let b = make("b", &[("x", "1"), ("raw/y", "3"), ("only-b", "")]);
        assert_eq!(a.differences(&b).unwrap(), ["only-b", "raw/only-a", "raw/y"]);
        assert!(a.differences(&a.clone()).unwrap().is_empty());
    }
}
