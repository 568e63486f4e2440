//! Wrong input through the real program: exit status 2, the place, and what to write instead.

use std::fs;
use tests::Bench;
use tests::bench::MAIN_JOB;

const JOB: &str = "examples/low-frequency.toml";
const PLAN: &str = "examples/plans/low-frequency.toml";
const RIG: &str = "examples/rigs/long-stroke.toml";
const SENSORS: &str = "examples/registers/sensors.toml";
const REFERENCES: &str = "examples/registers/references.toml";

/// What stands in a file, what is written instead, in which column the program must see it, and what it must say.
type Mistake = (&'static str, &'static str, &'static str, usize, &'static [&'static str]);

const MISTAKES: [Mistake; 19] = [
    (JOB, "operator = ", "operatr = ", 1, &["unknown key 'operatr'", "did you mean 'operator'?"]),
    (JOB, "condition = \"as_found\"", "condition = \"as found\"", 13, &["did you mean 'as_found'?"]),
    (JOB, "format = 1", "format = 2", 10, &["format 2 can't be read"]),
    (JOB, "channel = \"s2\"", "channel = \"s1\"", 11, &["channel 's1' is taken by sensor 'BW-40117'"]),
    (JOB, "channel = \"s3\"", "channel = \"s9\"", 11, &["no channel 's9'", "'s6'"]),
    (JOB, "sensor = \"OM-0733\"", "sensor = \"OM-0000\"", 10, &["no sensor 'OM-0000'", "'OM-0733'"]),
    (JOB, "torque = \"1 N·m\"", "torque = \"1 N·m", 16, &["quotation mark"]),
    (PLAN, "frequency = \"80 Hz\"", "frequency = 80", 13, &["bare number", "such as \"80 Hz\""]),
    (PLAN, "frequency = \"100 Hz\"", "frequency = \"100 V\"", 13, &["'V' is no unit of a frequency"]),
    (PLAN, "frequency = \"40 Hz\"", "frequency = \"-40 Hz\"", 13, &["above zero"]),
    (PLAN, "frequency = \"0.5 Hz\"", "frequency = \"0.05 Hz\"", 13, &["QB-R-0031", "from 100 mHz to 400 Hz"]),
    (
        PLAN,
        "amplitude = \"0.018 g pk\"",
        "amplitude = \"0,018 g pk\"",
        13,
        &["comma", "write a decimal point: \"0.018 g pk\""],
    ),
    (PLAN, "amplitude = \"0.065 g pk\"", "amplitude = \"0.065 g\"", 13, &["peak, rms or peak-to-peak"]),
    (PLAN, "tolerance = \"5 %\"", "tolerance = \"5\"", 13, &["has no unit", "\"5 %\""]),
    (RIG, "mute = \"shorts\"", "mute = \"short\"", 8, &["did you mean 'shorts'?"]),
    (
        RIG,
        "source = \"generator.source\"",
        "source = \"generater.source\"",
        10,
        &["'generater'", "'generator'"],
    ),
    (RIG, "stop = \"85 mm pk\"", "stop = \"65 mm pk\"", 0, &["rated stroke 75 mm pk", "stop at 65 mm pk"]),
    (SENSORS, "nominal_sensitivity = \"2000 mV/g\"", "nominal_sensitivity = \"2000 mV\"", 23, &["'mV/g'"]),
    (REFERENCES, "certificate = \"SM-1999-0388\"", "certificate = 388", 15, &["text in quotes"]),
];

#[test]
fn mistakes_are_shown_at_their_place_with_what_to_write() {
    for (file, old, new, column, words) in MISTAKES {
        let bench = Bench::new().unwrap();
        let text = fs::read_to_string(bench.path(file)).unwrap();
        let line = text.split(old).next().unwrap().matches('\n').count() + 1;
        bench.replace(file, old, new).unwrap();
        for command in ["check", "dry-run"] {
            let said = bench.run(&[command, MAIN_JOB]).unwrap().expect_status(2).unwrap();
            // A mistake between two lines may be shown at the other one; the file and some line are named all the same.
            let place = if column == 0 { format!("{file}:") } else { format!("{file}:{line}:{column}\n") };
            assert!(said.stderr.contains(&place), "{place} is not named: {}", said.stderr);
            assert!(words.iter().all(|w| said.stderr.contains(w)), "{words:?} is not said: {}", said.stderr);
            assert_eq!(said.stdout, "", "standard output is for results");
            assert!(!bench.path("run").exists(), "a run directory was made");
        }
    }
}

#[test]
fn mistakes_of_several_files_come_at_once() {
    let bench = Bench::new().unwrap();
    bench.replace(PLAN, "\"0.5 Hz\"", "0.5").unwrap();
    bench.replace(PLAN, "\"1 Hz\"", "\"1 g\"").unwrap();
    bench.replace(RIG, "\"shorts\"", "\"melts\"").unwrap();
    bench.replace(SENSORS, "serial = \"BW-40118\"", "serial = 40118").unwrap();
    let said = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    assert_eq!(said.stderr.matches("error: ").count(), 4, "{}", said.stderr);
    assert!(said.stderr.contains("4 errors"), "{}", said.stderr);
    assert!([PLAN, RIG, SENSORS].iter().all(|file| said.stderr.contains(file)), "{}", said.stderr);
}

/// A program that asks gets the same mistakes with their places.
#[test]
fn mistakes_are_said_to_programs_too() {
    let bench = Bench::new().unwrap();
    bench.replace(PLAN, "\"0.5 Hz\"", "0.5").unwrap();
    let said = bench.run(&["--json", "check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    insta::assert_snapshot!(said.stdout);
    let said = bench.run(&["--json", "check", "nowhere.toml"]).unwrap().expect_status(2).unwrap();
    insta::assert_snapshot!(said.stdout);
}

#[test]
fn a_point_that_the_shaker_can_not_run_is_refused_with_the_largest_that_it_can() {
    let bench = Bench::new().unwrap();
    let (given, wished) = ("amplitude = \"0.018 g pk\"", "amplitude = \"0.5 g pk\"");
    bench.replace(PLAN, given, wished).unwrap();
    let check = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    assert!(check.stdout.lines().any(|l| l.contains("500 mHz") && l.ends_with("NO")), "{}", check.stdout);
    let said = bench.run(&["dry-run", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    assert!(!bench.path("run").exists(), "a run directory was made");
    assert!(said.stderr.contains(&format!("{PLAN}:23:13")), "{}", said.stderr);
    let (_, largest) = said.stderr.split_once("the largest amplitude here is ").unwrap();
    let (_, in_g) = largest.split_once(" pk (").unwrap();
    let (in_g, _) = in_g.split_once(')').unwrap();
    bench.replace(PLAN, wished, &format!("amplitude = \"{in_g}\"")).unwrap();
    bench.run(&["check", MAIN_JOB]).unwrap().expect_status(0).unwrap();
    bench.dry_run(1, "out", &[]).unwrap().expect_status(0).unwrap();
}

/// A reference that is not in force on the day of the measurement makes nothing traceable.
#[test]
fn a_reference_out_of_its_dates_is_refused() {
    let bench = Bench::new().unwrap();
    for (day, what) in
        [("2001-06-15", "was due for calibration on 2001-06-14"), ("1990-01-01", "after the measurement")]
    {
        let at = format!("{day}T12:00:00Z");
        for command in ["check", "dry-run"] {
            let said = bench.run(&[command, MAIN_JOB, "--at", &at]).unwrap().expect_status(2).unwrap();
            assert!(
                said.stderr.contains(what) && said.stderr.contains("long-stroke.toml:"),
                "{}",
                said.stderr
            );
        }
    }
    bench.run(&["check", MAIN_JOB, "--at", "2001-06-14T23:59:59Z"]).unwrap().expect_status(0).unwrap();
    assert!(!bench.path("run").exists(), "a run directory was made");
}

#[test]
fn files_that_are_missing_or_no_text_are_named_with_who_names_them() {
    let bench = Bench::new().unwrap();
    let said = bench.run(&["check", "nowhere.toml"]).unwrap().expect_status(2).unwrap();
    assert!(said.stderr.contains("nowhere.toml"), "{}", said.stderr);
    for (key, value) in [
        ("plan", "plans/low-frequency"),
        ("rig", "rigs/long-stroke"),
        ("sensors", "registers/sensors"),
        ("references", "registers/references"),
    ] {
        let bench = Bench::new().unwrap();
        bench.replace(JOB, &format!("{key} = \"{value}.toml\""), &format!("{key} = \"lost.toml\"")).unwrap();
        let said = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
        assert!(said.stderr.contains("examples/lost.toml") && said.stderr.contains(JOB), "{}", said.stderr);
    }
    fs::write(bench.path(PLAN), b"format = 1\nname = \"\xff\"\n").unwrap();
    let said = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    assert!(said.stderr.contains(PLAN) && said.stderr.contains("UTF-8"), "{}", said.stderr);
}

#[test]
fn faults_that_can_not_strike_are_refused() {
    let cases = [
        ("kind = \"earthquake\"\nat = \"3 s\"", "3:8", "emergency_stop"),
        ("kind = \"emergency_stop\"\nat = { point = 13, phase = \"dwell\" }", "4:16", "from 1 to 12"),
        ("kind = \"sensor_open\"\nat = \"3 s\"\nchannel = \"s9\"", "5:11", "'s4'"),
        ("kind = \"emergency_stop\"\nat = 3", "4:6", ""),
        ("kind = \"emergency_stop\"", "2:1", "at"),
    ];
    for (fault, place, words) in cases {
        let bench = Bench::new().unwrap();
        fs::write(bench.path("faults.toml"), format!("format = 1\n[[fault]]\n{fault}\n")).unwrap();
        let said = bench.dry_run(1, "out", &["--faults", "faults.toml"]).unwrap().expect_status(2).unwrap();
        assert!(said.stderr.contains(&format!("faults.toml:{place}\n")), "{fault}: {}", said.stderr);
        assert!(said.stderr.contains(words), "{fault}: {}", said.stderr);
        assert!(!bench.path("out").exists(), "a run directory was made");
    }
    let bench = Bench::new().unwrap();
    bench.dry_run(1, "out", &["--faults", "none.toml"]).unwrap().expect_status(2).unwrap();
}

#[test]
fn arguments_that_make_no_sense_are_refused() {
    let bench = Bench::new().unwrap();
    let cases: [(&[&str], &str); 11] = [
        (&[], "Usage"),
        (&["calibrate"], "calibrate"),
        (&["dry-run"], "<JOB>"),
        (&["dry-run", MAIN_JOB, "--sed", "1"], "--seed"),
        (&["dry-run", MAIN_JOB, "--seed=-1"], "--seed"),
        (&["dry-run", MAIN_JOB, "--seed", "one"], "--seed"),
        (&["dry-run", MAIN_JOB, "--speed", "0"], "above 0"),
        (&["dry-run", MAIN_JOB, "--speed", "NaN"], "above 0"),
        (&["dry-run", MAIN_JOB, "--at", "yesterday"], "--at"),
        (&["schema", "certificate"], "result"),
        (&["acknowledge", "long-stroke"], "--name"),
    ];
    for (arguments, words) in cases {
        let said = bench.run(arguments).unwrap().expect_status(2).unwrap();
        assert!(said.stderr.contains(words), "{arguments:?}: {}", said.stderr);
        assert_eq!(said.stdout, "", "{arguments:?}");
    }
    assert!(!bench.path("run").exists() && !bench.path("state").exists(), "something was left behind");
}

#[test]
fn settings_that_can_not_be_used_name_key_and_file() {
    let cases: [(&str, &[&str]); 6] = [
        ("log = 3", &["log should be a text", "s.toml:1:7"]),
        ("colour = \"blue\"", &["unknown key 'colour'", "s.toml:1:1"]),
        ("[certificate]\nrender_s_max = -1", &["certificate.render_s_max", "s.toml:2:16"]),
        ("[certificate]\nfont = \"x\"", &["unknown key 'font'", "s.toml:2:1"]),
        ("[laboratory\nname = 1", &["not closed", "s.toml:1:"]),
        ("log = \"==\"", &["log"]),
    ];
    for (text, words) in cases {
        let bench = Bench::new().unwrap();
        fs::write(bench.path("s.toml"), text).unwrap();
        let said = bench.run(&["--settings", "s.toml", "check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
        assert!(words.iter().all(|w| said.stderr.contains(w)), "{text}: {}", said.stderr);
    }
    let bench = Bench::new().unwrap();
    let said = bench.run(&["--settings", "none.toml", "check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    assert!(said.stderr.contains("none.toml"), "{}", said.stderr);
    fs::write(bench.path("calwright.toml"), "log = 3\n").unwrap();
    bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
}

/// Which source says it is named: a variable of the environment as well as a file.
#[test]
fn settings_of_the_environment_name_their_variable() {
    let bench = Bench::new().unwrap();
    let mut command = bench.command(&["check", MAIN_JOB]).unwrap();
    command.env("CALWRIGHT_CERTIFICATE__RENDER_S_MAX", "-1").env("CALWRIGHT_COLOUR", "blue");
    let said = tests::program::run(&mut command).unwrap().expect_status(2).unwrap();
    for words in ["variable CALWRIGHT_CERTIFICATE__RENDER_S_MAX", "variable CALWRIGHT_COLOUR", "2 errors"] {
        assert!(said.stderr.contains(words), "{words}: {}", said.stderr);
    }
}

/// A file of another kind is one mistake, and so is a name in the job that leads to one.
#[test]
fn files_of_another_kind_are_one_error() {
    let bench = Bench::new().unwrap();
    for (file, words) in
        [(PLAN, "this is a plan, but a job is wanted here"), (RIG, "this is a rig, but a job is wanted")]
    {
        let said = bench.run(&["check", file]).unwrap().expect_status(2).unwrap();
        assert!(said.stderr.contains(words) && said.stderr.contains("1 error"), "{}", said.stderr);
    }
    bench.replace(JOB, "plan = \"plans/low-frequency.toml\"", "plan = \"rigs/long-stroke.toml\"").unwrap();
    bench.replace(JOB, "sensors = \"registers/sensors.toml\"", "sensors = \"lost.toml\"").unwrap();
    let said = bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    let named = format!("what {JOB} names as plan");
    for words in ["this is a rig, but a plan is wanted here", &named, "examples/lost.toml", "2 errors"] {
        assert!(said.stderr.contains(words), "{words}: {}", said.stderr);
    }
}
