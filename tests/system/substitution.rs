//! Reference and sensors through the same channels, one after the other, through the real program on a simulated rig.

use serde_json::Value;
use tests::Bench;
use tests::bench::MAIN_JOB;

const RIG: &str = "examples/rigs/long-stroke.toml";
const PLAN: &str = "examples/plans/low-frequency.toml";

/// Channels that are off by far more than the rig file's bound of 0.05 % and 0.05° at 100 Hz.
const OFF: &str = "\n[[simulation.channels]]\nname = \"s1\"\ngain_error = \"1 %\"\ndelay_error = \"20 us\"\n\n\
                   [[simulation.channels]]\nname = \"s2\"\ngain_error = \"-0.8 %\"\ndelay_error = \"-20 us\"\n";

const SWITCH: &str = "by = \"switch\"\noutput = 2";

/// A bench whose plan wants substitution, or does not, on channels that are off, or are not.
fn bench(by: &str, substitutes: bool, off: bool) -> Bench {
    let bench = Bench::new().unwrap();
    let way = format!(
        "[substitution]\n{by}\nkeeps_reference = true\nequality = \"0.002 %\"\nequality_phase = \"0.005 deg\"\n\
         stability = \"0.005 %\"\nstability_phase = \"0.005 deg\"\n\n"
    );
    let heading = "# A contact on the guard door";
    bench.replace(RIG, heading, &format!("{way}{heading}")).unwrap();
    if off {
        let text = std::fs::read_to_string(bench.path(RIG)).unwrap();
        std::fs::write(bench.path(RIG), format!("{text}{OFF}")).unwrap();
    }
    if substitutes {
        bench
            .replace(PLAN, "tolerance = \"5 %\"\n", "tolerance = \"5 %\"\nmethod = \"substitution\"\n")
            .unwrap();
    }
    bench
}

fn read(bench: &Bench, name: &str) -> Value {
    let text = std::fs::read_to_string(bench.path(&format!("run/{name}.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// Result and truth of a dry run.
fn run(bench: &Bench) -> (Value, Value) {
    let finished = bench.dry_run(1, "run", &[]).unwrap();
    assert!(finished.status < Some(2), "{}", finished.stderr);
    (read(bench, "result"), read(bench, "truth"))
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("no {key} in {value}"))
}

fn points(value: &Value, sensor: usize) -> &Vec<Value> {
    value["sensors"][sensor]["points"].as_array().unwrap()
}

/// Relative difference of the sensitivities of a sensor in percent and of its phases in degrees, point by point.
fn apart(one: &Value, other: &Value, sensor: usize) -> Vec<(f64, f64)> {
    let both = std::iter::zip(points(one, sensor), points(other, sensor));
    both.map(|(one, other)| {
        let turned = number(one, "phase_deg") - number(other, "phase_deg");
        let off = number(one, "sensitivity") / number(other, "sensitivity") - 1.0;
        (off * 100.0, (turned + 180.0).rem_euclid(360.0) - 180.0)
    })
    .collect()
}

/// A channel that is off by 1 % and 20 µs makes the sensor off by as much where it is compared at once; through one channel it
/// makes less than 0.05 %, and every result lies within its U of the truth. A recomputed run says the same.
#[test]
fn what_a_channel_is_off_by_cancels() {
    let (right, _) = run(&bench(SWITCH, true, false));
    let (at_once, _) = run(&bench(SWITCH, false, true));
    assert_eq!(at_once["method"], "multi");
    for (off, _) in apart(&at_once, &right, 0) {
        assert!((off - 1.0).abs() < 0.1, "{off}");
    }
    let bench = bench(SWITCH, true, true);
    let (with, truth) = run(&bench);
    assert_eq!(with["method"], "substitution");
    for sensor in 0..4 {
        for (off, turned) in apart(&with, &right, sensor) {
            assert!(off.abs() < 0.05 && turned.abs() < 0.05, "sensor {sensor}: {off} % {turned}°");
        }
        let errors = apart(&with, &truth, sensor);
        for (point, (off, turned)) in std::iter::zip(points(&with, sensor), errors) {
            assert!(off.abs() < number(point, "u_rel_percent"), "sensor {sensor}: {off} % {point}");
            assert!(turned.abs() < number(point, "u_phase_deg"), "sensor {sensor}: {turned}° {point}");
        }
    }
    let measured = &with["substitution"];
    assert_eq!((measured["by"].as_str(), with["channel_ratio"].is_null()), (Some("switch"), true));
    let shown = measured["channels"][0]["points"].as_array().unwrap();
    // Twelve points, and the first of them once more.
    assert_eq!(shown.len(), 13);
    assert!(shown.iter().all(|p| (number(p, "ratio") - 1.01).abs() < 1e-3), "{shown:?}");
    let point = &with["sensors"][0]["points"][3];
    let rows = point["budgets"]["magnitude"]["rows"].as_array().unwrap();
    let named = |name: &str| rows.iter().find(|r| r["component"] == name);
    assert!(named("channel ratio").is_none());
    assert_eq!(named("stability of monitor").unwrap()["source"], "rig_file");
    assert_eq!(named("scatter of reference through channel").unwrap()["source"], "this_run");

    let again = bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap();
    assert!(again.stdout.contains("to the bit"), "{}", again.stdout);
    a_changed_point_is_found(&bench);
}

/// Every file of it is held against the journal.
fn a_changed_point_is_found(bench: &Bench) {
    let journal = std::fs::read_to_string(bench.path("run/journal.jsonl")).unwrap();
    let mut entries = journal.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
    let entry = entries.find(|e| e["kind"] == "substituted").unwrap();
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
    let bench = bench("by = \"person\"", true, false);
    let (result, _) = run(&bench);
    let confirmed = result["substitution"]["confirmed"].as_array().unwrap();
    let ways: Vec<&str> = confirmed.iter().map(|c| c["cable"].as_str().unwrap()).collect();
    assert_eq!(ways, ["reference_to_channels", "sensors_to_channels"]);
    assert!(confirmed.iter().all(|c| c["name"] == "nobody (simulated)"));
    assert!(points(&result, 0).iter().all(|p| p["status"] == "accepted"));
    bench.run(&["recompute", "run"]).unwrap().expect_status(0).unwrap();
}

/// `check` foresees how long it takes and how certain it will be.
#[test]
fn check_foresees_it() {
    let bench = bench(SWITCH, true, false);
    let said = bench.run(&["check", MAIN_JOB, "--json"]).unwrap().expect_status(0).unwrap();
    let record: Value = serde_json::from_str(&said.stdout).unwrap();
    let foreseen = number(&record["waits"], "channels_s");
    let (result, _) = run(&bench);
    let waits = ["soak_s", "channels_s", "quiet_s", "first_motion_s", "closing_s", "decays_s"];
    let all: f64 = waits.iter().map(|w| number(&record["waits"], w)).sum();
    assert!(foreseen > 60.0 && (number(&result, "waited_s") / all - 1.0).abs() < 0.25, "{foreseen} of {all}");
    for (n, point) in points(&result, 0).iter().enumerate() {
        let u = &record["points"][n]["uncertainties"][0];
        assert!(
            (number(point, "u_rel_percent") / number(u, "u_rel_percent") - 1.0).abs() < 0.2,
            "{point} {u}"
        );
    }
}
