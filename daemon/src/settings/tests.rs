//! What is said of settings that can't be used, and which source goes first.

use super::*;

fn said(text: &str) -> String {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s.toml");
    std::fs::write(&path, text).unwrap();
    let error = read(Some(&path), None).unwrap_err().to_string();
    error.replace(&dir.path().display().to_string(), "")
}

#[test]
fn mistakes_are_shown_in_their_line_all_at_once() {
    let text = "log = 3\ncolour = true\n\n[laboratory]\nname = \"x\"\naddress = \"1 Lane\"\nadress = 1\n\n\
                [certificate]\nrender_s_max = -1\nmemory_mib_max = \"many\"\n";
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(said(text)) });
}

#[test]
fn other_files_are_told_from_settings() {
    let plan = "format = 1\nname = \"x\"\n[[point]]\nfrequency = \"1 Hz\"\namplitude = \"1 g pk\"\n";
    let text = [said(plan), said("[laboratory\nname = 1"), said("log = \"==\"")].join("\n\n");
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(text) });
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let error = read(Some(&dir.path().join("none.toml")), None).unwrap_err().to_string();
    assert!(error.contains("none.toml") && error.contains("does not exist"), "{error}");
}

#[test]
fn a_flag_goes_before_the_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s.toml");
    std::fs::write(&path, "state_dir = \"from-file\"\n").unwrap();
    assert_eq!(read(Some(&path), None).unwrap().state_dir(), PathBuf::from("from-file"));
    let flag = Path::new("from-flag");
    assert_eq!(read(Some(&path), Some(flag)).unwrap().state_dir(), flag);
}
