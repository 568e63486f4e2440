//! Real runs in short, through sockets and hosts: as in one process, another source by other lines, and what is struck stops.
//! They run in real time and so by themselves (`-- --ignored`), not beside other tests on the same processors.

use tests::claims::{real_runs, struck};
use tests::figure::Figure;

/// The short dwells of the small form scatter, and of a dozen differences one may lie beyond three standard deviations: whether the
/// claim holds is for the full form. Here that nothing is off by more than chance makes it.
fn alike(figures: &[Figure]) {
    for figure in figures {
        // Standard deviations; percent or degrees.
        let limit = if figure.unit.is_empty() { 6.0 } else { 0.1 };
        assert!(figure.value < limit, "{figure}");
    }
}

#[test]
#[ignore = "in real time: by itself, in a step of tests/all"]
fn a_run_through_hosts_comes_to_the_same() {
    alike(&real_runs::figures(false).unwrap());
}

#[test]
#[ignore = "in real time: by itself, in a step of tests/all"]
fn another_source_is_other_lines_of_the_rig_file() {
    alike(&real_runs::source(false).unwrap());
}

#[test]
#[ignore = "in real time: by itself, in a step of tests/all"]
fn another_acquisition_is_other_lines_of_the_rig_file() {
    alike(&real_runs::acquisition(false).unwrap());
}

/// How fast is for `proof`; here that it stops at all, off its stops, and leaves nobody behind.
#[test]
#[ignore = "in real time: by itself, in a step of tests/all"]
fn what_is_struck_stops() {
    for figure in struck::figures(false).unwrap() {
        let in_time = figure.unit == "ms" && figure.value.is_finite();
        assert!(in_time || figure.met(), "{figure}");
    }
}
