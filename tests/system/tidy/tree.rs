//! The files of the house, as they would be handed on: without what is built, run or hidden from version control.

use std::fs;
use std::path::Path;
use tests::program::root;

/// A file: its path from the root with `/`, and its text; `None` where it is no text.
pub(super) struct Text {
    pub(super) path: String,
    pub(super) text: Option<String>,
}

/// Folders that are made by building and running.
const MADE: [&str; 3] = [".git", "target", "run"];

/// Names in the root folder.
pub(super) fn top() -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(root()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.retain(|name| !MADE.contains(&name.as_str()));
    names.sort();
    names
}

/// Every file of the house.
pub(super) fn files() -> Vec<Text> {
    let mut found = Vec::new();
    for name in top() {
        collect(&root().join(&name), &name, &mut found);
    }
    assert!(found.len() > 100, "only {} files were found", found.len());
    found
}

/// Every Rust file of the house.
pub(super) fn rust() -> Vec<(String, String)> {
    files().into_iter().filter(|f| f.path.ends_with(".rs")).map(|f| (f.path, f.text.unwrap())).collect()
}

fn collect(path: &Path, name: &str, found: &mut Vec<Text>) {
    if path.is_dir() {
        // What Python leaves beside its programs.
        if name.ends_with("__pycache__") {
            return;
        }
        let mut entries: Vec<_> = fs::read_dir(path).unwrap().map(|e| e.unwrap().file_name()).collect();
        entries.sort();
        for entry in entries {
            collect(&path.join(&entry), &format!("{name}/{}", entry.to_str().unwrap()), found);
        }
    } else if !name.ends_with(".snap.new") && !name.ends_with(".pending-snap") {
        found.push(Text { path: name.to_owned(), text: String::from_utf8(fs::read(path).unwrap()).ok() });
    }
}
