//! Pauses for the room: at zero drive, measured anew, and no longer than the plan says.

use super::bench::{Bench, RIG, job_on, plan};
use crate::sequence::*;
use plan_schema::units::*;

const LIMITS: &str =
    "[ambient]\ntemperature_min = \"20 °C\"\ntemperature_max = \"26 °C\"\nhumidity_max = \"75 %\"\n";

/// A bench in a good room. A block lasts 20 ms, and the room is read once a second.
fn bench(more: &str, top: &str) -> Bench {
    let text = plan("", &[("8 Hz", "1 g pk", "repeats = 2"), ("16 Hz", "1 g pk", "")]) + LIMITS + more;
    let rig = RIG.replacen("format = 1\n", &format!("format = 1\n{top}\n"), 1);
    let mut bench = Bench::of(job_on(&text, &rig));
    bench.temperature = Some(23.0);
    bench
}

fn pauses(bench: &Bench) -> Vec<&Pause> {
    let of = |event: &'_ Event| matches!(event, Event::Pause(_));
    let all = bench.events.iter().filter(|e| of(e));
    all.filter_map(|e| if let Event::Pause(pause) = e { Some(pause) } else { None }).collect()
}

fn numbers(bench: &Bench) -> Vec<(usize, u32, bool)> {
    bench.dwells().iter().map(|m| (m.point, m.repeat, m.closing)).collect()
}

/// Whatever the run is at when the room leaves: nothing is driven until it is back, no dwell has anything from the pause, every
/// dwell is there once, and with the number that it has without a pause.
#[test]
fn wherever_it_strikes_nothing_is_lost_doubled_or_driven() {
    let calm = bench("", "").finish();
    assert_eq!(calm.outcome, Some(Outcome::Done));
    let blocks = calm.now / super::bench::FRAMES;
    let mut paused = 0;
    for strikes in (0..blocks).step_by(17) {
        let mut at_zero: Option<u64> = None;
        let run = bench("", "").run(|bench, n| {
            let n = n as u64;
            bench.temperature = Some(if (strikes..strikes + 300).contains(&n) { 27.0 } else { 23.0 });
            if bench.run.glance().part == Part::Paused {
                let from = *at_zero.get_or_insert(n);
                assert!(
                    bench.tone.wanted() == 0.0 && bench.permit.is_none_or(|most| most == 0.0),
                    "{strikes}: {n}"
                );
                assert!(n - from < 1900, "the room is back long since");
            }
            None
        });
        assert_eq!(run.outcome, Some(Outcome::Done), "{strikes}: {:?}", run.events);
        assert_eq!(numbers(&run), numbers(&calm), "{strikes}");
        assert!(run.dwells().iter().all(|m| m.findings.is_empty()), "{strikes}");
        run.at_rest();
        let found = pauses(&run);
        if let [Pause::Begins { finding, .. }, Pause::Ends { lasted }] = found[..] {
            assert!(finding.message.contains("27.0 °C"), "{}", finding.message);
            // Six seconds out, half a minute within, read once a second.
            assert!((28.0..=38.0).contains(&lasted.si()), "{strikes}: {lasted:?}");
            paused += 1;
        } else {
            assert!(found.is_empty(), "{strikes}: {found:?}");
        }
    }
    assert!(paused > 20, "{paused} pauses");
}

/// The dwell that the room spoilt is not recorded; that of the same point afterwards is, whole.
#[test]
fn a_dwell_is_given_up_and_done_anew() {
    let mut struck = None;
    let run = bench("", "").run(|bench, n| {
        if bench.measuring() && bench.ended() == 2 && struck.is_none() {
            struck = Some(n);
        }
        let out = struck.is_some_and(|at| n < at + 100);
        bench.temperature = Some(if out { 19.0 } else { 23.0 });
        None
    });
    let [Pause::Begins { point: Some(point), finding }, Pause::Ends { .. }] = pauses(&run)[..] else {
        panic!("{:?}", run.events)
    };
    assert_eq!((*point, finding.limit), (0, Some(20.0)));
    let dwells = run.dwells();
    let resumed = dwells[2].first_sample.0 / super::bench::FRAMES;
    assert!(resumed > struck.unwrap() as u64 + 1500, "{resumed}");
}

#[test]
fn after_a_long_pause_it_warns_again() {
    let run = bench("", "warning_output = 3").run(|bench, n| {
        bench.temperature = Some(if (300..2300).contains(&n) { 27.0 } else { 23.0 });
        None
    });
    assert_eq!(run.outcome, Some(Outcome::Done));
    let of_warnings: Vec<&str> = run.log.iter().map(|(w, _)| *w).filter(|l| l.starts_with("warn")).collect();
    assert_eq!(of_warnings, ["warn", "warn no more", "warn", "warn no more"]);
    let again = run.log.iter().rfind(|(w, _)| *w == "warn").map(|(_, b)| *b).unwrap();
    let tone = run.log.iter().find(|(w, b)| *w == "tone" && *b >= again).map(|(_, b)| *b).unwrap();
    assert!(again > 3750 && tone - again == 250, "warned at block {again}, moved at {tone}");
}

#[test]
fn a_room_that_does_not_come_back_ends_the_run_and_holds() {
    for strikes in [0, 300] {
        let run = bench("pause_limit = \"2 min\"\n", "").run(|bench, n| {
            bench.temperature = Some(if n >= strikes { 27.0 } else { 23.0 });
            None
        });
        assert_eq!(run.outcome, Some(Outcome::Failed));
        let why = run.run.hold().unwrap();
        assert!(why.contains("27.0 °C") && why.contains("did not come back within 120 s"), "{why}");
        assert_eq!(run.did("tone"), strikes > 0, "nothing moves before the room was ever right");
        run.at_rest();
        assert!(run.run.trip().is_none());
    }
}

/// Humidity counts as the temperature does, and a person can end a pause.
#[test]
fn a_damp_room_pauses_and_a_person_ends_it() {
    let run = bench("", "").run(|bench, n| match n {
        300 => Some(Input::Ambient { temperature: Celsius::new(23.0), humidity: Some(Fraction::new(0.8)) }),
        400 => {
            assert_eq!(bench.run.glance().part, Part::Paused);
            Some(Input::Operator(Operator::Cancel))
        }
        _ => None,
    });
    assert_eq!(run.outcome, Some(Outcome::Cancelled));
    assert!(matches!(pauses(&run)[..], [Pause::Begins { finding, .. }] if finding.message.contains("80 %")));
    run.at_rest();
}
