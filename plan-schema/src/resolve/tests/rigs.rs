//! What a rig file says of places on the table, of a monitor of the drive, and of the times of its safe paths.

use super::{Texts, edit, said};
use crate::resolve::ResolvedJob;

fn resolved(mistake: impl FnOnce(&mut Texts)) -> ResolvedJob {
    let mut texts = Texts::valid();
    mistake(&mut texts);
    ResolvedJob::resolve(&texts.files()).unwrap_or_else(|report| panic!("{report}")).0
}

/// Where the shaker states what it bears, the place of everything has to be known; where it does not, nothing is asked for.
#[test]
fn a_payload_beside_the_axis_needs_its_place() {
    let moment = "eccentric_moment_limit = \"20 N·cm\"\n";
    let place = "\n[[place]]\nposition = \"left\"\noffset = \"20 mm\"\ndirection = \"90 deg\"\n";
    let stated =
        |texts: &mut Texts| texts.rig = edit(&texts.rig, "[shaker]\n", &format!("[shaker]\n{moment}"));
    let placed =
        |texts: &mut Texts| texts.rig = edit(&texts.rig, "\n[errors]", &format!("{place}\n[errors]"));
    let standing = |texts: &mut Texts, at: &str| {
        for sensor in ["S-1", "S-2"] {
            let line = format!("sensor = \"{sensor}\"");
            texts.job = edit(&texts.job, &line, &format!("{line}\nposition = \"{at}\""));
        }
    };
    insta::assert_snapshot!("no_place_for_the_moment", said(stated));
    insta::assert_snapshot!(
        "a_place_that_is_not_there",
        said(|texts| {
            placed(texts);
            standing(texts, "lfet");
        })
    );
    let job = resolved(|texts| {
        stated(texts);
        placed(texts);
        standing(texts, "left");
    });
    // Statics: both at the same place, 60 g with their adapters, 20 mm off, at 10 m/s².
    let moment = job.eccentric_moment(crate::units::AccelDc::new(10.0)).unwrap();
    assert!((moment.si() - job.payload().si() * 0.02 * 10.0).abs() < 1e-15, "{moment}");
    assert_eq!(resolved(|_| {}).eccentric_moment(crate::units::AccelDc::new(10.0)), None);
}

/// A monitor of the drive has a channel of its own, coupled for DC and wide enough, where the drive can be seen.
#[test]
fn monitors_of_the_drive_that_can_not_be_so() {
    let with = |lines: &str| {
        said(|texts| {
            let table = format!("\n[drive_monitor]\n{lines}\n[errors]");
            texts.rig = edit(&texts.rig, "\n[errors]", &table);
        })
    };
    assert_eq!(with("channel = \"spare\"\nshows = \"source\"\n"), "usable\n");
    insta::assert_snapshot!(
        [
            with("channel = \"spam\"\nshows = \"source\"\n"),
            with("channel = \"ref\"\nshows = \"source\"\n"),
            with("channel = \"one\"\nshows = \"source\"\n"),
            with("channel = \"spare\"\nshows = \"amplifier\"\n"),
            with("channel = \"spare\"\nshows = \"source\"\nratio = \"0 V/V\"\n"),
        ]
        .join("\n")
    );
}

/// A simulated instrument shows what is declared, and no better.
#[test]
fn a_safe_path_that_the_simulator_is_slower_than() {
    insta::assert_snapshot!(said(|texts| {
        texts.rig = edit(&texts.rig, "time = \"30 ms\"", "time = \"5 ms\"");
    }));
}
