//! Keeping the daemon: a changed rig file or template is shown, checked, recorded and put in force between runs; a daemon that
//! drains finishes what runs and takes no more.

use serde_json::json;
use std::fs;
use tests::Bench;
use tests::daemon::{Daemon, idle, run_of};
use tests::doors::Ask;
use tests::program::root;

const RIG: &str = "examples/rigs/common-practice.toml";
const JOB: &str = "examples/common-practice.toml";

#[test]
fn a_changed_rig_file_counts_once_it_was_put_in_force() {
    let bench = Bench::new().unwrap();
    fs::copy(root().join("daemon/src/certificate/template.typ"), bench.path("own.typ")).unwrap();
    fs::write(bench.path("calwright.toml"), "[certificate]\ntemplate = \"own.typ\"\n").unwrap();
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    let reload = |more: &[&str]| {
        let mut words = vec!["reload"];
        words.extend(more);
        daemon.run(&words).unwrap()
    };
    assert!(reload(&[]).stdout.contains("is in force"));
    // A mistake is shown with its place, and nothing is changed by it.
    let good = fs::read_to_string(bench.path(RIG)).unwrap();
    fs::write(bench.path(RIG), good.replacen("rated_stroke", "rated_strok", 1)).unwrap();
    let refused = reload(&["--reason", "a trial"]).expect_status(2).unwrap();
    assert!(refused.stderr.contains("rated_strok") && refused.stderr.contains("common-practice.toml:"));
    // Another rig is another daemon's.
    fs::write(bench.path(RIG), good.replacen("name = \"common-practice\"", "name = \"another\"", 1)).unwrap();
    assert!(reload(&["--reason", "a trial"]).expect_status(2).unwrap().stderr.contains("another rig"));
    // Shown first, then in force.
    fs::write(bench.path(RIG), format!("{good}\n# looked at in spring\n")).unwrap();
    let shown = reload(&[]).expect_status(0).unwrap().stdout;
    assert!(shown.contains("# looked at in spring") && shown.contains("Nothing was changed"), "{shown}");
    let done = reload(&["--reason", "inspected"]).expect_status(0).unwrap().stdout;
    assert!(done.contains("It is in force now"), "{done}");
    assert!(reload(&[]).stdout.contains("is in force"));
    // A template that was changed meanwhile makes no certificate before it is in force.
    let template = fs::read_to_string(bench.path("own.typ")).unwrap();
    fs::write(bench.path("own.typ"), format!("{template}\n// smaller margins\n")).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    let words = |runs: &serde_json::Value| runs["waiting"][0]["waits_for"].to_string();
    daemon.until("a word on the template", |runs| words(runs).contains("calwright reload")).unwrap();
    reload(&["--reason", "smaller margins"]).expect_status(0).unwrap();
    let runs = daemon.until("the run", idle).unwrap();
    assert_eq!(run_of(&runs, "common-practice-1")["outcome"], "done");
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    // The next start finds nothing new.
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    assert!(daemon.run(&["reload"]).unwrap().stdout.contains("is in force"));
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}

#[test]
fn a_daemon_that_drains_finishes_what_runs_and_takes_no_more() {
    let bench = Bench::new().unwrap();
    let daemon = Daemon::start(&bench, RIG, &["--speed", "20"]).unwrap();
    let socket = bench.path("state/calwright/calwright.sock");
    let ready = || Ask::socket(&socket, "GET", "/ready").answer().unwrap().status;
    assert_eq!(ready(), 200);
    // Where its database was taken away it can't work, and says so.
    let database = bench.path("state/calwright/data/calwright.sqlite");
    fs::rename(&database, bench.path("away.sqlite")).unwrap();
    assert_eq!(ready(), 503);
    let metrics = Ask::socket(&socket, "GET", "/metrics").answer().unwrap();
    assert!(metrics.text().contains("\ncalwright_database_up 0\n"), "{}", metrics.text());
    fs::rename(bench.path("away.sqlite"), &database).unwrap();
    assert_eq!(ready(), 200);
    daemon.submit(JOB, &[]).unwrap();
    let (job, files) = calwright::load::texts_of(&bench.path(JOB)).unwrap();
    let submission = json!({ "name": "common-practice", "job": job, "files": files });
    let keyed = || Ask::socket(&socket, "POST", "/api/v1/jobs").header("Idempotency-Key", "second");
    assert_eq!(keyed().json(&submission).answer().unwrap().json()["job"], 2);
    let silent = daemon.run(&["cancel", "2", "--reason", " "]).unwrap().expect_status(2).unwrap();
    assert!(silent.stderr.contains("needs a reason"), "{}", silent.stderr);
    daemon.until("the first run", |runs| run_of(runs, "common-practice-1")["state"] == "running").unwrap();
    let busy = daemon.run(&["reload", "--reason", "too early"]).unwrap().expect_status(2).unwrap();
    assert!(busy.stderr.contains("a run goes on"), "{}", busy.stderr);
    let drained = daemon.run(&["drain", "--reason", "upgrade", "--end"]).unwrap().expect_status(0).unwrap();
    assert!(drained.stdout.contains("comes to its end"), "{}", drained.stdout);
    assert_eq!(ready(), 503);
    let late = daemon.run(&["submit", JOB]).unwrap().expect_status(2).unwrap();
    assert!(late.stderr.contains("drains"), "{}", late.stderr);
    // What was handed in before is answered as it was then, were the answer lost.
    let again = keyed().json(&submission).answer().unwrap();
    assert_eq!((again.status, &again.json()["job"]), (201, &json!(2)));
    // It ends by itself, in good order.
    assert_eq!(daemon.ended().unwrap(), Some(0));
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    let runs = daemon.until("the second job, by the next daemon", idle).unwrap();
    for run in ["common-practice-1", "common-practice-2"] {
        assert_eq!(run_of(&runs, run)["outcome"], "done", "{runs:#}");
    }
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}
