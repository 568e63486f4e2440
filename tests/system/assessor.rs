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

/// What is outside the scope of the accreditation is marked in data too, and a scope that has lapsed is said before and after.
#[test]
fn results_outside_the_scope_are_marked() {
    let bench = Bench::new().unwrap();
    let scope = fs::read_to_string(bench.path("examples/settings/scope.toml")).unwrap();
    assert!(scope.contains("to = \"100 Hz\""));
    fs::write(bench.path("scope.toml"), scope.replacen("to = \"100 Hz\"", "to = \"20 Hz\"", 1)).unwrap();
    let laboratory = fs::read_to_string(bench.path("examples/settings/laboratory.toml")).unwrap();
    fs::write(bench.path("calwright.toml"), format!("scope = \"scope.toml\"\n{laboratory}")).unwrap();
    let run = |out: &str| {
        let arguments = ["dry-run", MAIN_JOB, "--seed", "1", "--out", out, "--at", "2000-01-01T00:00:00Z"];
        // The capability of the scope widens guard bands: not every point need pass.
        let said = bench.run(&arguments).unwrap();
        assert!(matches!(said.status, Some(0 | 1)), "{}", said.stderr);
        said.stderr
    };
    let said = run("within");
    assert!(!said.contains("no result will be accredited"), "{said}");
    let read = |name: &str| fs::read_to_string(bench.path(name)).unwrap();
    let xml = read("within/certificate-BW-40117.xml");
    assert!(xml.contains("<dcc:calibrationLaboratoryCode>XL-00000<"), "{xml}");
    assert!(
        xml.contains("calwright_accredited")
            && xml.contains("Not within the scope of accreditation: the results at")
    );
    let csv = read("within/certificate-BW-40117.csv");
    assert!(csv.lines().any(|row| row.contains(",XL-00000,yes,yes,")), "{csv}");
    assert!(csv.lines().any(|row| row.contains(",XL-00000,no,no,")), "{csv}");
    // Another scope at the release: said, and the run's counts.
    fs::write(bench.path("scope.toml"), scope.replacen("XL-00000", "XL-00001", 1)).unwrap();
    let review = bench.run(&["approve", "within"]).unwrap().expect_status(0).unwrap();
    assert!(
        review.stderr.contains("measured under the scope of accreditation XL-00000"),
        "{}",
        review.stderr
    );
    assert!(
        review.stdout.contains("Scope of accreditation XL-00000, valid until 2001-06-30"),
        "{}",
        review.stdout
    );

    fs::write(bench.path("scope.toml"), scope.replacen("2001-06-30", "1999-12-31", 1)).unwrap();
    let checked = bench.run(&["check", MAIN_JOB]).unwrap();
    assert!(checked.stderr.contains("no result will be accredited"), "{}", checked.stderr);
    let said = run("lapsed");
    assert!(said.contains("no result will be accredited"), "{said}");
    let xml = read("lapsed/certificate-BW-40117.xml");
    assert!(!xml.contains("XL-00000") && xml.contains("was valid until 1999-12-31"), "{xml}");
}

/// Files that certificates need are asked for before anything moves.
#[test]
fn missing_files_of_certificates_are_refused_before_a_run() {
    let bench = Bench::new().unwrap();
    for (setting, words) in [
        ("[certificate]\ntemplate = \"none.typ\"", "the template of certificates is not there"),
        ("[certificate]\nfonts = \"no-fonts\"", "the folder of fonts is not there"),
        ("[laboratory]\nmark = \"none.svg\"", "the laboratory's mark is not there"),
        ("[laboratory]\ncountry = \"Germany\"", "two capital letters"),
        ("[release]\nnumber = \"{month}-{n}\"", "{month} stands for nothing"),
    ] {
        fs::write(bench.path("calwright.toml"), setting).unwrap();
        for command in [&["check", MAIN_JOB][..], &["dry-run", MAIN_JOB, "--out", "never"]] {
            let said = bench.run(command).unwrap().expect_status(2).unwrap();
            assert!(
                said.stderr.contains(words) && said.stderr.contains("calwright.toml:2:"),
                "{}",
                said.stderr
            );
        }
    }
    assert!(!bench.path("never").exists());
}
