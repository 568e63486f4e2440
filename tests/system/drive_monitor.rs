//! A channel that shows the drive: what it tells of a source that does not do what it acknowledged, over the simulated rig.

use calibration::sequence::Setup;
use calwright::load;
use plan_schema::faults::Faults;
use plan_schema::read::Document;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::DrivePoint;
use plan_schema::units::{Quantity, VoltsDc};
use tests::program::root;
use tests::quick::{self, Ran};

fn job() -> ResolvedJob {
    load::job(&root().join("examples/workshop.toml")).unwrap_or_else(|e| panic!("{e:?}")).job
}

fn run(job: ResolvedJob, faults: &str) -> Ran {
    let faults = Document::<Faults>::read("faults", &format!("format = 1\n{faults}")).unwrap().value;
    let folder = tempfile::tempdir().unwrap();
    quick::run(&Setup::new(job), 1, &faults, folder.path()).unwrap()
}

fn told(ran: &Ran) -> String {
    assert!(ran.at_rest, "the rig was left with drive on");
    assert_eq!(ran.truth.stop_hits, 0);
    ran.report.trip.as_ref().map_or("no trip".to_owned(), |trip| {
        format!("{} on {:?}: {}", trip.reason.word(), trip.channel, trip.message)
    })
}

fn fault(kind: &str, phase: &str) -> String {
    format!("[[fault]]\nkind = \"{kind}\"\nat = {{ point = 2, phase = \"{phase}\", after_cycles = 1 }}\n")
}

/// At the source's output, and at the amplifier's.
fn monitored(shows: DrivePoint) -> ResolvedJob {
    let mut job = job();
    if let Some(monitor) = &mut job.rig.drive_monitor {
        monitor.shows = shows;
        // The amplifier makes twenty volts of one: a divider brings them back.
        monitor.ratio = Quantity::new(if shows == DrivePoint::Source { 1.0 } else { 0.05 });
    }
    job
}

#[test]
fn the_drive_monitor_names_the_source() {
    let mut said = String::new();
    for shows in [DrivePoint::Source, DrivePoint::Amplifier] {
        for (kind, phase) in [
            ("source_holds_last", "dwell"),
            ("source_holds_last", "settle"),
            ("source_deaf", "settle"),
            ("source_deaf", "dwell"),
        ] {
            let ran = run(monitored(shows), &fault(kind, phase));
            said.push_str(&format!("{} {kind} in {phase}: {}\n", shows.word(), told(&ran)));
        }
        // A direct voltage from the start on: more than holds the armature within what is allowed for.
        let mut job = monitored(shows);
        job.rig.simulation.source.offset = VoltsDc::new(0.02);
        said.push_str(&format!("{} offset: {}\n", shows.word(), told(&run(job, ""))));
        let healthy = run(monitored(shows), "");
        assert!(healthy.is_done(), "{}", told(&healthy));
    }
    insta::assert_snapshot!(said);
}

/// At the amplifier it sees a gain that jumps before the armature has moved.
#[test]
fn the_drive_monitor_sees_a_gain_that_jumps() {
    let jump = format!("{}value = \"200 %\"\n", fault("gain_jump", "dwell"));
    let ran = run(monitored(DrivePoint::Amplifier), &jump);
    assert!(told(&ran).starts_with("drive_limit on Some(\"drive\")"), "{}", told(&ran));
}
