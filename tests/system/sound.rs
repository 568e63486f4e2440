//! The example with a sound interface, without a card: its job runs on the simulator, and what an interface that is coupled for
//! AC can't show is refused.

use tests::Bench;

const JOB: &str = "examples/sound/job.toml";

#[test]
fn the_example_runs() {
    let bench = Bench::new().unwrap();
    let done = bench.run(&["dry-run", JOB, "--no-certificates", "--out", "out"]).unwrap();
    done.expect_status(0).unwrap();
}

#[test]
fn what_the_interface_can_not_show_is_refused_with_place_and_remedy() {
    let cases = [
        ("below what was measured", "plan", "frequency = \"10 Hz\"", "frequency = \"2 Hz\""),
        ("a point at rest", "plan", "frequency = \"10 Hz\"", "frequency = \"0 Hz\""),
        (
            "a channel without a corner",
            "rig",
            "input = 1\nrange = \"4.1 V pk\"\ncoupling = \"ac\"\nac_corner = \"0.8 Hz\"\nac_corner_u = \"5 %\"",
            "input = 1\nrange = \"4.1 V pk\"\ncoupling = \"ac\"",
        ),
    ];
    let mut said = String::new();
    for (name, file, old, new) in cases {
        let bench = Bench::new().unwrap();
        bench.replace(&format!("examples/sound/{file}.toml"), old, new).unwrap();
        let done = bench.run(&["dry-run", JOB, "--no-certificates", "--out", "out"]).unwrap();
        let done = done.expect_status(2).unwrap();
        let errors: Vec<&str> = done.stderr.split("\n\n").filter(|part| part.starts_with("error")).collect();
        said.push_str(&format!("== {name}\n{}\n\n", errors.join("\n\n")));
    }
    insta::assert_snapshot!(said.trim_end());
}
