//! The daemon as people use it: a queue that runs by itself, holds where it must, and loses nothing when it is killed.

use std::fs;
use tests::Bench;
use tests::RunDir;
use tests::daemon::{Daemon, idle, run_of};
use tests::doors::Ask;

const RIG: &str = "examples/rigs/common-practice.toml";
const JOB: &str = "examples/common-practice.toml";
const RUNS: &str = "state/calwright/data/runs";

fn run_dir(bench: &Bench, run: &str) -> RunDir {
    bench.run_dir(&format!("{RUNS}/{run}"))
}

/// Three jobs in a row, one with a fault, one cancelled while it waits: each ends as it must, and the fault holds the queue.
#[test]
fn a_queue_runs_by_itself_and_holds_after_a_trip() {
    let bench = Bench::new().unwrap();
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    daemon.run(&["hold", "--reason", "until all are here"]).unwrap().expect_status(0).unwrap();
    daemon.submit(JOB, &["--seed", "3"]).unwrap();
    daemon.submit(JOB, &["--faults", "examples/faults/emergency-stop.toml"]).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    daemon.run(&["move", "4", "1"]).unwrap().expect_status(0).unwrap();
    daemon.run(&["cancel", "3", "--reason", "not needed"]).unwrap().expect_status(0).unwrap();
    daemon.run(&["unhold"]).unwrap().expect_status(0).unwrap();
    let runs =
        daemon.until("the trip", |runs| run_of(runs, "common-practice-2")["outcome"] == "tripped").unwrap();
    let outcome = |run: &str| run_of(&runs, run)["outcome"].clone();
    assert_eq!((outcome("common-practice-4"), outcome("common-practice-1")), ("done".into(), "done".into()));
    let order: Vec<&str> =
        runs["runs"].as_array().unwrap().iter().filter_map(|r| r["run"].as_str()).collect();
    assert_eq!(order, ["common-practice-2", "common-practice-1", "common-practice-4"], "newest first");
    // Drafts with certificates, and the same figures as a dry run of the seed.
    let first = run_dir(&bench, "common-practice-1");
    assert!(first.files().unwrap().keys().any(|name| name.ends_with(".pdf")));
    let other = Bench::new().unwrap();
    other.run(&["dry-run", JOB, "--seed", "3", "--out", "beside", "--no-certificates"]).unwrap();
    let beside = other.run_dir("beside").json("result.json").unwrap();
    assert_eq!(first.json("result.json").unwrap()["sensors"], beside["sensors"]);
    // Held: a job that comes now waits, and says nothing of itself; acknowledged and let go on, it runs.
    let job = daemon.submit(JOB, &[]).unwrap();
    daemon.until("the job in the queue", |runs| runs["waiting"][0]["job"] == job).unwrap();
    daemon.run(&["unhold"]).unwrap().expect_status(0).unwrap();
    daemon.until("what it waits for", |runs| runs["waiting"][0]["stage"] == "needs_person").unwrap();
    let acknowledge = [
        "acknowledge",
        "common-practice",
        "--simulated",
        "--name",
        "A. Person",
        "--reason",
        "released the button",
    ];
    daemon.run(&acknowledge).unwrap().expect_status(0).unwrap();
    daemon.until("an empty queue", idle).unwrap();
    let metrics = || {
        let socket = bench.path("state/calwright/calwright.sock");
        Ask::socket(&socket, "GET", "/metrics").answer().unwrap().text()
    };
    daemon.until("the counts of all runs", |_| metrics().contains("{outcome=\"done\"} 3\n")).unwrap();
    let counted = metrics();
    for line in
        ["calwright_runs_total{outcome=\"tripped\"} 1", "calwright_trips_total 1", "calwright_not_safe 0"]
    {
        assert!(counted.contains(&format!("\n{line}\n")), "no {line}: {counted}");
    }
    assert!(!counted.contains("{status=\"accepted\"} 0\n"), "{counted}");
    daemon.run(&["watch", "common-practice-2"]).unwrap().expect_status(3).unwrap();
    let exported = daemon.run(&["export", "common-practice-1", "--out", "one.tar.zst"]).unwrap();
    exported.expect_status(0).unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    bench.run(&["recompute", "one.tar.zst"]).unwrap().expect_status(0).unwrap();
    copies(&bench);
}

/// Index, backup and archive hold the same runs as the folders.
fn copies(bench: &Bench) {
    let index = |data: &str| {
        let daemon = Daemon::start(bench, RIG, &["--data", data]).unwrap();
        let runs = daemon.json(&["runs", "--limit", "500"]).unwrap();
        daemon.terminate().unwrap();
        runs
    };
    let data = "state/calwright/data";
    let before = index(data);
    bench.run(&["backup", "copy"]).unwrap().expect_status(0).unwrap();
    fs::rename(bench.path(data), bench.path("gone")).unwrap();
    bench.run(&["restore", "copy"]).unwrap().expect_status(0).unwrap();
    assert_eq!(index(data), before, "restored");
    for file in ["calwright.sqlite", "calwright.sqlite-wal", "calwright.sqlite-shm"] {
        let _ = fs::remove_file(bench.path(data).join(file));
    }
    bench.run(&["reindex"]).unwrap().expect_status(0).unwrap();
    recalls(bench, data);
    let again = index(data);
    let names = |runs: &serde_json::Value| -> Vec<String> {
        let all = runs["runs"].as_array().unwrap().iter();
        let mut names: Vec<String> =
            all.map(|r| format!("{} {} {}", r["run"], r["outcome"], r["sensors"])).collect();
        names.sort();
        names
    };
    assert_eq!(names(&again), names(&before), "made again from the folders alone");
    let import = bench.run(&["import", "one.tar.zst"]).unwrap();
    assert_eq!(import.status, Some(2), "nothing that was recorded is overwritten: {}", import.stderr);
}

/// What a recall of something used is answered, from an index that was made again from the folders.
fn recalls(bench: &Bench, data: &str) {
    let daemon = Daemon::start(bench, RIG, &["--data", data]).unwrap();
    let affected = |more: &[&str]| -> Vec<String> {
        let runs = daemon.json(&[&["runs", "--used"], more].concat()).unwrap();
        let all = runs["runs"].as_array().unwrap().iter();
        all.map(|r| format!("{} {}", r["run"].as_str().unwrap(), r["used"][0]["version"])).collect()
    };
    let reference = "QB-R-0044";
    let all = affected(&[reference]);
    assert_eq!(all.len(), 4, "a run that tripped was measured with it too: {all:?}");
    assert!(all.iter().all(|run| run.ends_with("\"SM-1999-0521\"")), "{all:?}");
    assert_eq!(affected(&[reference, "--role", "reference", "--calibration", "SM-1999-0521"]), all);
    assert_eq!(affected(&[reference, "--calibration", "SM-1999-0604"]), Vec::<String>::new());
    assert_eq!(affected(&["climate", "--role", "ambient", "--calibration", "INV-H-1999-17"]).len(), 4);
    assert_eq!(affected(&["ref", "--role", "channel", "--since", "2000-01-01"]).len(), 4);
    assert_eq!(affected(&["ref", "--until", "1999-12-31"]), Vec::<String>::new());
    let text = daemon.run(&["runs", "--used", reference]).unwrap();
    let text = text.expect_status(0).unwrap();
    assert!(text.stdout.contains("4 runs used 'QB-R-0044'; 0 certificates issued."), "{}", text.stdout);
    assert!(text.stdout.contains("certificates: none issued"), "{}", text.stdout);
    let wrong = daemon.run(&["runs", "--used", reference, "--since", "2000-13-01"]).unwrap();
    assert_eq!(wrong.status, Some(2), "{}", wrong.stderr);
    daemon.terminate().unwrap();
}

/// Killed in mid-run: interrupted, tripped until somebody looks, and gone on with at the first missing point.
#[test]
fn a_run_that_was_killed_is_gone_on_with() {
    let bench = Bench::new().unwrap();
    let daemon = Daemon::start(&bench, RIG, &["--speed", "30"]).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    let name = "common-practice-1";
    let points = || run_dir(&bench, name).entries("point").map(|p| p.len()).unwrap_or(0);
    daemon.until("two points", |_| points() >= 2).unwrap();
    daemon.kill().unwrap();
    let cut = run_dir(&bench, name);
    // The last of them may be one that was to be repeated; those before it are complete.
    let all = cut.entries("point").unwrap();
    let raw: Vec<serde_json::Value> = all[..all.len() - 1].iter().map(|p| p["raw_sha256"].clone()).collect();
    bench.run(&["recompute", &format!("{RUNS}/{name}")]).unwrap().expect_status(0).unwrap();

    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    let runs = daemon.json(&["runs"]).unwrap();
    assert_eq!(run_of(&runs, name)["outcome"], "interrupted");
    assert!(idle(&runs), "nothing resumes by itself: {runs:#}");
    daemon.run(&["resume", name]).unwrap().expect_status(0).unwrap();
    daemon.run(&["unhold"]).unwrap().expect_status(0).unwrap();
    daemon.until("what it waits for", |runs| runs["waiting"][0]["stage"] == "needs_person").unwrap();
    let acknowledge =
        ["acknowledge", "common-practice", "--simulated", "--name", "A. Person", "--reason", "looked at it"];
    daemon.run(&acknowledge).unwrap().expect_status(0).unwrap();
    let runs = daemon.until("the second run", idle).unwrap();
    assert_eq!(run_of(&runs, "common-practice-1.2")["outcome"], "done");
    let second = run_dir(&bench, "common-practice-1.2");
    let entries = second.entries("point").unwrap();
    let measured: Vec<&serde_json::Value> = entries.iter().filter(|p| p["closing"] == false).collect();
    let numbers: std::collections::BTreeSet<i64> =
        measured.iter().filter_map(|p| p["point"].as_i64()).collect();
    assert_eq!(numbers.len(), 6, "none is lost");
    for hash in &raw {
        assert_eq!(measured.iter().filter(|p| p["raw_sha256"] == *hash).count(), 1, "none is doubled");
    }
    bench.run(&["recompute", &format!("{RUNS}/common-practice-1.2")]).unwrap().expect_status(0).unwrap();
}

/// SIGTERM in mid-run winds down, proves safe and closes the records.
#[test]
fn told_to_end_it_winds_down() {
    let bench = Bench::new().unwrap();
    let daemon = Daemon::start(&bench, RIG, &["--speed", "30"]).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    let dir = run_dir(&bench, "common-practice-1");
    daemon.until("a point", |_| dir.entries("point").is_ok_and(|p| !p.is_empty())).unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    assert_eq!(dir.json("result.json").unwrap()["outcome"], "cancelled");
    bench.run(&["recompute", dir.path().to_str().unwrap()]).unwrap().expect_status(0).unwrap();
    let second = Daemon::start(&bench, RIG, &[]).unwrap();
    let beside = bench.run(&["serve", RIG]).unwrap();
    assert_eq!(beside.status, Some(5), "one daemon a rig: {}", beside.stderr);
    second.terminate().unwrap();
}

/// Where the rig names a check standard no job begins before one that measures it, and the others follow by themselves.
#[test]
fn the_queue_opens_with_the_check_standard() {
    let bench = Bench::new().unwrap();
    let (rig, job) = ("examples/rigs/portable-night.toml", "examples/portable-night.toml");
    bench
        .replace(
            rig,
            "name = \"portable-night\"\n",
            "name = \"portable-night\"\ncheck_standard = \"QB-C-0009\"\n",
        )
        .unwrap();
    let whole = fs::read_to_string(bench.path(job)).unwrap();
    let (without, _) = whole.split_once("\n[[mounted]]\nsensor = \"QB-C-0009\"").unwrap();
    fs::write(bench.path("examples/without.toml"), without).unwrap();
    let daemon = Daemon::start(&bench, rig, &[]).unwrap();
    daemon.submit("examples/without.toml", &[]).unwrap();
    let runs =
        daemon.until("what it waits for", |runs| runs["waiting"][0]["stage"] == "needs_person").unwrap();
    let why = runs["waiting"][0]["waits_for"].as_str().unwrap();
    assert!(why.contains("opens with the check standard QB-C-0009"), "{why}");
    daemon.submit(job, &[]).unwrap();
    daemon.run(&["move", "2", "1"]).unwrap().expect_status(0).unwrap();
    let runs = daemon.until("an empty queue", idle).unwrap();
    let order: Vec<&str> =
        runs["runs"].as_array().unwrap().iter().map(|r| r["run"].as_str().unwrap()).collect();
    assert_eq!(order, ["without-1", "portable-night-2"], "newest first");
    assert!(order.iter().all(|run| run_of(&runs, run)["outcome"] == "done"), "{runs:#}");
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}
