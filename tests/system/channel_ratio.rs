//! One voltage in all channels, through the real program on a simulated rig whose channels are off by known errors.

use serde_json::Value;
use tests::Bench;
use tests::bench::MAIN_JOB;

const RIG: &str = "examples/rigs/long-stroke.toml";
const PLAN: &str = "examples/plans/low-frequency.toml";

/// Channels that are off by far more than the rig file's bound of 0.05 % and 0.05° at 100 Hz.
const OFF: &str = "\n[[simulation.channels]]\nname = \"s1\"\ngain_error = \"1 %\"\ndelay_error = \"20 us\"\n\n\
                   [[simulation.channels]]\nname = \"s2\"\ngain_error = \"-0.8 %\"\ndelay_error = \"-20 us\"\n";

fn bench(by: &str, asks: bool) -> Bench {
    let bench = Bench::new().unwrap();
    let route = format!(
        "[channel_ratio]\n{by}\nparts_amplifier = true\namplitude = \"1 V pk\"\nequality = \"0.002 %\"\n\n"
    );
    let heading = "# A contact on the guard door";
    bench.replace(RIG, heading, &format!("{route}{heading}")).unwrap();
    let text = std::fs::read_to_string(bench.path(RIG)).unwrap();
    std::fs::write(bench.path(RIG), format!("{text}{OFF}")).unwrap();
    if asks {
        let wanted = "[channel_ratio]\nfrequencies = [\"0.5 Hz\", \"7 Hz\", \"40 Hz\", \"101.5 Hz\"]\nagain = true\n\n";
        bench.replace(PLAN, "[decision]\n", &format!("{wanted}[decision]\n")).unwrap();
    }
    bench
}

const SWITCH: &str = "by = \"switch\"\noutput = 2";

/// Result and truth of a dry run.
fn run(bench: &Bench) -> (Value, Value) {
    let finished = bench.dry_run(1, "run", &[]).unwrap();
    assert!(finished.status < Some(2), "{}", finished.stderr);
    let read = |name: &str| {
        let text = std::fs::read_to_string(bench.path(&format!("run/{name}.json"))).unwrap();
        serde_json::from_str(&text).unwrap()
    };
    (read("result"), read("truth"))
}

/// For each point of a sensor the error of the magnitude over its U, and of the phase over its U.
fn errors((result, truth): &(Value, Value), sensor: usize) -> Vec<(f64, f64)> {
    let points = |value: &Value| value["sensors"][sensor]["points"].as_array().unwrap().clone();
    let number = |value: &Value, key: &str| value[key].as_f64().unwrap();
    let both = std::iter::zip(points(result), points(truth));
    both.map(|(seen, truth)| {
        let off = (number(&seen, "sensitivity") / number(&truth, "sensitivity") - 1.0) * 100.0;
        let turned =
            (number(&seen, "phase_deg") - number(&truth, "phase_deg") + 180.0).rem_euclid(360.0) - 180.0;
        (off / number(&seen, "u_rel_percent"), turned / number(&seen, "u_phase_deg"))
    })
    .collect()
}

/// Without the measurement the channels' errors are the sensors'; with it they are gone, within U. A recomputed run says the same.
#[test]
fn what_channels_are_off_by_is_taken_out_and_derived_again() {
    let without = run(&bench(SWITCH, false));
    for sensor in [0, 1] {
        assert!(errors(&without, sensor).iter().all(|(magnitude, _)| magnitude.abs() > 1.0), "{without:?}");
        let phases = errors(&without, sensor);
        assert!(phases.last().unwrap().1.abs() > 1.0, "{phases:?}");
    }
    assert!(without.0["channel_ratio"].is_null());

    let bench = bench(SWITCH, true);
    let with = run(&bench);
    for sensor in 0..4 {
        for (magnitude, phase) in errors(&with, sensor) {
            assert!(magnitude.abs() < 1.0 && phase.abs() < 1.0, "sensor {sensor}: {magnitude} {phase}");
        }
    }
    let measured = &with.0["channel_ratio"];
    assert_eq!(
        (measured["by"].as_str(), measured["confirmed"].as_array().unwrap().len()),
        (Some("switch"), 0)
    );
    let tones = measured["channels"][0]["tones"].as_array().unwrap();
    assert_eq!(tones.len(), 8);
    assert!((tones[0]["ratio"].as_f64().unwrap() - 1.01).abs() < 1e-3, "{}", tones[0]);
    let point = &with.0["sensors"][0]["points"][3];
    assert_eq!(point["channel_ratio"], "this_run");
    let rows = point["budgets"]["magnitude"]["rows"].as_array().unwrap();
    let named = |name: &str| rows.iter().find(|r| r["component"] == name);
    assert!(named("channel ratio").is_none());
    assert_eq!(named("measured channel ratio").unwrap()["source"], "this_run");

    let again = bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap();
    assert!(again.stdout.contains("to the bit"), "{}", again.stdout);
}

/// Every file of it is held against the journal.
#[test]
fn a_tone_that_was_changed_is_found() {
    let bench = bench(SWITCH, true);
    run(&bench);
    let journal = std::fs::read_to_string(bench.path("run/journal.jsonl")).unwrap();
    let entry: Value = serde_json::from_str(journal.lines().nth(2).unwrap()).unwrap();
    assert_eq!(entry["kind"], "ratio_tone");
    let file = bench.path(&format!("run/raw/{}.parquet", entry["body"]["raw_sha256"].as_str().unwrap()));
    let mut bytes = std::fs::read(&file).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&file, bytes).unwrap();
    bench.run(&["recompute", "run"]).unwrap().expect_status(7).unwrap();
}

/// A person's confirmations are kept with name and time; in a dry run nobody is there, which the name says.
#[test]
fn a_person_is_asked_and_kept() {
    let bench = bench("by = \"person\"", true);
    let (result, _) = run(&bench);
    let confirmed = result["channel_ratio"]["confirmed"].as_array().unwrap();
    let ways: Vec<&str> = confirmed.iter().map(|c| c["cable"].as_str().unwrap()).collect();
    assert_eq!(ways, ["to_channels", "to_amplifier", "to_channels", "to_amplifier"]);
    assert!(confirmed.iter().all(|c| c["name"] == "nobody (simulated)"));
    assert!(confirmed.iter().all(|c| c["at_utc"].as_str().unwrap().starts_with("2000-01-01T")));
    bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap();
}

/// `check` foresees how long it takes.
#[test]
fn its_time_is_foreseen() {
    let bench = bench(SWITCH, true);
    let said = bench.run(&["check", MAIN_JOB, "--json"]).unwrap().expect_status(0).unwrap();
    let record: Value = serde_json::from_str(&said.stdout).unwrap();
    let foreseen = record["waits"]["channels_s"].as_f64().unwrap();
    // 0.5 Hz: 20 s and two ways of 4 s; the others 2 s and what surrounds them.
    assert!((64.0..80.0).contains(&foreseen), "{foreseen}");
}

/// Nobody can be told where no run goes on, and nobody has no name.
#[test]
fn a_confirmation_needs_a_run_and_a_name() {
    let bench = Bench::new().unwrap();
    let no_run = bench.run(&["confirm", "long-stroke", "--simulated", "--name", "A. Person"]).unwrap();
    assert!(no_run.expect_status(2).unwrap().stderr.contains("no run goes on"));
    bench.run(&["confirm", "long-stroke", "--simulated", "--name", " "]).unwrap().expect_status(2).unwrap();
}
