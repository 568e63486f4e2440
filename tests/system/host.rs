//! Driver hosts as real processes: what the protocol's text promises, from both sides, up to what breaks.

mod built_in;
mod client;
mod python;
mod wire;

use std::path::PathBuf;
use tempfile::TempDir;
use tests::host::Notes;

/// A folder and the file in it in which the instrument notes what is done to it.
fn notes() -> (TempDir, PathBuf, Notes) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes");
    let notes = Notes::new(&path);
    (folder, path, notes)
}
