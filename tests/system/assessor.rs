//! What an assessor asks for: a validated program, whole folders derived again, results before an adjustment beside those after.

use std::fs;
use tests::Bench;
use tests::bench::MAIN_JOB;

#[test]
fn a_validated_program_says_so_in_its_results() {
    let bench = Bench::new().unwrap();
    let software = |out: &str| {
        let run = bench.good_run(1, out).unwrap();
        run.json("result.json").unwrap()["software"].clone()
    };
    let before = software("before");
    assert_eq!(before["validated"], false);
    let arguments = ["validate", "--out", "reports", "--name", "A. Person", "--at", "2000-01-01T00:00:00Z"];
    let said = bench.run(&arguments).unwrap().expect_status(0).unwrap();
    assert!(said.stdout.contains("passed"), "{}", said.stdout);
    let report = fs::read_to_string(bench.path("reports/validation-2000-01-01-000000.txt")).unwrap();
    let hash = before["hash"].as_str().unwrap();
    assert!(hash.len() == 64 && report.contains(hash) && report.contains("A. Person"), "{report}");
    assert!(bench.path("reports/validation-2000-01-01-000000.json").is_file());
    assert_eq!(software("after")["validated"], true);
}

#[test]
fn a_folder_of_runs_is_derived_again() {
    let bench = Bench::new().unwrap();
    let (one, _) = (bench.good_run(1, "runs/one").unwrap(), bench.good_run(2, "runs/more/two").unwrap());
    let said = bench.run(&["recompute", "runs"]).unwrap().expect_status(0).unwrap();
    assert!(said.stdout.contains("2 of 2 runs are as they were written"), "{}", said.stdout);
    // A budget is a result too: its figures follow from the waveforms.
    let text = String::from_utf8(one.bytes("result.json").unwrap()).unwrap();
    one.write("result.json", text.replacen("\"reference drift\"", "\"reference drafts\"", 1).as_bytes())
        .unwrap();
    let said = bench.run(&["recompute", "runs", "--json"]).unwrap().expect_status(7).unwrap();
    let told: Vec<serde_json::Value> = serde_json::from_str(&said.stdout).unwrap();
    let verified: Vec<bool> = told.iter().map(|run| run["verified"].as_bool().unwrap()).collect();
    assert_eq!(verified, [true, false]);
}

#[test]
fn results_as_found_stand_beside_those_as_left() {
    let bench = Bench::new().unwrap();
    let run = |job: &str, out: &str, at: &str| {
        let arguments = ["dry-run", job, "--seed", "1", "--out", out, "--at", at, "--no-certificates"];
        bench.run(&arguments).unwrap().expect_status(0).unwrap();
    };
    run(MAIN_JOB, "found", "2000-01-01T00:00:00Z");
    let job = fs::read_to_string(bench.path(MAIN_JOB)).unwrap();
    assert!(job.contains("condition = \"as_found\""));
    let job = job.replacen("condition = \"as_found\"", "condition = \"as_left\"", 1);
    fs::write(bench.path("examples/left.toml"), job).unwrap();
    run("examples/left.toml", "left", "2000-01-02T00:00:00Z");

    let certificate = |of: &str, before: &str| {
        bench.run(&["certificate", of, "--as-found", before, "--budgets", "--out", "out"]).unwrap()
    };
    let made = certificate("left", "found").expect_status(0).unwrap();
    assert!(made.stdout.contains("certificate-BW-40117.pdf"), "{}", made.stdout);
    // The wrong way round, a run beside itself, and one that was tampered with.
    for (of, before, status) in [("found", "left", 2), ("left", "left", 2)] {
        certificate(of, before).expect_status(status).unwrap();
    }
    let found = bench.run_dir("found");
    let mut bytes = found.bytes("result.json").unwrap();
    bytes.push(b'\n');
    found.write("result.json", &bytes).unwrap();
    certificate("left", "found").expect_status(7).unwrap();
}
