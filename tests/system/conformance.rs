//! `calwright drivers conform` on the simulated rig: good drivers, one that is broken, and what it asks leave for.

use tests::claims::conformance;
use tests::conform::{BROKEN, Laboratory};
use tests::program::{calwright, root};
use tests::rig_sim::{JOB, RIG};

#[test]
fn good_drivers_are_green() {
    let figure = conformance::good(false).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn broken_drivers_are_red_by_their_row() {
    let figure = conformance::broken(false).unwrap();
    assert!(figure.met(), "{figure}");
    assert!(BROKEN.len() >= 12);
}

/// What moves is moved under leave only; the measured times are lines of a rig file.
#[test]
fn times_are_measured_under_leave() {
    let folder = tempfile::tempdir().unwrap();
    let refused = calwright()
        .unwrap()
        .arg("--state-dir")
        .arg(folder.path())
        .args(["drivers", "conform", RIG, "--job", JOB])
        .current_dir(root())
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(3), "{}", String::from_utf8_lossy(&refused.stderr));
    let bench = &tests::conform::of_every_driver(jiff::Timestamp::UNIX_EPOCH)[0];
    let laboratory = Laboratory::open(bench, &root().join("examples/plug-ins")).unwrap();
    let table = laboratory.conform(Some("power-amplifier"), &["time to its safe path"]).unwrap();
    assert_eq!(table.status, Some(0), "{table:?}");
    let measured = laboratory.measured().unwrap();
    assert!(measured.contains("action = \"amplifier_mute\"\ntime = \""), "{measured}");
    assert_eq!(laboratory.close().unwrap(), Some(0));
}
