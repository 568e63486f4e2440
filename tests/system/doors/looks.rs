//! What pages show of finished runs: times in the laboratory's zone, budgets, registers.

use std::fs;
use std::path::PathBuf;
use tests::Bench;
use tests::doors::{House, PlayDesk};

/// Central Europe as POSIX writes it: no data base of zones is needed. Summer time begins on 2000-03-26 at 1:00 UTC.
const ZONE: &str = "CET-1CEST,M3.5.0,M10.5.0/3";

fn page(house: &House, path: &str) -> String {
    let answer = house.ask("GET", path).unwrap().token(house.token("viewer")).answer().unwrap();
    assert_eq!(answer.status, 200, "{path}: {}", answer.text());
    answer.text()
}

/// The folder of a short run, `dry-common-practice-1`.
pub(super) fn run_of_one_point(bench: &Bench) -> PathBuf {
    let plan = bench.path("examples/plans/common-practice.toml");
    let text = fs::read_to_string(&plan).unwrap();
    let short: Vec<&str> = text.split("\n[[point]]").take(2).collect();
    fs::write(&plan, short.join("\n[[point]]")).unwrap();
    let run = ["dry-run", "examples/common-practice.toml", "--no-certificates", "--out", "run/short"];
    bench.run(&run).unwrap();
    bench.path("run/short")
}

/// A run over the change to summer time: stored in UTC, its clock never jumps; shown as the clock on the wall had it.
#[test]
fn a_run_over_the_change_to_summer_time() {
    let bench = Bench::new().unwrap();
    let at = [
        "dry-run",
        "examples/common-practice.toml",
        "--at",
        "2000-03-26T00:59:30Z",
        "--no-certificates",
        "--out",
        "run/change",
    ];
    bench.run(&at).unwrap();
    let run = bench.run_dir("run/change");
    let result = run.json("result.json").unwrap();
    assert_eq!(result["started"], "2000-03-26T00:59:30Z");
    let ended = result["ended"].as_str().unwrap();
    assert!(ended.starts_with("2000-03-26T01:0"), "{ended}");
    let journal = run.journal().unwrap();
    let times: Vec<&str> = journal.iter().map(|e| e["t_utc"].as_str().unwrap()).collect();
    assert!(times.iter().all(|t| t.ends_with('Z')) && times.is_sorted(), "{times:?}");
    bench.run(&["recompute", "run/change"]).unwrap().expect_status(0).unwrap();

    let folder = bench.path("run/change");
    let desk = PlayDesk::new(&[folder]).unwrap();
    let house = House::open(desk, |doors| doors.zone = Some(ZONE.to_owned())).unwrap();
    let name = result["run"].as_str().unwrap();
    let shown = page(&house, &format!("/runs/{name}"));
    assert!(shown.contains("2000-03-26 01:59:30 CET<"), "the beginning in winter time");
    assert!(shown.contains("2000-03-26 03:0") && shown.contains(" CEST<"), "the end in summer time");
    assert!(shown.contains("datetime=\"2000-03-26T00:59:30Z\""), "and what is stored beside it");
    assert!(shown.contains("tolerance shaded"), "the deviation is drawn over its tolerance");

    // The point that was measured first has its budgets, each component with its share.
    let point = page(&house, &format!("/runs/{name}/points/1"));
    for part in [
        "Uncertainty budgets",
        "Magnitude: ",
        "Phase: ",
        "Contribution",
        "reference certificate",
        "As recorded",
        "Residual",
    ] {
        assert!(point.contains(part), "no '{part}' on the page of a point");
    }
    let budget = &result["sensors"][0]["points"][0]["budgets"]["magnitude"];
    for row in budget["rows"].as_array().unwrap() {
        let component = row["component"].as_str().unwrap();
        assert!(point.contains(component), "no row '{component}'");
    }

    // Drawn a moment ago or drawn anew, it is the same page.
    assert_eq!(page(&house, &format!("/runs/{name}")), shown);
    let registers = page(&house, "/registers");
    assert!(registers.contains("past its date") && registers.contains("SM-1997-0412"), "{registers}");
}

/// A serial is free text: its links and its files are found all the same, and so is a release beyond the usual few.
#[test]
fn a_serial_may_hold_what_links_and_files_may_not() {
    let bench = Bench::new().unwrap();
    let folder = run_of_one_point(&bench);
    let result = fs::read_to_string(folder.join("result.json")).unwrap();
    assert!(result.contains("\"BW-51210\""));
    fs::write(folder.join("result.json"), result.replace("\"BW-51210\"", "\"BW/5 1#?%\"")).unwrap();
    fs::write(folder.join("certificate-BW_5_1___.pdf"), "invented").unwrap();
    for n in 1..=7 {
        let release = folder.join(format!("release-{n}"));
        fs::create_dir(&release).unwrap();
        fs::write(release.join("release.json"), "{}").unwrap();
        fs::write(release.join("certificate-BW_5_1___.xml"), "invented").unwrap();
    }
    let house = House::open(PlayDesk::new(&[folder]).unwrap(), |_| ()).unwrap();
    let link = "/sensors/BW%2F5%201%23%3F%25";
    for path in ["/runs", "/runs/dry-common-practice-1", "/runs/dry-common-practice-1/points/1", "/sensors"] {
        let shown = page(&house, path);
        assert!(shown.contains(&format!("href=\"{link}\"")), "{path}: {shown}");
    }
    assert!(page(&house, link).contains("Sensor BW/5 1#?%"));
    let shown = page(&house, "/runs/dry-common-practice-1");
    for file in
        ["certificate-BW_5_1___.pdf", "release-7%2Frelease.json", "release-7%2Fcertificate-BW_5_1___.xml"]
    {
        assert!(shown.contains(&format!("/files/{file}\"")), "no {file}: {shown}");
    }
}

/// A run that goes on has no result yet; what it measured can be looked at all the same.
#[test]
fn points_of_a_run_without_a_result_are_found() {
    let bench = Bench::new().unwrap();
    let folder = run_of_one_point(&bench);
    let house = House::open(PlayDesk::new(std::slice::from_ref(&folder)).unwrap(), |_| ()).unwrap();
    fs::remove_file(folder.join("result.json")).unwrap();
    let shown = page(&house, "/runs/dry-common-practice-1");
    assert!(shown.contains("There is no result"), "{shown}");
    let link = "href=\"/runs/dry-common-practice-1/points/1\">100 Hz<";
    assert!(shown.contains(link) && !shown.contains("/points/2"), "{shown}");
    assert!(page(&house, "/runs/dry-common-practice-1/points/1").contains("As recorded"));
}

#[test]
fn a_zone_that_is_none_is_refused_with_what_to_write() {
    let refused =
        House::open(PlayDesk::new(&[]).unwrap(), |doors| doors.zone = Some("Europe/Atlantis".into()));
    let Err(error) = refused else { panic!("it was taken") };
    assert!(error.to_string().contains("Europe/Berlin"), "{error}");
}
