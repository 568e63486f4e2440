//! From a draft to a released certificate, and the proof of it.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use tests::Bench;
use tests::claims::release;

fn read(bench: &Bench, name: &str) -> String {
    fs::read_to_string(bench.path(name)).unwrap()
}

#[test]
fn no_alteration_of_a_release_goes_unnoticed() {
    let figure = release::alterations(1).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn a_release_has_numbers_a_date_and_an_approver() {
    let bench = release::released().unwrap();
    let record: serde_json::Value =
        serde_json::from_str(&read(&bench, "runs/run/release-1/release.json")).unwrap();
    assert_eq!(record["approved_by"], "B. Approver");
    let certificates = record["certificates"].as_array().unwrap();
    assert_eq!(certificates[0]["number"], "SIMULATED-2000-0001");
    let serial = certificates[0]["serial"].as_str().unwrap();
    for ending in ["pdf", "xml", "csv"] {
        assert!(bench.path(&format!("runs/run/release-1/certificate-{serial}.{ending}")).is_file());
    }
    let xml = read(&bench, &format!("runs/run/release-1/certificate-{serial}.xml"));
    assert!(xml.contains("<dcc:issueDate>2000-01-02</dcc:issueDate>") && xml.contains("SIMULATED"));
    assert!(!xml.contains("DRAFT"), "a released certificate is no draft");
    let csv = read(&bench, &format!("runs/run/release-1/certificate-{serial}.csv"));
    assert!(csv.lines().skip(1).all(|row| row.starts_with("SIMULATED,SIMULATED-2000-0001,")), "{csv}");
    // The draft stays what it was.
    assert!(read(&bench, "runs/run/result.json").contains("\"draft\""));
    let verified = bench.run(&["verify", "runs/run", "--public-key", "lab.pub"]).unwrap();
    assert!(verified.expect_status(0).unwrap().stdout.contains("SIMULATED-2000-0001"));
}

#[test]
fn who_ran_the_job_does_not_approve_it() {
    let bench = Bench::new().unwrap();
    bench.run(&["keygen", "lab"]).unwrap().expect_status(0).unwrap();
    release::draft(&bench, 1).unwrap();
    let review = bench.run(&["approve", "runs/run"]).unwrap().expect_status(0).unwrap();
    let operator = review.stdout.split("operator ").nth(1).unwrap().lines().next().unwrap().to_owned();
    let own = ["approve", "runs/run", "--name", &operator, "--key", "lab.key"];
    let refused = bench.run(&own).unwrap().expect_status(2).unwrap();
    assert!(refused.stderr.contains("another person"), "{}", refused.stderr);
    // A key that others can read, a name that is missing, too few numbers.
    let mode = |mode| fs::set_permissions(bench.path("lab.key"), fs::Permissions::from_mode(mode)).unwrap();
    mode(0o644);
    let other = ["approve", "runs/run", "--name", "B. Approver", "--key", "lab.key"];
    assert!(bench.run(&other).unwrap().expect_status(2).unwrap().stderr.contains("others than its owner"));
    mode(0o600);
    let few = [&other[..], &["--number", "X-1"]].concat();
    bench.run(&few).unwrap().expect_status(2).unwrap();
    assert!(!bench.path("runs/run/release-1").exists());
    release::approve(&bench, &[]).unwrap();
}

#[test]
fn an_amendment_names_what_it_replaces_and_an_exclusion_is_printed() {
    let bench = release::released().unwrap();
    let again = ["approve", "runs/run", "--name", "B. Approver", "--key", "lab.key"];
    assert!(bench.run(&again).unwrap().expect_status(2).unwrap().stderr.contains("--amend"));
    let record: serde_json::Value =
        serde_json::from_str(&read(&bench, "runs/run/release-1/release.json")).unwrap();
    let serial = record["certificates"][0]["serial"].as_str().unwrap().to_owned();
    let exclude = format!("{serial}:2=the cable was touched");
    let amend = ["--amend", "A point was taken out.", "--exclude", &exclude, "--at", "2000-01-03T09:00:00Z"];
    release::approve(&bench, &amend).unwrap();
    let xml = read(&bench, &format!("runs/run/release-2/certificate-{serial}.xml"));
    assert!(xml.contains("<dcc:replacedUniqueIdentifier>SIMULATED-2000-0001<"), "{xml}");
    assert!(xml.contains("excluded by B. Approver: the cable was touched"), "{xml}");
    let result: serde_json::Value =
        serde_json::from_str(&read(&bench, "runs/run/release-2/result.json")).unwrap();
    assert_eq!(result["state"], "amended");
    let sensor = result["sensors"].as_array().unwrap().iter().find(|s| s["serial"] == *serial).unwrap();
    assert_eq!(sensor["decision"], "none");
    assert!(release::sound(&bench).unwrap());
}
