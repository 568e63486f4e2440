//! Real runs in short: through sockets and hosts as in one process, another source by other lines, and what is struck stops.

use tests::claims::{real_runs, struck};

#[test]
fn a_run_through_hosts_comes_to_the_same() {
    for figure in real_runs::figures(false).unwrap() {
        assert!(figure.met(), "{figure}");
    }
}

#[test]
fn another_source_is_other_lines_of_the_rig_file() {
    for figure in real_runs::source(false).unwrap() {
        assert!(figure.met(), "{figure}");
    }
}

#[test]
fn another_acquisition_is_other_lines_of_the_rig_file() {
    for figure in real_runs::acquisition(false).unwrap() {
        assert!(figure.met(), "{figure}");
    }
}

/// How fast is for `proof`; here that it stops at all, off its stops, and leaves nobody behind.
#[test]
fn what_is_struck_stops() {
    for figure in struck::figures(false).unwrap() {
        let in_time = figure.unit == "ms" && figure.value.is_finite();
        assert!(in_time || figure.met(), "{figure}");
    }
}
