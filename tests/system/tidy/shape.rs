//! Size and shape of files, and what lies where.

use super::source::{code, functions};
use super::tree;
use std::collections::BTreeSet;

/// Most lines of a Rust file.
const LINES: usize = 500;

/// Most lines of a function.
const LINES_OF_FUNCTION: usize = 70;
/// Of a test or an example: a list of cases or a file's text is data, and splitting it hides more than it shows.
const LINES_OF_TEST: usize = 120;

/// What lies in the root folder; files that begin with a point may lie there too.
const TOP: [&str; 12] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "daemon",
    "drivers",
    "examples",
    "plan-schema",
    "sim",
    "tests",
];

#[test]
fn every_file_says_first_what_it_is() {
    let silent: Vec<String> = tree::rust()
        .into_iter()
        .filter(|(_, text)| !text.starts_with("//! "))
        .map(|(path, _)| path)
        .collect();
    assert!(silent.is_empty(), "no `//!` in the first line: {silent:?}");
    let python = tree::files().into_iter().filter(|f| f.path.ends_with(".py"));
    for file in python {
        let text = file.text.unwrap();
        assert!(
            text.starts_with("\"\"\"") || text.starts_with("#!"),
            "{} does not say what it is",
            file.path
        );
    }
}

#[test]
fn files_and_functions_can_be_overlooked() {
    let mut long = Vec::new();
    for (path, text) in tree::rust() {
        let lines = text.lines().count();
        if lines > LINES {
            long.push(format!("{path}: {lines} lines, at most {LINES}"));
        }
        let is_test = ["tests/", "examples/"].iter().any(|p| path.contains(p)) || path.ends_with("tests.rs");
        let most = if is_test { LINES_OF_TEST } else { LINES_OF_FUNCTION };
        for f in functions(&code(&text)).into_iter().filter(|f| f.lines > most) {
            long.push(format!("{path}:{}: {} has {} lines, at most {most}", f.line, f.name, f.lines));
        }
    }
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn the_documents_stay_short() {
    for (name, most) in [("README.md", 150), ("DEVELOPERS.md", 400)] {
        let file = tree::files().into_iter().find(|f| f.path == name).unwrap();
        let lines = file.text.unwrap().lines().count();
        assert!((20..=most).contains(&lines), "{name} has {lines} lines, at most {most}");
    }
}

#[test]
fn the_root_folder_holds_what_it_should() {
    let there: BTreeSet<String> = tree::top().into_iter().filter(|name| !name.starts_with('.')).collect();
    assert_eq!(there, TOP.map(str::to_owned).into());
}

/// Folders of one machine have no place in what is handed on.
#[test]
fn no_path_of_one_machine_is_named() {
    let folders = ["root", "work", "tmp"].map(|name| format!("/{name}/"));
    let mut named = Vec::new();
    for file in tree::files() {
        let Some(text) = file.text else { continue };
        for (number, line) in text.lines().enumerate() {
            if folders.iter().any(|folder| names_folder(line, folder)) {
                named.push(format!("{}:{}: {line}", file.path, number + 1));
            }
        }
    }
    assert!(named.is_empty(), "{}", named.join("\n"));
}

/// True if a line names the folder from the root of the disk on, not as part of a longer path.
fn names_folder(line: &str, folder: &str) -> bool {
    line.match_indices(folder).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || matches!(c, '.' | '_' | '-' | '/' | '}' | ')'))
    })
}

#[test]
fn a_folder_is_found_at_the_beginning_of_a_path_only() {
    let folder = format!("/{}/", "tmp");
    assert!(names_folder(&format!("x = \"{folder}y\""), &folder) && names_folder(&folder, &folder));
    assert!(!names_folder(&format!("a{folder}b ./{folder}"), &folder));
}
