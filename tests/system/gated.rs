//! An acquisition with gaps between its blocks: a whole plan in one process, what such a rig refuses, and what it does when
//! something fails. The same over true sockets is in `real_runs`.

use calibration::sequence::{Outcome, Setup};
use calwright::record::budget::BudgetRecord;
use calwright::record::result::PointRecord;
use plan_schema::faults::Faults;
use plan_schema::read::Document;
use std::path::Path;
use tests::program::root;
use tests::quick::{self, Ran};

/// The example job on the rig with network instruments at four points from 16 Hz on, some lines of the rig file changed.
fn setup(amplitude: &str, change: fn(&str) -> String) -> Setup {
    let folder = tempfile::tempdir().unwrap();
    let examples = root().join("examples");
    let read = |name: &str| std::fs::read_to_string(examples.join(name)).unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    let plan = read("plans/portable.toml");
    let head = plan.split("[[point]]").next().unwrap().to_owned();
    let points = ["16 Hz", "31.5 Hz", "63 Hz", "80 Hz"].map(|hz| {
        format!("[[point]]\nfrequency = \"{hz}\"\namplitude = \"{amplitude}\"\ndwell_cycles = 64\n\n")
    });
    write("plan.toml", &(head + &points.concat()));
    write("rig.toml", &change(&read("rigs/portable-network.toml")));
    let job = read("portable-network.toml")
        .replace("plans/portable.toml", "plan.toml")
        .replace("rigs/portable-network.toml", "rig.toml")
        .replace("\"registers/", &format!("\"{}/registers/", examples.display()));
    write("job.toml", &job);
    Setup::new(calwright::load::job(&folder.path().join("job.toml")).unwrap_or_else(|e| panic!("{e}")).job)
}

fn run(setup: &Setup, faults: &str) -> Ran {
    let text = format!("format = 1\n{faults}");
    let faults: Document<Faults> = Document::read("faults.toml", &text).unwrap();
    let folder = tempfile::tempdir().unwrap();
    quick::run(setup, 1, &faults.value, Path::new(folder.path())).unwrap()
}

/// Every point of every sensor comes to what it comes to without gaps, within what both state of their scatter.
#[test]
fn a_whole_plan_comes_to_the_same() {
    let small = "0.15 g pk";
    let (without, with) = (setup(small, str::to_owned), setup(small, tests::conform::gated));
    assert!(with.feasible(), "{:?}", with.forecasts.iter().map(|f| &f.obstacles).collect::<Vec<_>>());
    let (without, with) = (run(&without, ""), run(&with, ""));
    assert_eq!((without.report.outcome, with.report.outcome), (Outcome::Done, Outcome::Done));
    assert_eq!(with.truth.stop_hits, 0);
    let points = |ran: &Ran| -> Vec<PointRecord> {
        ran.result.sensors.iter().flat_map(|s| s.points.clone()).collect()
    };
    let (a, b) = (points(&without), points(&with));
    assert_eq!((a.len(), b.len()), (8, 8));
    for (a, b) in a.iter().zip(&b) {
        let off = (b.sensitivity.unwrap() / a.sensitivity.unwrap() - 1.0).abs() * 100.0;
        let phase = (b.phase_deg.unwrap() - a.phase_deg.unwrap()).abs();
        // Four standard deviations of a difference that is normal happen once in 16,000 times.
        assert!(off < 4.0 * scatter(a).0.hypot(scatter(b).0), "{off} % at {} Hz", a.frequency_hz);
        assert!(phase < 4.0 * scatter(a).1.hypot(scatter(b).1), "{phase}° at {} Hz", a.frequency_hz);
        // 64 cycles of 16 Hz are eight blocks, those of 80 Hz two.
        assert!(b.n_segments.is_some_and(|n| n >= 2), "{:?} parts", b.n_segments);
    }
}

/// Standard uncertainties of type A of magnitude and phase, in percent and degrees.
fn scatter(point: &PointRecord) -> (f64, f64) {
    let budgets = point.budgets.as_ref().unwrap();
    let of = |budget: &BudgetRecord| {
        let row = budget.rows.iter().find(|row| row.component == "scatter within the dwell");
        row.unwrap().standard_uncertainty
    };
    (of(&budgets.magnitude), of(budgets.phase.as_ref().unwrap()))
}

/// What such a rig notices, it notices a block and a pause later: the amplitudes of the plan are refused, and the message says
/// by how much that is too late.
#[test]
fn amplitudes_that_need_a_quick_stop_are_refused() {
    let plain = setup("0.65 g pk", str::to_owned);
    assert!(plain.feasible());
    let gated = setup("0.65 g pk", tests::conform::gated);
    let said: Vec<&str> =
        gated.forecasts.iter().flat_map(|f| &f.obstacles).map(|o| o.message.as_str()).collect();
    assert!(said.iter().any(|m| m.contains("holds its last sample") && m.contains("takes 1.3")), "{said:?}");
    let short = setup("0.15 g pk", |own| {
        tests::conform::gated(own).replace("block = \"0.5 s\"", "block = \"0.1 s\"")
    });
    let said: Vec<&str> =
        short.forecasts.iter().flat_map(|f| &f.obstacles).map(|o| o.message.as_str()).collect();
    assert!(said.iter().all(|m| m.contains("lasts 100 ms") && m.contains("500 ms")), "{said:?}");
    assert_eq!(said.len(), 4);
}

/// Wherever in a block or a pause it strikes, a fault trips, and no stop is touched.
#[test]
fn what_fails_trips_off_the_stops() {
    let setup = setup("0.15 g pk", tests::conform::gated);
    for (kind, more, reasons) in [
        ("reference_open", "", &["reference_open"][..]),
        ("source_holds_last", "", &["source_dc", "source_not_following"]),
        ("source_deaf", "", &["source_not_following"]),
        ("gain_jump", "value = \"400 %\"", &["acceleration_limit"]),
        ("acquisition_stall", "", &["blocks_missing"]),
    ] {
        for cycles in [3, 21] {
            let at = format!("at = {{ point = 2, phase = \"dwell\", after_cycles = {cycles} }}");
            let ran = run(&setup, &format!("[[fault]]\nkind = \"{kind}\"\n{at}\n{more}\n"));
            let seen = ran.trip();
            assert!(seen.is_some_and(|seen| reasons.contains(&seen)), "{kind} after {cycles}: {seen:?}");
            assert!(ran.at_rest && ran.truth.stop_hits == 0, "{kind} after {cycles}");
        }
    }
}
