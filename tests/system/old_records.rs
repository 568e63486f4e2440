//! Records of the time before results stated what they state today.

use calibration::evaluate::Conventions;
use calibration::sequence::Setup;
use calwright::files::Disk;
use calwright::hash::sha256;
use calwright::recompute::replay;
use calwright::record::assemble::assemble;
use calwright::record::journal::{Journal, What};
use calwright::record::run::RunRecord;
use serde_json::Value;
use tests::{Bench, RunDir};

/// Keys that came later.
const LATER: [&str; 8] = [
    "scope",
    "guard_band_percent",
    "conformity_percent",
    "accredited",
    "phase_accredited",
    "budgets",
    "channel_ratio",
    "substitution",
];

fn strip(value: &mut Value, keys: &[&str]) {
    match value {
        Value::Object(map) => {
            map.retain(|key, _| !keys.contains(&key.as_str()));
            map.values_mut().for_each(|value| strip(value, keys));
        }
        Value::Array(list) => list.iter_mut().for_each(|value| strip(value, keys)),
        _ => {}
    }
}

/// The result of a run as it was stated under these conventions.
fn stated(run: &RunDir, conventions: Conventions) -> Value {
    let record: RunRecord = serde_json::from_slice(&run.bytes("run.json").unwrap()).unwrap();
    let setup = Setup { conventions, ..Setup::new(record.job().unwrap()) };
    let journal = Journal::read(&run.bytes("journal.jsonl").unwrap()).unwrap();
    let facts = replay(run.path(), &Disk, &setup, &journal, record.estimator).unwrap();
    let Some(What::Finished(end)) = journal.entries.last().map(|e| &e.what) else { panic!("no end") };
    serde_json::to_value(assemble(&record, &setup, &facts, end).unwrap()).unwrap()
}

/// Puts a result in place of the one that is there, and its hash into the journal's last entry, which no other vouches for.
fn put(run: &RunDir, result: &Value) {
    let was = sha256(&run.bytes("result.json").unwrap());
    let text = format!("{}\n", serde_json::to_string_pretty(result).unwrap());
    run.write("result.json", text.as_bytes()).unwrap();
    let journal = String::from_utf8(run.bytes("journal.jsonl").unwrap()).unwrap();
    run.write("journal.jsonl", journal.replace(&was, &sha256(text.as_bytes())).as_bytes()).unwrap();
}

/// A result without budgets: none was simulated then, and the rest follows from the waveforms as it was. What it does not state is
/// named; a figure that was altered, or a key that was always there and is not, is found as ever.
#[test]
fn a_result_without_budgets_is_derived_as_it_was() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let today: Value = serde_json::from_slice(&run.bytes("result.json").unwrap()).unwrap();
    let mut old = stated(&run, Conventions::FirstOrder);
    assert_ne!(old, today, "no budget of the example is simulated, so that this would show nothing");
    strip(&mut old, &LATER);
    put(&run, &old);

    let said = bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap().stdout;
    assert!(said.contains("made before results stated") && said.contains("sensors.points.budgets"), "{said}");
    let said = bench.run(&["recompute", "run", "--json"]).unwrap().expect_status(0).unwrap().stdout;
    let said: Value = serde_json::from_str(&said).unwrap();
    assert_eq!((&said["verified"], &said["identical"]), (&Value::from(true), &Value::from(false)));
    assert_eq!(said["not_stated"].as_array().unwrap().len(), 9, "{said}");

    let mut altered = old.clone();
    let u = &mut altered["sensors"][0]["points"][3]["u_rel_percent"];
    *u = Value::from(u.as_f64().unwrap() * 0.99);
    put(&run, &altered);
    let refused = bench.run(&["recompute", "run"]).unwrap().expect_status(7).unwrap();
    assert!(refused.stderr.contains("u_rel_percent"), "{}", refused.stderr);

    let mut short = old;
    strip(&mut short, &["coverage_factor"]);
    put(&run, &short);
    let refused = bench.run(&["recompute", "run"]).unwrap().expect_status(7).unwrap();
    assert!(refused.stderr.contains("coverage_factor: nothing was stored"), "{}", refused.stderr);
}

/// Budgets were simulated before probabilities of conformity went by what came out: these are derived as they were stated.
#[test]
fn a_probability_by_student_is_derived_as_it_was() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let mut old = stated(&run, Conventions::Simulated);
    strip(&mut old, &["substitution"]);
    put(&run, &old);
    let said = bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap().stdout;
    assert!(said.contains("results stated substitution:"), "{said}");
}
