//! The largest amplitudes of a series, on example rigs.

use super::verdicts::{example, files};
use crate::control::{Plant, foresee_all, resolve};
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::{Accel, STANDARD_GRAVITY};

fn plan(series: &str) -> String {
    format!("format = 1\nname = \"series\"\ntolerance = \"5 %\"\n{series}")
}

fn asked(job: &str, rig: &str, from: &str, to: &str, most: &str) -> JobFiles {
    let plan = plan(&format!(
        "[[series]]\nfrom = \"{from}\"\nto = \"{to}\"\nspacing = \"octave\"\nvalues = \"nominal\"\namplitude = \
         \"largest\"\nat_most = \"{most}\"\n"
    ));
    files(job, &plan, example(&format!("rigs/{rig}")))
}

fn settled(files: &JobFiles) -> ResolvedJob {
    resolve(files).unwrap_or_else(|report| panic!("{report}")).0
}

/// Three digits, within what was asked for, admitted as it stands; and a little more is not, unless all was had.
#[test]
fn the_largest_is_admitted_and_more_is_not() {
    for (job, rig) in [
        ("portable.toml", "portable.toml"),
        ("portable.toml", "portable-opens.toml"),
        ("low-frequency.toml", "long-stroke.toml"),
    ] {
        let job = settled(&asked(job, rig, "1 Hz", "100 Hz", "1 g pk"));
        let plant = Plant::of(&job);
        let mut limited = 0;
        for (point, forecast) in job.points.iter().zip(foresee_all(&job, &plant)) {
            assert!(forecast.obstacles.is_empty(), "{rig} {}: {:?}", point.frequency, forecast.obstacles);
            assert!(point.target.si() <= STANDARD_GRAVITY);
            let Some(why) = &point.limited else {
                assert_eq!(point.target, Accel::new(STANDARD_GRAVITY));
                continue;
            };
            limited += 1;
            assert!(!why.is_empty());
            let digits = format!("{:.2e}", point.target.si()).parse::<f64>().unwrap();
            assert_eq!(point.target.si().to_bits(), digits.to_bits(), "{rig} {}", point.frequency);
            let more = crate::control::foresee(
                &job,
                &plant,
                &plan_schema::resolve::ResolvedPoint { target: point.target * 1.03, ..point.clone() },
            );
            assert!(!more.obstacles.is_empty(), "{rig} {}: {} {why}", point.frequency, point.target);
        }
        assert!(limited > 0, "{rig}");
    }
}

/// The same whoever asks, however often.
#[test]
fn the_largest_is_found_again() {
    let files = asked("portable.toml", "portable.toml", "1 Hz", "100 Hz", "2 g pk");
    assert_eq!(settled(&files), settled(&files));
}

/// A rig that nothing stops has no largest amplitude: the point keeps what the files allow, and is refused.
#[test]
fn where_nothing_can_be_had_the_point_is_refused() {
    let rig = example("rigs/portable.toml");
    let mute = "[[safe_path]]\naction = \"amplifier_mute\"\ntime = \"3 ms\"\n";
    assert!(rig.contains(mute));
    let mut files = asked("portable.toml", "portable.toml", "8 Hz", "16 Hz", "1 g pk");
    files.rig = plan_schema::read::Document::read("rig", &rig.replace(mute, "")).unwrap();
    let job = settled(&files);
    for forecast in foresee_all(&job, &Plant::of(&job)) {
        assert_eq!(forecast.largest, Some(Accel::ZERO));
    }
}

/// A waiver leaves the reserve to a person: then stroke and ranges bind, where the observer is allowed its error.
#[test]
fn a_waiver_leaves_the_limits_of_the_shaker() {
    let mut files = asked("portable.toml", "portable.toml", "1 Hz", "8 Hz", "1 g pk");
    let waived = "[timing]\nobserver_share = \"90 %\"\n\n[waiver]\nname = \"A. Person\"\nreason = \"spare armature\"\n\n[roles]\n";
    let text = example("rigs/portable.toml").replace("[roles]\n", waived);
    files.rig = plan_schema::read::Document::read("rig", &text).unwrap();
    let job = settled(&files);
    let slowest = &job.points[0];
    // (2π)² · 5 mm = 0.1974 m/s².
    assert_eq!(slowest.target, Accel::new(0.197));
    assert!(slowest.limited.as_deref().unwrap().contains("stroke"), "{slowest:?}");
}
