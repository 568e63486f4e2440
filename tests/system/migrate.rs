//! `calwright migrate` through the real program: rewritten in one step, the old file kept, taken once, newer files refused.

use std::fs;
use tests::Bench;
use tests::bench::MAIN_JOB;

const PLAN: &str = "examples/plans/low-frequency.toml";
const JOB: &str = "examples/low-frequency.toml";

#[test]
fn a_draft_is_rewritten_and_the_old_file_kept() {
    let bench = Bench::new().unwrap();
    let today = fs::read_to_string(bench.path(PLAN)).unwrap();
    let draft = today.replacen("format = 1", "format = 0", 1).replace("[[point]]", "[[points]]");
    assert_ne!(draft, today);
    fs::write(bench.path(PLAN), &draft).unwrap();
    bench.run(&["check", MAIN_JOB]).unwrap().expect_status(2).unwrap();
    let said = bench.run(&["migrate", PLAN, JOB]).unwrap().expect_status(0).unwrap();
    assert!(said.stdout.contains("plan rewritten from format 0 to 1"), "{}", said.stdout);
    assert!(said.stdout.contains("job of format 1 already; nothing to do"), "{}", said.stdout);
    assert_eq!(fs::read_to_string(bench.path(PLAN)).unwrap(), today);
    assert_eq!(fs::read_to_string(bench.path(&format!("{PLAN}.format-0"))).unwrap(), draft);
    assert!(
        !bench.path(&format!("{JOB}.format-1")).exists() && !bench.path(&format!("{PLAN}.part")).exists()
    );
    bench.run(&["check", MAIN_JOB]).unwrap().expect_status(0).unwrap();
    // An old file is never written over.
    fs::write(bench.path(PLAN), format!("# other\n{draft}")).unwrap();
    let said = bench.run(&["migrate", PLAN, "--json"]).unwrap().expect_status(0).unwrap();
    let said: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
    assert!(said[0]["backup"].as_str().unwrap().ends_with("low-frequency.toml.format-0.2"), "{said}");
    assert_eq!(fs::read_to_string(bench.path(&format!("{PLAN}.format-0"))).unwrap(), draft);
}

#[test]
fn what_can_not_be_rewritten_stays_as_it_is() {
    let bench = Bench::new().unwrap();
    bench.replace(PLAN, "format = 1", "format = 7").unwrap();
    let newer = fs::read(bench.path(PLAN)).unwrap();
    let said = bench.run(&["migrate", PLAN]).unwrap().expect_status(2).unwrap();
    let words = [&format!("{PLAN} is of format 7"), "use a newer calwright", &format!("{PLAN}:")];
    assert!(words.iter().all(|w| said.stderr.contains(*w)), "{}", said.stderr);
    assert_eq!(fs::read(bench.path(PLAN)).unwrap(), newer);
    for (text, words) in [("[package]\n", "none of the files"), ("[[points]\n", "not closed")] {
        fs::write(bench.path("x.toml"), text).unwrap();
        let said = bench.run(&["migrate", "x.toml"]).unwrap().expect_status(2).unwrap();
        assert!(said.stderr.contains(words), "{}", said.stderr);
    }
    bench.run(&["migrate", "nowhere.toml"]).unwrap().expect_status(2).unwrap();
    bench.run(&["migrate"]).unwrap().expect_status(2).unwrap();
    let left = fs::read_dir(bench.path("examples/plans"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap());
    assert!(left.into_iter().all(|name| name.ends_with(".toml")));
}
