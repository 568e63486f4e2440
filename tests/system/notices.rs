//! What other programs are told over HTTP: once each, and after a restart what came to be meanwhile.

use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Duration;
use tests::Bench;
use tests::daemon::Daemon;

const RIG: &str = "examples/rigs/common-practice.toml";
const JOB: &str = "examples/common-practice.toml";

/// Longer than anything takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(300);

/// A receiver that takes everything: its address, and what it is told.
fn receiver() -> (String, Receiver<Value>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}/notices", listener.local_addr().unwrap());
    let (told, notices) = channel();
    thread::spawn(move || {
        while let Ok((stream, _)) = listener.accept() {
            let mut reader = BufReader::new(stream);
            let mut length = 0;
            let mut line = String::new();
            while reader.read_line(&mut line).is_ok_and(|n| n > 2) {
                let lower = line.to_ascii_lowercase();
                length = lower.strip_prefix("content-length:").map_or(length, |n| n.trim().parse().unwrap());
                line.clear();
            }
            let mut body = vec![0; length];
            reader.read_exact(&mut body).unwrap();
            reader.get_mut().write_all(b"HTTP/1.1 204 No Content\r\n\r\n").unwrap();
            if told.send(serde_json::from_slice(&body).unwrap()).is_err() {
                return;
            }
        }
    });
    (address, notices)
}

/// The next notice of this kind; others may come before it.
fn next(notices: &Receiver<Value>, kind: &str) -> Value {
    loop {
        let one = notices.recv_timeout(PATIENCE).unwrap();
        if one["kind"] == kind {
            return one;
        }
    }
}

#[test]
fn trips_ends_and_waiting_are_told_and_what_came_to_be_while_no_daemon_ran() {
    let bench = Bench::new().unwrap();
    let (address, notices) = receiver();
    fs::write(bench.path("calwright.toml"), format!("[outbox]\nreceivers = [\"{address}\"]\n")).unwrap();
    let daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    daemon.submit(JOB, &["--faults", "examples/faults/emergency-stop.toml"]).unwrap();
    daemon.submit(JOB, &[]).unwrap();
    let mut seen: Vec<Value> = (0..3).map(|_| notices.recv_timeout(PATIENCE).unwrap()).collect();
    seen.sort_by_key(|notice| notice["kind"].to_string());
    let kinds: Vec<&str> = seen.iter().map(|notice| notice["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["finished", "needs_person", "tripped"], "{seen:#?}");
    assert!(seen.iter().all(|n| n["rig"] == "common-practice" && n["simulated"] == true), "{seen:#?}");
    assert_eq!(seen[0]["message"], "common-practice: tripped");
    assert!(seen[1]["message"].as_str().unwrap().contains("the queue is held"), "{seen:#?}");
    // A restart repeats nothing.
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    let daemon = Daemon::start(&bench, RIG, &["--speed", "30"]).unwrap();
    let acknowledge =
        ["acknowledge", "common-practice", "--simulated", "--name", "A. Person", "--reason", "released"];
    daemon.run(&acknowledge).unwrap().expect_status(0).unwrap();
    daemon.run(&["unhold"]).unwrap().expect_status(0).unwrap();
    let run = bench.run_dir("state/calwright/data/runs/common-practice-2");
    daemon.until("a point", |_| run.entries("point").is_ok_and(|points| !points.is_empty())).unwrap();
    assert!(notices.try_iter().all(|notice| notice["kind"] == "needs_person"));
    // Cut off while it may have been moving: nobody was there to tell, so the next daemon does.
    daemon.kill().unwrap();
    let _daemon = Daemon::start(&bench, RIG, &[]).unwrap();
    let cut_off = next(&notices, "tripped");
    assert!(!cut_off["message"].as_str().unwrap().is_empty(), "{cut_off}");
    let ended = next(&notices, "finished");
    assert_eq!(
        (&ended["message"], &ended["run"]),
        (&"common-practice: interrupted".into(), &"common-practice-2".into())
    );
}
