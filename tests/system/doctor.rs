//! `doctor` through the real program: what works is said to work, what would not is found, nothing is opened.

use serde_json::Value;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use tests::Bench;

const RIG: &str = "examples/rigs/portable-network.toml";

fn doctor(bench: &Bench, more: &[&str], exit: i32) -> Vec<Value> {
    let arguments = [&["doctor", "--json"], more].concat();
    let said = bench.run(&arguments).unwrap().expect_status(exit).unwrap().stdout;
    serde_json::from_str(&said).unwrap()
}

fn state(found: &[Value], what: &str) -> String {
    let one = found.iter().find(|f| f["what"] == what).unwrap_or_else(|| panic!("{what} was not looked at"));
    one["state"].as_str().unwrap().to_owned()
}

#[test]
fn a_machine_that_is_fit_is_said_to_be() {
    let bench = Bench::new().unwrap();
    let found = doctor(&bench, &["examples/rigs/long-stroke.toml"], 0);
    assert_eq!(state(&found, "state folder"), "ok");
    assert_eq!(state(&found, "certificates"), "ok");
    assert_eq!(state(&found, "rig 'long-stroke'"), "ok");
}

#[test]
fn what_will_not_work_is_found_with_a_remedy() {
    let bench = Bench::new().unwrap();
    let key = bench.path("lab");
    bench.run(&["keygen", key.to_str().unwrap()]).unwrap().expect_status(0).unwrap();
    let secret = bench.path("lab.key");
    fs::set_permissions(&secret, Permissions::from_mode(0o644)).unwrap();
    let plug_ins = bench.path("plug-ins");
    fs::create_dir(&plug_ins).unwrap();
    fs::set_permissions(&plug_ins, Permissions::from_mode(0o777)).unwrap();
    let text = format!(
        "plug_in_folders = [{:?}]\n[release]\nkey = {:?}\n[certificate]\ntemplate = \"missing.typ\"\n",
        plug_ins, secret
    );
    fs::write(bench.path("settings.toml"), text).unwrap();
    let found = doctor(&bench, &["--settings", "settings.toml", RIG], 5);
    for what in
        ["key of releases", "plug-in folder", "certificates", "rig 'portable-network', instrument 'climate'"]
    {
        assert_eq!(state(&found, what), "wrong", "{what}");
    }
    assert_eq!(state(&found, "rig 'portable-network', instrument 'generator'"), "ok");
    let without = found.iter().filter(|f| f["state"] != "ok" && f["remedy"].is_null()).count();
    assert_eq!(without, 0, "each has a remedy: {found:#?}");
}

#[test]
fn a_state_folder_that_everybody_may_write_to_is_found() {
    let bench = Bench::new().unwrap();
    let state_dir = bench.path("open-state");
    fs::create_dir(&state_dir).unwrap();
    fs::set_permissions(&state_dir, Permissions::from_mode(0o777)).unwrap();
    let found = doctor(&bench, &["--state-dir", "open-state"], 5);
    assert_eq!(state(&found, "state folder"), "wrong");
}
