//! Golden files: what the program writes and says, so that a change of it is seen and meant.
//!
//! Numbers are rounded to six digits, so that another processor's last place does not show; hashes are left out.

use serde_json::{Value, json};
use tests::bench::MAIN_JOB;
use tests::{Bench, RunDir};

/// Digits that count.
const DIGITS: usize = 6;

#[test]
fn help() {
    let bench = Bench::new().unwrap();
    let said = bench.run(&["--help"]).unwrap().expect_status(0).unwrap();
    insta::assert_snapshot!("help", said.stdout);
}

#[test]
fn check_as_text() {
    let bench = Bench::new().unwrap();
    let said = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(0).unwrap();
    insta::assert_snapshot!("check_text", said.stdout);
}

#[test]
fn check_as_json() {
    let bench = Bench::new().unwrap();
    let said = bench.run(&["check", MAIN_JOB, "--json"]).unwrap().expect_status(0).unwrap();
    let value: Value = serde_json::from_str(&said.stdout).unwrap();
    insta::assert_snapshot!("check_json", pretty(&value));
}

#[test]
fn records_of_the_main_job() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    insta::assert_snapshot!("result", pretty(&first_sensor(&run)));
    insta::assert_snapshot!("truth", pretty(&truth(&run)));
    insta::assert_snapshot!("journal", journal(&run));
}

/// How each fault of the examples ends.
#[test]
fn faults() {
    let bench = Bench::new().unwrap();
    let mut text = String::new();
    for file in ["emergency-stop", "gain-jump", "overload", "stalled-acquisition"] {
        let faults = format!("examples/faults/{file}.toml");
        let state = format!("state-{file}");
        let more = ["--faults", &faults, "--state-dir", &state];
        bench.dry_run(1, file, &more).unwrap().expect_status(3).unwrap();
        let run = bench.run_dir(file);
        let record = json!({
            "trip": run.json("result.json").unwrap()["trip"],
            "faults_struck": run.json("truth.json").unwrap()["faults_struck"],
        });
        text.push_str(&format!("{file}\n{}\n", pretty(&record)));
    }
    insta::assert_snapshot!("faults", text);
}

/// The settings of the examples as they take effect.
#[test]
fn settings() {
    let bench = Bench::new().unwrap();
    let path = bench.path("examples/settings/laboratory.toml");
    let read = calwright::settings::read(Some(&path), None).unwrap();
    let value = serde_json::to_value(read).unwrap();
    insta::assert_snapshot!("settings", pretty(&value));
}

/// A schema is published once for everyone: nothing of this machine or its user may stand in it.
#[test]
fn schemas_are_the_same_everywhere() {
    let (here, there) = (Bench::new().unwrap(), Bench::new().unwrap());
    for kind in calwright::cli::KINDS {
        let of = |bench: &Bench| bench.run(&["schema", kind]).unwrap().expect_status(0).unwrap().stdout;
        assert_eq!(of(&here), of(&there), "the schema of {kind}");
    }
}

fn first_sensor(run: &RunDir) -> Value {
    let mut result = run.json("result.json").unwrap();
    let sensors = result["sensors"].as_array_mut().unwrap();
    sensors.truncate(1);
    // One budget shows what all are like.
    for point in sensors[0]["points"].as_array_mut().unwrap().iter_mut().skip(1) {
        assert!(point["budgets"].take().is_object());
    }
    result
}

fn truth(run: &RunDir) -> Value {
    let mut truth = run.json("truth.json").unwrap();
    truth["sensors"].as_array_mut().unwrap().truncate(1);
    truth
}

fn journal(run: &RunDir) -> String {
    run.journal().unwrap().iter().map(|entry| format!("{}\n", settled(entry))).collect()
}

fn pretty(value: &Value) -> String {
    serde_json::to_string_pretty(&settled(value)).unwrap()
}

/// The value with rounded numbers and without hashes.
fn settled(value: &Value) -> Value {
    match value {
        Value::Number(number) if number.is_f64() => rounded(number.as_f64().unwrap()).into(),
        Value::Array(items) => items.iter().map(settled).collect(),
        Value::Object(map) => map
            .iter()
            .map(|(key, value)| {
                let hash = (key.ends_with("sha256") || key == "prev" || key == "hash") && value.is_string();
                (key.clone(), if hash { "(hash)".into() } else { settled(value) })
            })
            .collect(),
        other => other.clone(),
    }
}

fn rounded(value: f64) -> f64 {
    format!("{value:.*e}", DIGITS - 1).parse().unwrap()
}
