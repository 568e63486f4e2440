//! Verdicts on the points of example jobs.

use crate::control::Plant;
use crate::hazard::{Fault, Hazards, Reserve, Stop, hazards};
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::{Accel, Displacement, Hertz, Seconds};

macro_rules! texts {
    ($($path:literal),* $(,)?) => {
        [$(($path, include_str!(concat!("../../../../../examples/", $path)))),*]
    };
}

/// The examples' texts, which are invented.
const TEXTS: [(&str, &str); 24] = texts![
    "low-frequency.toml",
    "mid-size.toml",
    "portable.toml",
    "portable-night.toml",
    "portable-current.toml",
    "plans/low-frequency.toml",
    "plans/mid-size.toml",
    "plans/portable.toml",
    "plans/portable-night.toml",
    "plans/portable-current.toml",
    "rigs/long-stroke.toml",
    "rigs/long-stroke-opens.toml",
    "rigs/mid-size.toml",
    "rigs/mid-size-opens.toml",
    "rigs/portable.toml",
    "rigs/portable-opens.toml",
    "rigs/portable-worn.toml",
    "rigs/portable-worn-opens.toml",
    "rigs/portable-night.toml",
    "rigs/portable-night-opens.toml",
    "rigs/portable-current.toml",
    "rigs/portable-current-opens.toml",
    "registers/sensors.toml",
    "registers/references.toml",
];

pub(super) fn example(path: &str) -> &'static str {
    TEXTS.iter().find(|(known, _)| *known == path).unwrap_or_else(|| panic!("{path}")).1
}

/// An example job on an example rig, with places of the rig file replaced.
pub(super) fn job(job: &str, rig: &str, edits: &[(&str, &str)]) -> ResolvedJob {
    let mut text = example(&format!("rigs/{rig}")).to_owned();
    for (old, new) in edits {
        assert_eq!(text.matches(old).count(), 1, "'{old}' has to be there once");
        text = text.replace(old, new);
    }
    resolved(job, example(&format!("plans/{job}")), &text)
}

/// An example job with another plan and rig.
pub(super) fn resolved(job: &str, plan: &str, rig: &str) -> ResolvedJob {
    ResolvedJob::resolve(&files(job, plan, rig)).unwrap_or_else(|report| panic!("{report}")).0
}

/// The files of an example job with another plan and rig.
pub(super) fn files(job: &str, plan: &str, rig: &str) -> JobFiles {
    JobFiles {
        job: Document::read("job", example(job)).unwrap(),
        plan: Document::read("plan", plan).unwrap(),
        rig: Document::read("rig", rig).unwrap(),
        sensors: Document::read("sensors", example("registers/sensors.toml")).unwrap(),
        references: Document::read("references", example("registers/references.toml")).unwrap(),
    }
}

fn seen(job: &ResolvedJob, frequency: f64, target: f64) -> Hazards {
    hazards(job, &Plant::of(job), Hertz::new(frequency), Accel::new(target))
}

fn reserve(found: &Hazards, fault: Fault) -> Reserve {
    *found.reserves.iter().find(|r| r.fault == fault).unwrap()
}

const SOURCE_OFF: &str = "[[safe_path]]\naction = \"source_off\"\ntime = \"25 ms\"\n";
const MUTE: &str = "[[safe_path]]\naction = \"amplifier_mute\"\ntime = \"3 ms\"\n";

/// Every example job on its rig, and on the twin whose mute opens the coil.
const EXAMPLES: [(&str, &str); 12] = [
    ("low-frequency.toml", "long-stroke.toml"),
    ("low-frequency.toml", "long-stroke-opens.toml"),
    ("mid-size.toml", "mid-size.toml"),
    ("mid-size.toml", "mid-size-opens.toml"),
    ("portable.toml", "portable.toml"),
    ("portable.toml", "portable-opens.toml"),
    ("portable.toml", "portable-worn.toml"),
    ("portable.toml", "portable-worn-opens.toml"),
    ("portable-night.toml", "portable-night.toml"),
    ("portable-night.toml", "portable-night-opens.toml"),
    ("portable-current.toml", "portable-current.toml"),
    ("portable-current.toml", "portable-current-opens.toml"),
];

/// Without a limiter or a waiver: every fault is survived, and no stop leads to the stop.
#[test]
fn every_example_is_admitted() {
    for (name, rig) in EXAMPLES {
        let job = job(name, rig, &[]);
        assert!(job.rig.limiter.is_none() && job.rig.waiver.is_none());
        let forecasts = crate::control::foresee_all(&job, &Plant::of(&job));
        for (point, forecast) in job.points.iter().zip(forecasts) {
            assert!(forecast.obstacles.is_empty(), "{rig} {}: {:?}", point.frequency, forecast.obstacles);
            assert!(forecast.hazards.warnings.is_empty() && forecast.largest.is_none());
            assert!(forecast.hazards.reserves.iter().all(Reserve::keeps_off));
            assert!(forecast.hazards.coasts.iter().all(|c| c.displacement < job.rig.shaker.stop));
        }
    }
}

/// A point that comes twice is looked at once, and its own time is its own.
#[test]
fn points_alike_are_foreseen_alike() {
    let mut job = job("portable.toml", "portable.toml", &[]);
    job.points[3] = plan_schema::resolve::ResolvedPoint { repeats: 3, ..job.points[1].clone() };
    let plant = Plant::of(&job);
    let all = crate::control::foresee_all(&job, &plant);
    let each: Vec<_> = job.points.iter().map(|p| crate::control::foresee(&job, &plant, p)).collect();
    assert_eq!(all, each);
    assert!(all[3].time > all[1].time && all[3].hazards == all[1].hazards);
}

#[test]
fn a_harmless_point_is_admitted() {
    let found = seen(&job("portable.toml", "portable.toml", &[]), 10.0, 1.0);
    assert!(found.obstacles.is_empty() && found.warnings.is_empty(), "{found:?}");
    assert_eq!((found.coasts.len(), found.reserves.len()), (3, 5));
    assert!(found.reserves.iter().all(Reserve::keeps_off));
}

/// What is named as the largest amplitude is admitted, and little more is not.
#[test]
fn the_largest_amplitude_is_the_largest() {
    let job = job("portable.toml", "portable.toml", &[]);
    let found = seen(&job, 10.0, 12.0);
    let largest = found.obstacles.first().unwrap().largest;
    assert!(found.obstacles.iter().all(|o| o.largest == largest) && largest > Accel::ZERO);
    assert!(found.obstacles.iter().all(|o| o.message.contains("a stop has to act within")), "{found:?}");
    assert!(seen(&job, 10.0, largest.si()).obstacles.is_empty());
    assert!(!seen(&job, 10.0, largest.si() + 12.0 / 128.0).obstacles.is_empty());
}

/// Full stroke at 8 Hz on the twin that opens the coil: 9.3 mm with damping and 0.3 mm of allowance; the stop is at 6.5.
#[test]
fn a_coast_beyond_the_stop_refuses() {
    let job = job("portable.toml", "portable-opens.toml", &[]);
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

/// A source puts out no more than its point's ceiling, whatever the rig's limit.
#[test]
fn a_jump_is_sized_by_the_ceiling_of_the_point() {
    let limit = ("drive_limit = \"2.4 V pk\"", "drive_limit = \"1.2 V pk\"");
    let step = |edits: &[(&str, &str)]| {
        let job = job("portable.toml", "portable.toml", edits);
        reserve(&seen(&job, 5.0, 4.5), Fault::SourceStep)
    };
    let found = step(&[]);
    assert!(found.longest.is_some() && found == step(&[limit]), "{found:?}");
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

/// The sum of the times: 5 ms of block, 5 ms of transfer, 1 ms of judgement, and what acts first.
#[test]
fn reactions_add_up() {
    let shorts = job("portable.toml", "portable.toml", &[]);
    let opens = job("portable.toml", "portable-opens.toml", &[]);
    let reaction = |job: &ResolvedJob, frequency, fault| {
        let found = seen(job, frequency, 0.05);
        reserve(&found, fault).reaction.unwrap().si()
    };
    let is = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} {expected}");
    // Reply limit 500 ms, latency 10 ms, 11 ms, the mute's 3 ms. A suspect source is not waited for.
    is(reaction(&shorts, 16.0, Fault::SourceDeaf), 0.524);
    is(reaction(&opens, 16.0, Fault::SourceDeaf), 0.524);
    for (frequency, silence) in
        [(0.5_f64, 0.250), (1.0, 0.250), (5.0, 0.050), (16.0, 0.015625), (100.0, 0.010)]
    {
        // At the latest when silence is believed; where nothing can come of it, that is all that is said.
        let silent = [&shorts, &opens].map(|job| reaction(job, frequency, Fault::ReferenceSilent));
        assert!(silent[0] <= silence + 0.014 + 1e-9, "{frequency} Hz: {silent:?}");
        // Both are asked at once, and the mute's 3 ms are less than the source's 25; where it opens only the source brakes.
        is(silent[1] - silent[0], 0.022);
    }
    let held = reaction(&shorts, 5.0, Fault::SourceHolds);
    assert!(held > 0.014 && held < 0.064, "{held}");
}

/// The faster of the two paths counts where both brake, in whatever order the rig file has them.
#[test]
fn the_faster_path_counts() {
    let quick = (SOURCE_OFF, "[[safe_path]]\naction = \"source_off\"\ntime = \"1 ms\"\n");
    let swapped = [(SOURCE_OFF, ""), (MUTE, &format!("{MUTE}{SOURCE_OFF}"))];
    let silent = |edits: &[(&str, &str)]| {
        let found = seen(&job("portable.toml", "portable.toml", edits), 16.0, 4.0);
        reserve(&found, Fault::ReferenceSilent).reaction.unwrap().si()
    };
    assert!((silent(&[]) - silent(&[quick]) - 0.002).abs() < 1e-9);
    assert!((silent(&[]) - silent(&swapped)).abs() < 1e-12);
}

/// With a displacement channel no fault is noticed later.
#[test]
fn a_displacement_channel_makes_nothing_later() {
    let channel = "[displacement]\nchannel = \"s4\"\nsensitivity = \"1000 V/m\"\n\n[roles]\n";
    let (plain, seeing) = (
        job("portable.toml", "portable.toml", &[]),
        job("portable.toml", "portable.toml", &[("[roles]\n", channel)]),
    );
    for (frequency, displacement) in [(1.0, 4.5e-3), (3.0, 4e-3)] {
        let target = Displacement::new(displacement).acceleration_at(Hertz::new(frequency)).si();
        let (plain, seeing) = (seen(&plain, frequency, target), seen(&seeing, frequency, target));
        for fault in Fault::ALL {
            let (a, b) = (reserve(&plain, fault), reserve(&seeing, fault));
            let left = |r: Reserve| r.reserve.map_or(f64::INFINITY, |r| r.si());
            assert!(left(b) >= left(a) - 1e-12, "{fault:?}: {a:?} {b:?}");
        }
    }
}

/// In current mode a ring of the suspension may be taken for a tone near its frequency; that it is not the one that was
/// foreseen shows all the same.
#[test]
fn a_ring_is_no_tone_in_current_mode() {
    let job = job("portable-current.toml", "portable-current.toml", &[]);
    for frequency in [10.0, 31.5] {
        let reaction = reserve(&seen(&job, frequency, 0.01), Fault::SourceHolds).reaction;
        assert!(reaction.is_some_and(|r| r.si() < 1.0 / frequency + 0.016), "{frequency} Hz: {reaction:?}");
    }
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

/// In current mode zero drive brakes nothing: until the mute shorts the coil the armature goes on.
#[test]
fn a_current_of_zero_does_not_brake() {
    let job = job("portable-current.toml", "portable-current.toml", &[]);
    for point in &job.points {
        let found = seen(&job, point.frequency.si(), point.target.si());
        let coast = |stop| found.coasts.iter().find(|c| c.stop == stop).unwrap().displacement;
        assert!(
            coast(Stop::ZeroThenMute) >= coast(Stop::MuteAtOnce)
                && coast(Stop::RampThenMute) > Displacement::ZERO
        );
        let least = point.target.displacement_at(point.frequency);
        assert!(found.coasts.iter().all(|c| c.displacement >= least && c.displacement.is_finite()));
    }
}
