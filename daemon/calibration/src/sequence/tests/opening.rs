//! What comes before any motion: the soak and the quiet part.

use super::bench::{Bench, FRAMES, ONE, RATE, REFERENCE, STANDARD, SUPPLY, THREE, TWO, plan, two_points};
use crate::interlock::TripReason;
use crate::sequence::*;
use plan_schema::units::*;

/// Moment of the first time that something was done, in seconds.
fn moment(bench: &Bench, word: &str) -> f64 {
    let (_, block) = bench.log.iter().find(|(w, _)| *w == word).unwrap();
    (block * FRAMES) as f64 / RATE
}

/// What is left of the soak time passes before leave is asked for.
#[test]
fn the_rest_of_the_soak_is_waited_for() {
    let bench = Bench::with(&two_points(), |job| {
        job.sensors[1].sensor.soak_time = Seconds::new(40.0);
        job.check_standards[0].sensor.soak_time = Seconds::new(70.0);
        job.job.soaked = Seconds::new(25.0);
    })
    .finish();
    assert_eq!(bench.outcome, Some(Outcome::Done));
    assert!((moment(&bench, "grant") - 45.0).abs() < 0.03 && (moment(&bench, "unmute") - 45.0).abs() < 0.03);
    assert_eq!(bench.events[0], Event::SoakBegins(Seconds::new(45.0)));
}

fn steady() -> String {
    let soak = "[soak]\nsteady = \"0.2 K\"\nover = \"20 s\"\nlongest = \"60 s\"";
    plan("", &[("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")]) + soak
}

/// A temperature that drifts is waited for, and at last the run is held: no leave, nothing unmuted.
#[test]
fn a_drifting_temperature_holds_the_run() {
    let mut bench = Bench::new(&steady());
    bench.temperature = Some(20.0);
    let bench = bench.while_it_runs(|bench| bench.temperature = bench.temperature.map(|t| t + 0.02 * 0.02));
    let why = bench.run.hold().unwrap();
    assert!(why.contains("temperature") && why.contains("0.40 K"), "{why}");
    assert_eq!(bench.outcome, Some(Outcome::Failed));
    bench.at_rest();
    assert!(!bench.did("grant") && !bench.did("unmute") && !bench.did("tone"));
    let end = bench.now as f64 / RATE;
    assert!((60.0..61.0).contains(&end), "{end}");

    // Without a reading nothing can be known to be steady.
    let bench = Bench::new(&steady()).finish();
    assert!(bench.run.hold().unwrap().contains("nothing reads it"));
    assert!(!bench.did("grant"));
}

#[test]
fn a_temperature_that_settles_lets_the_run_begin() {
    let mut bench = Bench::new(&steady());
    bench.temperature = Some(20.0);
    let bench = bench.while_it_runs(|bench| {
        if (bench.now as f64) < 30.0 * RATE {
            bench.temperature = bench.temperature.map(|t| t + 0.02 * 0.02);
        }
    });
    assert_eq!((bench.outcome, bench.run.hold()), (Some(Outcome::Done), None));
    // Half of the 0.4 K by which it drifts in the time looked at may lie within it: 10 s after it stands still.
    assert!((38.0..42.0).contains(&moment(&bench, "grant")), "{}", moment(&bench, "grant"));
    let dwells = bench.dwells();
    assert!(dwells.iter().all(|m| m.temperature.is_some_and(|t| (t.si() - 20.6).abs() < 0.02)));
}

/// What a sensor shows at rest, against the register; the others go on.
#[test]
fn what_is_wrong_at_rest_sends_a_sensor_out() {
    let cases = [
        // Built-in electronics: the line is open, shorted, damaged low and high.
        (TWO, 23.9, Some(FindingKind::SensorOpen), "open"),
        (TWO, 0.1, Some(FindingKind::SensorOpen), "shorted"),
        (TWO, 14.5, Some(FindingKind::RegisterMismatch), "damaged"),
        (TWO, 12.9, None, ""),
        // Offset: 100 mV are allowed.
        (ONE, 2.39, Some(FindingKind::RegisterMismatch), "at rest"),
        (ONE, 2.61, Some(FindingKind::RegisterMismatch), "at rest"),
        (ONE, 2.59, None, ""),
        // Supply of the first sensor: 5 % of 12 V are allowed.
        (SUPPLY, 11.3, Some(FindingKind::RegisterMismatch), "supply"),
        (SUPPLY, 0.0, Some(FindingKind::RegisterMismatch), "supply"),
        (SUPPLY, 12.5, None, ""),
        // Nobody states an offset for the check standard.
        (STANDARD, 1.0, None, ""),
    ];
    for (column, volts, kind, says) in cases {
        let mut bench = Bench::new(&two_points());
        bench.wires[column].offset = volts;
        let bench = bench.finish();
        assert_eq!(bench.outcome, Some(Outcome::Done), "{column} at {volts} V: {:?}", bench.run.trip());
        let found = &bench.facts.first_motion.as_ref().unwrap().verdict.findings;
        assert_eq!(found.first().map(|f| f.kind), kind, "{column} at {volts} V: {found:?}");
        assert!(found.len() == usize::from(kind.is_some()));
        let of = if column == SUPPLY { ONE } else { column };
        assert!(found.iter().all(|f| f.column == Some(of) && f.message.contains(says)), "{found:?}");
    }
}

/// An output at the end of its channel's range says that it is overloaded. That costs this sensor, not the run; of the
/// reference, and of anything once the points have begun, it trips.
#[test]
fn a_channel_that_is_saturated_at_rest_sends_its_sensor_out() {
    let mut bench = Bench::new(&two_points());
    bench.wires[THREE].offset = 6.0;
    let bench = bench.finish();
    assert_eq!((bench.outcome, bench.run.trip()), (Some(Outcome::Done), None));
    let found = &bench.facts.first_motion.as_ref().unwrap().verdict.findings;
    assert_eq!(
        found.iter().map(|f| (f.kind, f.column)).collect::<Vec<_>>(),
        [(FindingKind::RegisterMismatch, Some(THREE))]
    );
    for column in [REFERENCE, STANDARD] {
        let mut bench = Bench::new(&two_points());
        bench.wires[column].offset = 20.0;
        let bench = bench.finish();
        assert_eq!(bench.run.trip().map(|t| t.reason), Some(TripReason::Overload));
        assert!(bench.tones.is_empty());
    }
}

/// Behind the coupling of an AC channel there is no bias to be seen, and none is missed.
#[test]
fn a_bias_is_not_looked_for_behind_a_capacitor() {
    let bench = Bench::with(&two_points(), |job| {
        job.columns[TWO].ac_corner = Some(Hertz::new(0.1));
    });
    assert!(bench.wires[TWO].offset.abs() < 1e-9);
    let bench = bench.finish();
    assert_eq!(bench.facts.first_motion.as_ref().unwrap().verdict.findings, []);
    let nothing = crate::evaluate::Circumstances { since_calibration: Seconds::ZERO, scope_in_force: false };
    let results = crate::evaluate::evaluate(bench.run.setup(), &bench.facts, &nothing).unwrap();
    assert_eq!(results[1].bias, None, "what is not seen is not reported");
}
