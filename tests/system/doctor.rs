//! `doctor` through the real program: what works is said to work, what would not is found, nothing is opened.

use serde_json::Value;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use tests::Bench;

const RIG: &str = "examples/rigs/portable-network.toml";

fn doctor(bench: &Bench, more: &[&str], exit: i32) -> Vec<Value> {
    // Whatever else runs on this machine: any port will do.
    doctor_at(bench, "127.0.0.1:0", more, exit)
}

fn doctor_at(bench: &Bench, listen: &str, more: &[&str], exit: i32) -> Vec<Value> {
    let arguments = [&["doctor", "--json"], more].concat();
    let mut command = bench.command(&arguments).unwrap();
    let said = command.env("CALWRIGHT_DOORS__LISTEN", format!("\"{listen}\"")).output().unwrap();
    let errors = String::from_utf8_lossy(&said.stderr);
    assert_eq!(said.status.code(), Some(exit), "{}{errors}", String::from_utf8_lossy(&said.stdout));
    serde_json::from_slice(&said.stdout).unwrap()
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

#[test]
fn a_log_folder_is_looked_at_and_not_made() {
    let bench = Bench::new().unwrap();
    let settings = |more: &str| {
        let text = format!("[log_files]\nfolder = {:?}\n{more}", bench.path("log"));
        fs::write(bench.path("settings.toml"), text).unwrap();
    };
    let of = |exit: i32| state(&doctor(&bench, &["--settings", "settings.toml"], exit), "log folder");
    settings("");
    assert_eq!(of(0), "remark");
    assert!(!bench.path("log").exists());
    fs::create_dir(bench.path("log")).unwrap();
    fs::set_permissions(bench.path("log"), Permissions::from_mode(0o755)).unwrap();
    fs::write(bench.path("log/calwright.log"), vec![b'x'; 5 << 20]).unwrap();
    settings("file_mib_max = 3\nfiles_kept = 1\n");
    let found = doctor(&bench, &["--settings", "settings.toml"], 0);
    let one = found.iter().find(|f| f["what"] == "log folder").unwrap();
    assert!(one["seen"].as_str().unwrap().contains("5.0 MiB, and 1.0 MiB more at most"), "{one}");
    settings("file_mib_max = 1024\nfiles_kept = 1000\n");
    assert_eq!(of(0), "remark", "no disk here has a TiB to spare");
    fs::set_permissions(bench.path("log"), Permissions::from_mode(0o777)).unwrap();
    assert_eq!(of(5), "wrong");
    fs::remove_dir_all(bench.path("log")).unwrap();
    fs::write(bench.path("log"), "a file").unwrap();
    assert_eq!(of(5), "wrong");
}

#[test]
fn doors_and_receivers_are_looked_at_without_opening_them() {
    let bench = Bench::new().unwrap();
    let found = doctor(&bench, &[], 0);
    for what in ["who may come in", "socket", "port"] {
        assert_eq!(state(&found, what), "ok", "{what}");
    }
    let other = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = other.local_addr().unwrap().to_string();
    assert_eq!(state(&doctor_at(&bench, &taken, &[], 5), "port"), "wrong");
    assert_eq!(state(&doctor_at(&bench, "192.0.2.1:7421", &[], 5), "who may come in"), "wrong");
    fs::create_dir(bench.path("fonts")).unwrap();
    fs::write(bench.path("token"), "word").unwrap();
    fs::set_permissions(bench.path("token"), Permissions::from_mode(0o644)).unwrap();
    let text = "[certificate]\nfonts = \"fonts\"\n\
                [outbox]\nreceivers = [\"http://192.0.2.9/notices\"]\ntoken = \"token\"\n\
                [doors]\ncertificate = \"none.pem\"\nkey = \"token\"\n";
    fs::write(bench.path("settings.toml"), text).unwrap();
    let found = doctor(&bench, &["--settings", "settings.toml"], 5);
    for what in ["certificates", "receivers of notices", "who may come in"] {
        assert_eq!(state(&found, what), "wrong", "{what}");
    }
}
