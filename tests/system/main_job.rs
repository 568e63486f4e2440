//! The main job: the README's first command, and that it gives the same bytes again.

use serde_json::Value;
use tests::claims::{identity, main_job};
use tests::{Bench, Figure};

#[test]
fn the_first_command_of_the_readme_leaves_a_complete_run() {
    let bench = Bench::new().unwrap();
    let (finished, run) = main_job::first_command(&bench).unwrap();
    let size = main_job::complete(&run).unwrap();
    assert!(size.sensors >= 3 && size.points >= 10, "{size:?}");
    let last = finished.stdout.lines().rev().nth(1).unwrap();
    assert!(last.starts_with("SIMULATED. Run ") && last.contains("Seed 1."), "{last}");
}

#[test]
fn a_seed_gives_the_same_bytes_again_and_another_seed_another_result() {
    let figure: Figure = identity::bytes(&[1, 2]).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn without_a_place_each_run_gets_a_folder_of_its_own() {
    let bench = Bench::new().unwrap();
    let one = || bench.run(&["dry-run", "examples/portable.toml", "--no-certificates"]).unwrap();
    let places: Vec<String> = [one(), one()]
        .into_iter()
        .map(|f| f.expect_status(0).unwrap().stdout.lines().last().unwrap().to_owned())
        .collect();
    assert_ne!(places[0], places[1]);
    assert!(places.iter().all(|p| p.starts_with("Run directory: run/dry-portable-1")), "{places:?}");
}

#[test]
fn standard_output_carries_the_result_and_nothing_else() {
    let bench = Bench::new().unwrap();
    let finished = bench.dry_run(3, "out", &["--json"]).unwrap().expect_status(0).unwrap();
    let said: Value = serde_json::from_str(&finished.stdout).unwrap();
    assert_eq!(said, bench.run_dir("out").json("result.json").unwrap());
    assert_eq!(said["seed"], 3);
}

#[test]
fn certificates_are_made_again_from_the_records_to_the_byte() {
    let bench = Bench::new().unwrap();
    let (_, run) = main_job::first_command(&bench).unwrap();
    let path = run.path().display().to_string();
    bench.run(&["certificate", &path, "--out", "again"]).unwrap().expect_status(0).unwrap();
    let again = bench.run_dir("again").files().unwrap();
    assert!(again.len() >= 3, "{:?}", again.keys());
    for (name, bytes) in again {
        assert!(bytes == run.bytes(&name).unwrap(), "{name} differs");
    }
}

#[test]
fn a_sensor_out_of_tolerance_is_no_pass_and_says_so_by_exit_status() {
    let bench = Bench::new().unwrap();
    bench
        .replace("examples/plans/low-frequency.toml", "tolerance = \"5 %\"", "tolerance = \"0.6 %\"")
        .unwrap();
    bench.dry_run(1, "out", &[]).unwrap().expect_status(1).unwrap();
    let result = bench.run_dir("out").json("result.json").unwrap();
    assert_eq!(result["outcome"], "done");
    let decisions: Vec<&Value> =
        result["sensors"].as_array().unwrap().iter().map(|s| &s["decision"]).collect();
    assert!(decisions.iter().any(|d| *d != "pass"), "{decisions:?}");
}
