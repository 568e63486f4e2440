//! A room that leaves the plan's limits in mid-run: the pause, what the records say of it, and its end.

use std::fs;
use tests::Bench;

/// The room is back in time: the run pauses at the point that it spoilt, measures it anew, and all is as it would have been.
#[test]
fn a_room_that_comes_back_costs_time_and_no_point() {
    let bench = Bench::new().unwrap();
    let faults = ["--faults", "examples/faults/ambient-excursion.toml"];
    let out = bench.dry_run(1, "paused", &faults).unwrap().expect_status(0).unwrap();
    assert!(out.stderr.contains("PAUSED at zero drive") && out.stderr.contains("29"), "{}", out.stderr);
    let run = bench.run_dir("paused");
    let (paused, went_on) = (run.entries("paused").unwrap(), run.entries("went_on").unwrap());
    assert_eq!((paused.len(), went_on.len()), (1, 1));
    assert_eq!((&paused[0]["point"], &paused[0]["finding"]["limit"]), (&1.into(), &26.0.into()));
    let lasted = went_on[0]["paused_s"].as_f64().unwrap();
    assert!((100.0..150.0).contains(&lasted), "{lasted} s for 90 s out and half a minute within");
    let result = run.json("result.json").unwrap();
    let calm = bench.good_run(1, "calm").unwrap().json("result.json").unwrap();
    let time = |of: &serde_json::Value, what: &str| of[what].as_f64().unwrap();
    let longer = time(&result, "rig_s") - time(&calm, "rig_s");
    assert!((lasted..lasted + 60.0).contains(&longer), "{longer} s longer");
    assert!(result["sensors"].as_array().unwrap().iter().all(|s| s["decision"] == "pass"));
    let truth = run.json("truth.json").unwrap();
    assert_eq!(
        (&truth["faults_struck"][0]["kind"], &truth["stop_hits"]),
        (&"ambient_excursion".into(), &0.into())
    );
    bench.run(&["recompute", "paused"]).unwrap().expect_status(0).unwrap();
}

/// The room stays away: after the plan's longest pause the run ends, not done, with what somebody has to look at.
#[test]
fn a_room_that_stays_away_ends_the_run() {
    let bench = Bench::new().unwrap();
    let fault = "format = 1\n[[fault]]\nkind = \"ambient_excursion\"\nvalue = \"-5 K\"\nat = { point = 8, phase = \"settle\" }\n";
    fs::write(bench.path("cold.toml"), fault).unwrap();
    let limits = "humidity_max = \"75 %\"";
    let short = format!("{limits}\npause_limit = \"60 s\"");
    bench.replace("examples/plans/low-frequency.toml", limits, &short).unwrap();
    let out = bench.dry_run(1, "ended", &["--faults", "cold.toml"]).unwrap().expect_status(4).unwrap();
    assert!(out.stderr.contains("did not come back within"), "{}", out.stderr);
    let run = bench.run_dir("ended");
    assert_eq!((run.entries("paused").unwrap().len(), run.entries("went_on").unwrap().len()), (1, 0));
    let result = run.json("result.json").unwrap();
    assert_eq!(result["outcome"], "failed");
    assert!(
        result["hold"]
            .as_str()
            .is_some_and(|why| why.contains("the limit is 20.0 °C, and it did not come back within 60 s")),
        "{}",
        result["hold"]
    );
    assert!(result["sensors"].as_array().unwrap().iter().all(|s| s["decision"] != "pass"));
    bench.run(&["recompute", "ended"]).unwrap().expect_status(0).unwrap();
}
