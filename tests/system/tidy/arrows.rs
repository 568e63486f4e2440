//! Arrows between crates point down only, and the pure ones reach nothing outside.

use super::source::{code, words};
use super::tree;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use tests::program::cargo;

/// What each package of ours may see of ours.
const ARROWS: [(&str, &[&str]); 7] = [
    ("plan-schema", &[]),
    ("calibration", &["plan-schema"]),
    ("drivers", &["plan-schema"]),
    ("sim", &["drivers", "plan-schema"]),
    ("sound", &["drivers", "plan-schema"]),
    ("calwright", &["calibration", "drivers", "plan-schema", "sim"]),
    ("tests", &["calibration", "calwright", "drivers", "plan-schema", "sim"]),
];

/// Packages without input, output, clocks, threads and chance.
const PURE: [&str; 2] = ["daemon/calibration/src/", "plan-schema/src/"];

/// What those may not name of the standard library.
const IMPURE: [&str; 8] = ["fs", "net", "process", "thread", "env", "os", "Instant", "SystemTime"];

#[test]
fn packages_see_only_what_lies_below_them() {
    let said = cargo(["metadata", "--no-deps", "--offline", "--format-version", "1"])
        .unwrap()
        .expect_status(0)
        .unwrap();
    let metadata: Value = serde_json::from_str(&said.stdout).unwrap();
    let allowed: BTreeMap<&str, &[&str]> = ARROWS.into_iter().collect();
    let packages = metadata["packages"].as_array().unwrap();
    let names: BTreeSet<&str> = packages.iter().map(|p| p["name"].as_str().unwrap()).collect();
    assert_eq!(names, allowed.keys().copied().collect(), "the packages of the workspace");
    for package in packages {
        let name = package["name"].as_str().unwrap();
        for dependency in package["dependencies"].as_array().unwrap() {
            let seen = dependency["name"].as_str().unwrap();
            let fine = !names.contains(seen) || allowed[name].contains(&seen);
            assert!(fine, "{name} must not see {seen}");
        }
    }
}

/// The second half is there so that a mistake in the first (a package that does not exist) can't pass for its truth.
#[test]
fn the_core_has_no_async_runtime_and_the_shell_has() {
    let tree = |package| cargo(["tree", "--offline", "-p", package, "-i", "tokio"]).unwrap();
    assert_ne!(tree("calibration").status, Some(0), "calibration depends on tokio");
    assert!(tree("calwright").expect_status(0).unwrap().stdout.starts_with("tokio v"));
}

#[test]
fn the_pure_packages_reach_nothing_outside() {
    let mut looked_at = 0;
    for (path, text) in tree::rust().iter().filter(|(path, _)| PURE.iter().any(|p| path.starts_with(p))) {
        looked_at += 1;
        let code = code(text);
        for name in of_std(&code) {
            // Threads that answer the same questions in any order, and end before the answer: nothing outside is reached.
            if (name, path.as_str()) == ("thread", "daemon/calibration/src/control/parallel.rs") {
                continue;
            }
            assert!(!IMPURE.contains(&name), "{path} names std::{name}");
        }
        for word in ["tokio", "rand", "async", "await"] {
            let named = words(&code).contains(&word) && !path.contains("/tests");
            assert!(!named || is_test_only(text, word), "{path} names {word}");
        }
    }
    assert!(looked_at > 50, "only {looked_at} files of the pure packages were found");
}

/// True where the word stands below the tests of a file only.
fn is_test_only(text: &str, word: &str) -> bool {
    let before = text.split("#[cfg(test)]").next().unwrap_or(text);
    !words(&code(before)).contains(&word)
}

/// Names that follow `std::` or `core::`, in groups too.
fn of_std(code: &str) -> Vec<&str> {
    let mut names = Vec::new();
    for (start, _) in code.match_indices("std::") {
        let rest = &code[start + 5..];
        let end = match rest.strip_prefix('{') {
            Some(_) => rest.find(';').unwrap_or(rest.len()),
            None => rest.find([';', '(', '<', ' ', ',', ')', '>', '{']).unwrap_or(rest.len()),
        };
        names.extend(words(&rest[..end]));
    }
    names
}

#[test]
fn only_the_wiring_names_the_simulator() {
    let mut named_by = BTreeSet::new();
    for (path, text) in tree::rust() {
        if path.starts_with("daemon/src/") && names_crate(&code(&text), "sim") {
            named_by.insert(path);
        }
    }
    assert_eq!(named_by, BTreeSet::from(["daemon/src/wiring.rs".to_owned()]));
}

/// True for `sim::…` and `use sim…`.
fn names_crate(code: &str, name: &str) -> bool {
    let words = words(code);
    let path = words.windows(2).any(|pair| pair == [name, "::"]);
    path || words.windows(2).any(|pair| pair == ["use", name])
}

#[test]
fn names_are_found_where_they_stand() {
    assert_eq!(
        of_std("use std::{fs, io::Write}; std::thread::spawn(x)"),
        ["fs", "io", "::", "Write", "thread", "::", "spawn"]
    );
    assert!(
        names_crate("use sim;", "sim")
            && names_crate("x(sim::y)", "sim")
            && !names_crate("similar::x(sim)", "sim")
    );
}
