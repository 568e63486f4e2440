//! Leave to move through the real program: arm, stop, acknowledge, and what ends a leave.

use calwright::files::Disk;
use calwright::station::latch::LatchFile;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Stdio};
use tests::Bench;
use tests::bench::{MAIN_JOB, MAIN_RIG};

const RIG: &str = "examples/rigs/long-stroke.toml";

/// Where the real rig's things are kept.
const PLACE: &str = "state/calwright/rig/long-stroke";

/// A bench whose rig is real, as far as the program can tell, with a check-list beside the example's guard.
fn laboratory() -> Bench {
    let bench = Bench::new().unwrap();
    let text = fs::read_to_string(bench.path(RIG)).unwrap();
    let text = text.replacen(
        "driver = \"simulated\"",
        "driver = \"plug-in\"\nsettings = { program = \"generator.py\" }",
        1,
    );
    let text = text.replacen("format = 1\n", "format = 1\nleave_limit = \"10 h\"\n", 1);
    let more = "\n[[checklist]]\ntext = \"transport lock out\"\n[[checklist]]\ntext = \"hands clear\"\n";
    fs::write(bench.path(RIG), text + more).unwrap();
    bench
}

/// Runs a command that has to end with this status; everything that it said.
fn say(bench: &Bench, arguments: &[&str], status: i32) -> String {
    let said = bench.run(arguments).unwrap().expect_status(status).unwrap();
    format!("{}\n{}", said.stdout, said.stderr)
}

fn arm(bench: &Bench, more: &[&str], status: i32) -> String {
    let mut arguments = vec!["arm", RIG, "--name", "A. Person"];
    arguments.extend(more);
    say(bench, &arguments, status)
}

fn leave(bench: &Bench) -> Value {
    let bytes = fs::read(bench.path(PLACE).join("leave.json")).unwrap();
    serde_json::from_slice(&bytes).unwrap()
}

/// What `check` says of the leave to move.
fn standing(bench: &Bench) -> String {
    let said =
        bench.run(&["check", MAIN_JOB, "--at", "2000-01-01T00:00:00Z"]).unwrap().expect_status(0).unwrap();
    said.stderr.lines().find(|l| l.starts_with("note: ")).unwrap_or_default().to_owned()
}

fn acknowledge(bench: &Bench, more: &[&str], status: i32) -> String {
    let mut arguments = vec!["acknowledge", MAIN_RIG, "--name", "A. Person", "--reason", "looked"];
    arguments.extend(more);
    say(bench, &arguments, status)
}

#[test]
fn leave_is_given_by_name_after_every_line_of_the_check_list() {
    let bench = laboratory();
    assert!(standing(&bench).contains("nobody gave leave") && standing(&bench).contains("calwright arm"));
    let said = arm(&bench, &[], 2);
    assert!(said.contains("'transport lock out' is not confirmed") && said.contains("crushes"), "{said}");
    assert!(said.contains("nothing warns before the armature"), "{said}");
    assert!(arm(&bench, &["--confirm", "hands clear"], 2).contains("'transport lock out'"));
    let stranger = arm(&bench, &["--all-confirmed", "--confirm", "hands clean"], 2);
    assert!(stranger.contains("'hands clean'") && stranger.contains("transport lock out"), "{stranger}");
    assert!(arm(&bench, &["--all-confirmed", "--hours", "11"], 2).contains("at most 10 h"));
    for hours in ["0", "-1", "inf", "eight"] {
        arm(&bench, &["--all-confirmed", &format!("--hours={hours}")], 2);
    }
    say(&bench, &["arm", RIG, "--name", " ", "--all-confirmed"], 2);
    assert!(!bench.path(PLACE).join("leave.json").exists(), "nothing was given so far");
    arm(&bench, &["--confirm", "hands clear", "--confirm", "transport lock out", "--hours", "0.5"], 0);
    let given = leave(&bench);
    assert_eq!((&given["name"], &given["generation"]), (&"A. Person".into(), &1.into()));
    assert_eq!(given["checklist"], serde_json::json!(["transport lock out", "hands clear"]));
    assert!(standing(&bench).contains("A. Person gave leave"), "{}", standing(&bench));
    arm(&bench, &["--all-confirmed"], 0);
    assert_eq!(leave(&bench)["generation"], 2);
    bench.replace(RIG, "drive_limit = \"3 V pk\"", "drive_limit = \"2.9 V pk\"").unwrap();
    assert!(standing(&bench).contains("the rig file was changed"), "{}", standing(&bench));
}

#[test]
fn a_leave_ends_by_its_time() {
    let bench = laboratory();
    // A hundredth of a second: over before the next program has started.
    arm(&bench, &["--all-confirmed", "--hours", "0.000003"], 0);
    assert!(standing(&bench).contains("the leave to move ended at"), "{}", standing(&bench));
}

#[test]
fn a_simulated_rig_needs_no_leave() {
    let bench = Bench::new().unwrap();
    assert!(arm(&bench, &["--all-confirmed"], 2).contains("dry runs need no leave"));
    assert_eq!(standing(&bench), "");
}

#[test]
fn stop_without_a_run_takes_the_leave_away() {
    let bench = laboratory();
    assert!(say(&bench, &["stop", MAIN_RIG], 2).contains("nothing was stopped"));
    arm(&bench, &["--all-confirmed"], 0);
    assert!(say(&bench, &["stop", RIG], 0).contains("was withdrawn"), "by the name of its file");
    assert!(standing(&bench).contains("a person said stop"), "{}", standing(&bench));
    assert!(say(&bench, &["stop", MAIN_RIG], 0).contains("no leave to move"));
    arm(&bench, &["--all-confirmed"], 0);
    assert!(standing(&bench).contains("gave leave"), "{}", standing(&bench));
}

#[test]
fn nobody_arms_or_acknowledges_while_the_rig_is_in_use() {
    let bench = laboratory();
    arm(&bench, &["--all-confirmed"], 0);
    let place = LatchFile::of(&bench.path("state/calwright"), MAIN_RIG, false);
    let lock = place.lock(&Disk).unwrap();
    assert!(arm(&bench, &["--all-confirmed"], 5).contains("is in use"));
    assert!(acknowledge(&bench, &[], 5).contains("is in use"));
    assert!(say(&bench, &["stop", MAIN_RIG], 5).contains("press the emergency stop"));
    drop(lock);
    assert_eq!(leave(&bench)["generation"], 1);
}

/// Louder than all else: it takes a word of its own to get out of it.
#[test]
fn what_could_not_be_made_safe_was_made_safe_by_hand() {
    let bench = laboratory();
    arm(&bench, &["--all-confirmed"], 0);
    let latch = serde_json::json!({
        "state": "tripped", "at_utc": "2000-01-01T00:00:00Z", "run": "r", "reason": "make_safe_failed", "message": "no answer",
    });
    fs::write(bench.path(PLACE).join("latch.json"), latch.to_string()).unwrap();
    assert!(standing(&bench).contains("make_safe_failed"), "{}", standing(&bench));
    let said = arm(&bench, &["--all-confirmed"], 3);
    assert!(said.contains("NOT SAFE") && said.contains("--made-safe-by-hand"), "{said}");
    assert!(acknowledge(&bench, &[], 2).contains("NOT SAFE"));
    arm(&bench, &["--all-confirmed"], 3);
    acknowledge(&bench, &["--made-safe-by-hand"], 0);
    assert!(standing(&bench).contains("the rig tripped"), "{}", standing(&bench));
    arm(&bench, &["--all-confirmed"], 0);
    assert!(standing(&bench).contains("gave leave"), "{}", standing(&bench));
}

/// A dry run in its middle; nothing goes on after a test that failed.
struct Running {
    child: Child,
    heard: BufReader<std::process::ChildStderr>,
}

impl Running {
    fn start(bench: &Bench) -> Self {
        let mut command = bench
            .command(&["dry-run", MAIN_JOB, "--speed", "10", "--no-certificates", "--out", "out"])
            .unwrap();
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut heard = BufReader::new(child.stderr.take().unwrap());
        let mut line = String::new();
        while !line.contains(" measured") {
            line.clear();
            assert!(heard.read_line(&mut line).unwrap() > 0, "the run ended too early");
        }
        Self { child, heard }
    }

    fn status(mut self) -> Option<i32> {
        self.heard.read_to_string(&mut String::new()).unwrap();
        self.child.wait().unwrap().code()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn stop_ends_a_run_and_says_that_it_is_safe() {
    let bench = laboratory();
    arm(&bench, &["--all-confirmed"], 0);
    let running = Running::start(&bench);
    let said = say(&bench, &["stop", MAIN_RIG, "--simulated"], 0);
    assert!(said.contains("was made safe"), "{said}");
    assert_eq!(running.status(), Some(6));
    let result = bench.run_dir("out").json("result.json").unwrap();
    assert_eq!((&result["outcome"], &result["trip"]), (&"cancelled".into(), &Value::Null));
    assert_eq!(bench.latch().unwrap()["state"], "clear");
    assert!(standing(&bench).contains("gave leave"), "a dry run never touches the leave of the real rig");
    assert!(say(&bench, &["stop", MAIN_RIG, "--simulated"], 0).contains("No run goes on"));
}

/// A run that is killed leaves a latch behind that ends the leave of its rig. The dry run's own latch is not the real
/// rig's; laid in its place, it is what a real run that was killed leaves.
#[test]
fn killed_with_leave_given() {
    let bench = laboratory();
    arm(&bench, &["--all-confirmed"], 0);
    let running = Running::start(&bench);
    let pid = Pid::from_raw(i32::try_from(running.child.id()).unwrap()).unwrap();
    kill_process(pid, Signal::KILL).unwrap();
    assert_eq!(running.status(), None);
    assert!(standing(&bench).contains("gave leave"), "it was a dry run");
    assert!(
        say(&bench, &["stop", MAIN_RIG, "--simulated"], 0).contains("No run goes on"),
        "its line is dead"
    );
    let latch = bench.path("state/calwright/simulated/long-stroke/latch.json");
    fs::copy(latch, bench.path(PLACE).join("latch.json")).unwrap();
    assert!(standing(&bench).contains("a run was cut off"), "{}", standing(&bench));
    assert!(arm(&bench, &["--all-confirmed"], 3).contains("restart_while_moving"));
    acknowledge(&bench, &[], 0);
    assert!(!standing(&bench).contains("gave leave"), "{}", standing(&bench));
    arm(&bench, &["--all-confirmed"], 0);
    assert!(standing(&bench).contains("gave leave"), "{}", standing(&bench));
}

/// The guard of a dry run: found open it refuses, opened in motion it trips; either way with exit status 3.
#[test]
fn a_guard_in_a_dry_run() {
    let bench = laboratory();
    let fault = |at: &str| {
        format!("format = 1\n[[fault]]\nkind = \"permissive_opens\"\nchannel = \"guard door\"\nat = {at}\n")
    };
    fs::write(bench.path("open.toml"), fault("{ point = 6, phase = \"dwell\" }")).unwrap();
    bench.dry_run(1, "tripped", &["--faults", "open.toml"]).unwrap().expect_status(3).unwrap();
    let result = bench.run_dir("tripped").json("result.json").unwrap();
    assert_eq!(result["trip"]["reason"], "permissive_lost");
    assert_eq!(bench.run_dir("tripped").json("truth.json").unwrap()["stop_hits"], 0);
    assert_eq!(bench.latch().unwrap()["reason"], "permissive_lost");
    bench.run(&["recompute", "tripped"]).unwrap().expect_status(0).unwrap();
    fs::write(bench.path("nameless.toml"), fault("\"1 s\"").replace("guard door", "gate")).unwrap();
    let said = bench.dry_run(1, "no", &["--faults", "nameless.toml"]).unwrap().expect_status(2).unwrap();
    assert!(said.stderr.contains("'guard door'"), "{}", said.stderr);
}
