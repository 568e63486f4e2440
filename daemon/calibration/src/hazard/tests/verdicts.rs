//! Verdicts on the points of example jobs.

use crate::control::Plant;
use crate::hazard::{Fault, Hazards, Reserve, Stop, hazards};
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::{Accel, Displacement, Hertz, Seconds};

/// The text of an example, which is invented.
fn example(path: &str) -> String {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/");
    std::fs::read_to_string(format!("{root}{path}")).unwrap()
}

/// An example job on an example rig, with places of the rig file replaced.
pub(super) fn job(job: &str, rig: &str, edits: &[(&str, &str)]) -> ResolvedJob {
    let mut text = example(&format!("rigs/{rig}"));
    for (old, new) in edits {
        assert_eq!(text.matches(old).count(), 1, "'{old}' has to be there once");
        text = text.replace(old, new);
    }
    let files = JobFiles {
        job: Document::read("job", &example(job)).unwrap(),
        plan: Document::read("plan", &example(&format!("plans/{job}"))).unwrap(),
        rig: Document::read("rig", &text).unwrap(),
        sensors: Document::read("sensors", &example("registers/sensors.toml")).unwrap(),
        references: Document::read("references", &example("registers/references.toml")).unwrap(),
    };
    ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}")).0
}

fn seen(job: &ResolvedJob, frequency: f64, target: f64) -> Hazards {
    hazards(job, &Plant::of(job), Hertz::new(frequency), Accel::new(target))
}

fn reserve(found: &Hazards, fault: Fault) -> Reserve {
    *found.reserves.iter().find(|r| r.fault == fault).unwrap()
}

/// A drive that can't push the armature far: 0.2 V at the coil move its centre by 3.2 mm.
const WEAK: (&str, &str) = ("drive_limit = \"2.4 V pk\"", "drive_limit = \"20 mV pk\"");

const SOURCE_OFF: &str = "[[safe_path]]\naction = \"source_off\"\ntime = \"30 ms\"\n";
const MUTE: &str = "[[safe_path]]\naction = \"amplifier_mute\"\ntime = \"5 ms\"\n";

#[test]
fn a_harmless_point_is_admitted() {
    let found = seen(&job("portable.toml", "portable.toml", &[WEAK]), 10.0, 1.0);
    assert!(found.obstacles.is_empty() && found.warnings.is_empty(), "{found:?}");
    assert_eq!((found.coasts.len(), found.reserves.len()), (3, 5));
    assert!(found.reserves.iter().all(Reserve::keeps_off));
}

/// What is named as the largest amplitude is admitted, and little more is not.
#[test]
fn the_largest_amplitude_is_the_largest() {
    let job = job("portable.toml", "portable.toml", &[WEAK]);
    let found = seen(&job, 10.0, 8.0);
    let largest = found.obstacles.first().unwrap().largest;
    assert!(found.obstacles.iter().all(|o| o.largest == largest) && largest > Accel::ZERO);
    assert!(found.obstacles.iter().any(|o| o.message.contains("holds its last sample")), "{found:?}");
    assert!(seen(&job, 10.0, largest.si()).obstacles.is_empty());
    assert!(!seen(&job, 10.0, largest.si() + 8.0 / 128.0).obstacles.is_empty());
}

/// Full stroke at 8 Hz on the twin that opens the coil: 9.3 mm with damping and 0.3 mm of allowance; the stop is at 6.5.
#[test]
fn a_coast_beyond_the_stop_refuses() {
    let edits = [WEAK, (SOURCE_OFF, ""), (MUTE, &format!("{MUTE}{SOURCE_OFF}"))];
    let job = job("portable.toml", "portable-opens.toml", &edits);
    let target = Displacement::new(5e-3).acceleration_at(Hertz::new(8.0)).si();
    let found = seen(&job, 8.0, target);
    let coast = |stop| found.coasts.iter().find(|c| c.stop == stop).unwrap().displacement.si();
    assert!((coast(Stop::MuteAtOnce) / 9.6e-3 - 1.0).abs() < 0.01, "{:?}", found.coasts);
    assert!(coast(Stop::ZeroThenMute) < 6.5e-3 && coast(Stop::RampThenMute) < 5.4e-3);
    let said = &found.obstacles.first().unwrap().message;
    assert!(said.contains("after a mute at once") && said.contains("the stop is at 6.5 mm"), "{said}");
    // A deaf source can only be muted, and that leads to the stop however soon.
    let deaf = reserve(&found, Fault::SourceDeaf);
    assert_eq!(deaf.longest, Some(Seconds::ZERO));
}

/// A source that jumps to 2.4 V drives the armature to its stop within milliseconds, whatever the point.
#[test]
fn nothing_is_admitted_where_the_source_can_throw_the_armature() {
    let found = seen(&job("portable.toml", "portable.toml", &[]), 100.0, 20.0);
    let step = reserve(&found, Fault::SourceStep);
    assert!(step.longest.is_some_and(|l| l < Seconds::new(0.006)), "{step:?}");
    assert!(found.obstacles.iter().all(|o| o.largest == Accel::ZERO) && !found.obstacles.is_empty());
}

#[test]
fn a_limiter_or_a_waiver_make_warnings_of_obstacles() {
    let plain = seen(&job("portable.toml", "portable.toml", &[]), 5.0, 4.9);
    for (table, word) in [
        ("[limiter]\nname = \"foam\"\nkind = \"mechanical\"\n", "the mechanical limiter 'foam'"),
        (
            "[waiver]\nname = \"A. Person\"\nreason = \"spare armature\"\n",
            "waived by A. Person: spare armature",
        ),
    ] {
        let text = format!("{table}[roles]\n");
        let found = seen(&job("portable.toml", "portable.toml", &[("[roles]\n", &text)]), 5.0, 4.9);
        assert!(found.obstacles.is_empty());
        assert_eq!(found.warnings.len(), plain.obstacles.len());
        for (warning, obstacle) in found.warnings.iter().zip(&plain.obstacles) {
            assert!(
                warning.starts_with(&obstacle.message) && warning.ends_with(&format!("; {word}"))
                    || warning.contains(word)
            );
        }
    }
}

/// The sum of the times: a block of 20 ms, 5 ms of transfer, 1 ms of judgement and the safe paths in their order.
#[test]
fn reactions_add_up() {
    let found = seen(&job("portable.toml", "portable.toml", &[]), 16.0, 8.0);
    let reaction = |fault| reserve(&found, fault).reaction.unwrap().si();
    // Reply limit 500 ms, latency 50 ms, 26 ms, and the mute after the source that did not go off: 35 ms.
    assert!((reaction(Fault::SourceDeaf) - 0.611).abs() < 1e-12);
    assert!((reaction(Fault::SourceHolds) - 0.611).abs() < 1e-12);
    // A step to 3.5 A accelerates by 105 m/s², at once: a step of the search, a twentieth of a cycle and 61 ms.
    let step = reaction(Fault::SourceStep);
    assert!((0.061 + 0.05 / 16.0..0.061 + 0.05 / 16.0 + 0.0065).contains(&step), "{step}");
    let swift =
        job("portable.toml", "portable.toml", &[(SOURCE_OFF, ""), (MUTE, &format!("{MUTE}{SOURCE_OFF}"))]);
    let slow = reserve(&seen(&job("portable.toml", "portable.toml", &[]), 5.0, 4.0), Fault::GainJump);
    let swift = reserve(&seen(&swift, 5.0, 4.0), Fault::GainJump);
    // The mute first takes 5 ms instead of 30. The worst phase may be another one.
    assert!(swift.reserve.unwrap().si() - slow.reserve.unwrap().si() > 0.02, "{swift:?} {slow:?}");
}

#[test]
fn what_nothing_can_stop_has_no_reserve() {
    let job = job("portable.toml", "portable.toml", &[(MUTE, "")]);
    let found = seen(&job, 100.0, 1.0);
    let deaf = reserve(&found, Fault::SourceDeaf);
    assert!(!deaf.keeps_off() && deaf.reaction.is_none(), "{deaf:?}");
    assert!(found.obstacles.iter().any(|o| o.message.contains("nothing on this rig notices or stops that")));
}

/// Conservative where the shaker is not linear: a force factor that droops brakes less, so each coast is longer; what
/// hardens is taken for linear, so nothing changes.
#[test]
fn departures_from_the_linear_machine_are_bounded() {
    let coast = |edits: &[(&str, &str)]| {
        seen(&job("portable.toml", "portable.toml", edits), 20.0, 40.0).coasts.first().unwrap().displacement
    };
    let droop = ("force_factor_droop = \"2 %\"", "force_factor_droop = \"0 %\"");
    let hardening = ("suspension_hardening = \"3 %\"", "suspension_hardening = \"0 %\"");
    assert!(coast(&[]) > coast(&[droop]));
    assert_eq!(coast(&[]), coast(&[hardening]));
}

/// In current mode there is no 0 V to brake; the ramp is there, and all numbers are.
#[test]
fn a_current_has_two_stops() {
    let job = job("portable-current.toml", "portable-current.toml", &[]);
    for point in &job.points {
        let found = seen(&job, point.frequency.si(), point.target.si());
        let stops: Vec<Stop> = found.coasts.iter().map(|c| c.stop).collect();
        assert_eq!(stops, [Stop::MuteAtOnce, Stop::RampThenMute]);
        let least = point.target.displacement_at(point.frequency);
        assert!(found.coasts.iter().all(|c| c.displacement >= least && c.displacement.is_finite()));
    }
}
