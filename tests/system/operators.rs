//! What operators do in any order, and the process killed: the small form of what is claimed of drive and leave.

use tests::claims::leave::{kill_figure, sequences};

#[test]
fn no_drive_without_leave_or_with_a_latched_trip() {
    let figure = sequences(&[1, 2, 3, 4]).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn a_process_that_is_killed_with_drive_on_leaves_a_trip_behind() {
    let figure = kill_figure(&[1, 2, 3]).unwrap();
    assert!(figure.met(), "{figure}");
}
