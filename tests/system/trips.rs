//! Trips: what strikes while the armature moves, up to the next good run.

use std::collections::BTreeSet;
use std::fs;
use tests::Bench;
use tests::claims::trips::{CASES, Case, NO_TRIP, fault, interrupted, killed, second_program};
use tests::claims::{graded, scheduled};

fn case(file: &str) -> &'static Case {
    CASES.iter().find(|c| c.file == file).unwrap()
}

#[test]
fn the_emergency_stop() {
    fault(1, case("emergency-stop")).unwrap();
}

#[test]
fn an_overload() {
    fault(1, case("overload")).unwrap();
}

#[test]
fn a_stalled_acquisition() {
    fault(1, case("stalled-acquisition")).unwrap();
}

#[test]
fn a_jump_of_the_gain() {
    fault(1, case("gain-jump")).unwrap();
}

#[test]
fn every_fault_of_the_examples_has_its_line() {
    let bench = Bench::new().unwrap();
    let there: BTreeSet<String> = fs::read_dir(bench.path("examples/faults"))
        .unwrap()
        .map(|e| e.unwrap().path().file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    let tripping = CASES.iter().map(|c| c.file);
    let listed: BTreeSet<String> = tripping.chain(NO_TRIP.iter().map(|n| n.0)).map(str::to_owned).collect();
    assert_eq!(there, listed);
}

#[test]
fn an_amplifier_that_trips_and_a_coil_that_overheats() {
    fault(1, case("amplifier-trip")).unwrap();
    fault(1, case("coil-overheating")).unwrap();
}

#[test]
fn a_reference_that_opens_or_turns_round() {
    fault(1, case("reference-open")).unwrap();
    fault(1, case("reference-reversed")).unwrap();
}

/// Neither the source's own word nor its command to be at 0 V counts: the mute stops it.
#[test]
fn a_source_that_does_not_follow() {
    fault(1, case("source-deaf")).unwrap();
    fault(1, case("source-holds-last")).unwrap();
}

/// A small sample of the search for faults that are answered wrongly, and of what is found of each by its size.
#[test]
fn faults_at_a_point_are_answered_rightly() {
    for figure in
        [scheduled::all(false).unwrap(), scheduled::off::held(false).unwrap(), graded::all(false).unwrap()]
    {
        assert!(figure.met(), "{figure}");
    }
}

/// What is wrong with one sensor costs points of that sensor, never the run, and never passes.
#[test]
fn a_bad_sensor_costs_its_own_points() {
    for file in ["cable-intermittent", "loose-mount", "sensor-clipped"] {
        let bench = Bench::new().unwrap();
        let faults = format!("examples/faults/{file}.toml");
        bench.dry_run(1, "bad", &["--faults", &faults]).unwrap().expect_status(1).unwrap();
        let result = bench.run_dir("bad").json("result.json").unwrap();
        let of = |sensor: &serde_json::Value, status: &str| {
            sensor["points"].as_array().unwrap().iter().filter(|p| p["status"] == status).count()
        };
        let sensors = result["sensors"].as_array().unwrap();
        let hurt: Vec<_> = sensors.iter().filter(|s| of(s, "rejected") > 0).collect();
        assert_eq!(hurt.len(), 1, "{file}");
        assert_ne!(hurt[0]["decision"], "pass");
        assert!(sensors.iter().filter(|s| of(s, "accepted") == 12).all(|s| s["decision"] == "pass"));
    }
}

/// A contact that comes back within a second: the dwell is measured again, both are recorded, the good one counts.
#[test]
fn a_cable_that_opens_for_a_second_costs_a_repeat() {
    let bench = Bench::new().unwrap();
    let faults = ["--faults", "examples/faults/sensor-open.toml"];
    bench.dry_run(1, "opened", &faults).unwrap().expect_status(0).unwrap();
    let run = bench.run_dir("opened");
    let repeats: Vec<_> = run.entries("point").unwrap().iter().map(|e| e["repeat"].clone()).collect();
    assert_eq!(repeats.iter().filter(|r| **r == 2).count(), 1, "{repeats:?}");
    let result = run.json("result.json").unwrap();
    let of_point = &result["sensors"][0]["points"][7]["repeats"];
    assert_eq!((&of_point[0]["valid"], &of_point[1]["valid"]), (&false.into(), &true.into()));
    bench.run(&["recompute", "opened"]).unwrap().expect_status(0).unwrap();
}

#[test]
fn killed_in_motion() {
    killed().unwrap();
}

#[test]
fn a_second_program_is_kept_away() {
    second_program().unwrap();
}

#[test]
fn ctrl_c_winds_down() {
    interrupted(1).unwrap();
}

#[test]
fn ctrl_c_twice_makes_safe_at_once() {
    interrupted(2).unwrap();
}

/// A latch that is missing or can't be understood counts as tripped where the rig was used before.
#[test]
fn a_lost_or_broken_latch_counts_as_tripped() {
    let bench = Bench::new().unwrap();
    bench.good_run(1, "first").unwrap();
    let path = bench.path("state/calwright/simulated/long-stroke/latch.json");
    let good = fs::read(&path).unwrap();
    for bad in [Some(&b"{"[..]), Some(&b""[..]), Some(&b"{\"state\":\"fine\"}"[..]), None] {
        match bad {
            Some(bytes) => fs::write(&path, bytes).unwrap(),
            None => fs::remove_file(&path).unwrap(),
        }
        let refused = bench.dry_run(1, "second", &[]).unwrap().expect_status(3).unwrap();
        assert!(refused.stderr.contains("latch"), "{}", refused.stderr);
    }
    fs::write(&path, good).unwrap();
    bench.good_run(1, "second").unwrap();
}
