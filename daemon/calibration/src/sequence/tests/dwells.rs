//! How long a dwell is, and what is measured once more.

use super::bench::{Bench, ONE, REFERENCE, THREE, TWO, plan, two_points};
use crate::sequence::*;
use crate::uncertainty::coverage_factor;

/// Largest expanded type A uncertainty that these samples of a dwell leave to a sensor of the job.
fn scatter(bench: &Bench, m: &Measurement, length: usize) -> f64 {
    let setup = bench.run.setup();
    let standing = Standing { job: &setup.job, point: m.point, rest: bench.facts.rest(), excluded: &[] };
    let samples: Vec<Vec<f32>> = m.samples.iter().map(|c| c[..length].to_vec()).collect();
    let estimate = measure(&standing, m.applied_frequency, m.start_frequency, &samples).0.unwrap();
    let of = |column: usize| {
        let ratio = estimate.ratios.iter().find(|r| r.channel == column).unwrap();
        coverage_factor(ratio.dof) * ratio.u_rel_a.si()
    };
    setup.job.sensors.iter().map(|s| of(s.column)).fold(0.0, f64::max)
}

/// Noise draws a dwell out to 2, 4 or 8 times its cycles, until the scatter is small enough, and no further.
#[test]
fn noise_draws_a_dwell_out() {
    let mut seen = Vec::new();
    for noise in [0.001, 0.04, 0.05, 0.06, 0.3] {
        let mut bench = Bench::new(&two_points());
        bench.wires[ONE].noise = noise;
        let bench = bench.finish();
        assert_eq!(bench.outcome, Some(Outcome::Done));
        let limit = bench.run.setup().job.plan.scatter_limit.si();
        for m in bench.dwells() {
            // 16 cycles of 16 Hz, 10 of 8 Hz.
            let base = [2500, 2000][m.point];
            let times = m.length / base;
            assert!(m.length == base * times && [1, 2, 4, 8].contains(&times), "{} samples", m.length);
            if m.closing {
                assert_eq!(times, 1);
                continue;
            }
            seen.push(times);
            for shorter in [1, 2, 4].into_iter().filter(|n| *n < times) {
                assert!(
                    scatter(&bench, m, base * shorter) > limit,
                    "{noise} V: {times} times were not needed"
                );
            }
            assert!(times == 8 || scatter(&bench, m, m.length) <= limit);
        }
    }
    for times in [1, 2, 4, 8] {
        assert!(seen.contains(&times), "{seen:?}");
    }
}

#[test]
fn a_dwell_is_not_drawn_out_beyond_the_plans_time() {
    let points = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")];
    let mut bench = Bench::new(&plan("dwell_limit = \"4.5 s\"", &points));
    bench.wires[ONE].noise = 0.3;
    let bench = bench.finish();
    let lengths: Vec<usize> = bench.dwells().iter().map(|m| m.length).collect();
    // Four times 1 s, twice 1.25 s, and the closing one.
    assert_eq!(lengths, [8000, 5000, 2000]);
}

/// A sensor that does not answer does not become certain by waiting.
#[test]
fn a_silent_sensor_does_not_draw_a_dwell_out() {
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        if bench.did("store first motion") {
            bench.wires[TWO].gain = 0.0;
        }
    });
    assert!(bench.dwells().iter().all(|m| m.length == [2500, 2000][m.point]));
    assert!(bench.dwells().iter().all(|m| m.findings.iter().all(|f| f.kind == FindingKind::SensorOpen)));
}

/// Findings of each dwell, in order, as point, repeat and columns.
fn found(bench: &Bench) -> Vec<(usize, u32, Vec<Option<usize>>)> {
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.run.trip());
    let of = |m: &&Measurement| (m.point, m.repeat, m.findings.iter().map(|f| f.column).collect());
    bench.dwells().iter().map(of).collect()
}

/// Disturbs a column in these dwells of the run, counted from 0: harmonics of its own.
fn disturbed(text: &str, column: usize, which: &[usize]) -> Bench {
    Bench::new(text).while_it_runs(|bench| {
        let now = bench.measuring() && which.contains(&bench.ended());
        bench.wires[column].third = if now { 0.05 } else { 0.0 };
    })
}

#[test]
fn a_disturbance_is_measured_once_more() {
    let bench = disturbed(&two_points(), ONE, &[0]);
    assert_eq!(found(&bench), [(1, 0, vec![Some(ONE)]), (1, 1, vec![]), (0, 0, vec![]), (1, 0, vec![])]);
    // A second one at another point is repeated as well: the first was not there to stay.
    let bench = disturbed(&two_points(), ONE, &[0, 2]);
    let columns: Vec<usize> = found(&bench).iter().map(|f| f.2.len()).collect();
    assert_eq!(columns, [1, 0, 1, 0, 0]);
    // Also the closing look is.
    let bench = disturbed(&two_points(), ONE, &[2]);
    let closing: Vec<_> = bench.dwells().iter().filter(|m| m.closing).map(|m| m.findings.len()).collect();
    assert_eq!(closing, [1, 0]);
}

/// What stays is known after one repeat: no other point is repeated for it, but for something new it is.
#[test]
fn a_lasting_fault_is_repeated_once() {
    let points = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", ""), ("12 Hz", "1 g pk", "")];
    let bench = disturbed(&plan("", &points), THREE, &[0, 1, 2, 3, 4]);
    let three = vec![Some(THREE)];
    let lasting: Vec<_> = [(1, 0), (1, 1), (2, 0), (0, 0), (1, 0)].map(|(p, r)| (p, r, three.clone())).into();
    assert_eq!(found(&bench), lasting);

    let bench = Bench::new(&plan("", &points)).while_it_runs(|bench| {
        bench.wires[THREE].third = if bench.measuring() { 0.05 } else { 0.0 };
        bench.wires[ONE].third = if bench.ended() == 2 && bench.measuring() { 0.05 } else { 0.0 };
    });
    let repeats: Vec<_> = found(&bench).into_iter().map(|(p, r, f)| (p, r, f.len())).collect();
    assert_eq!(repeats, [(1, 0, 1), (1, 1, 1), (2, 0, 2), (2, 1, 1), (0, 0, 1), (1, 0, 1)]);
}

/// The plan's repeats and the one more that a disturbance costs.
#[test]
fn repeats_count_together_with_one_that_failed() {
    let text = plan("closing_point = false", &[("16 Hz", "1 g pk", "repeats = 3")]);
    for (which, wanted) in [
        (&[][..], &[0, 0, 0][..]),
        (&[0], &[1, 0, 0, 0]),
        (&[1], &[0, 1, 0, 0]),
        (&[2], &[0, 0, 1, 0]),
        (&[0, 1], &[1, 1, 0, 0]),
        (&[0, 2], &[1, 0, 1, 0]),
    ] {
        let bench = disturbed(&text, ONE, which);
        let columns: Vec<usize> = found(&bench).iter().map(|f| f.2.len()).collect();
        assert_eq!(columns, wanted, "{which:?}");
        let numbers: Vec<u32> = bench.dwells().iter().map(|m| m.repeat).collect();
        assert!(numbers.iter().copied().eq(0..wanted.len() as u32));
    }
}

/// Two disturbances of one point that do not follow each other are no fault that stays.
#[test]
fn only_what_is_found_twice_in_a_row_is_there_to_stay() {
    let points = [("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "repeats = 2")];
    // Dwells of 16 Hz: bad, good, bad; then one of 8 Hz is bad, which is measured once more.
    let bench = disturbed(&plan("closing_point = false", &points), ONE, &[0, 2, 3]);
    let all: Vec<_> = found(&bench).into_iter().map(|(p, _, f)| (p, f.len())).collect();
    assert_eq!(all, [(1, 1), (1, 0), (1, 1), (0, 1), (0, 0)]);
}

/// Distortion of the motion itself concerns everybody.
#[test]
fn a_bad_motion_is_measured_once_more() {
    let bench = Bench::new(&two_points()).while_it_runs(|bench| {
        let now = bench.measuring() && bench.ended() == 0;
        for wire in &mut bench.wires {
            wire.third = if now { 0.2 } else { 0.0 };
        }
    });
    let all = found(&bench);
    assert_eq!((all[0].clone(), all[1].clone()), ((1, 0, vec![Some(REFERENCE)]), (1, 1, vec![])));
    assert_eq!(bench.dwells()[0].findings[0].kind, FindingKind::Distortion);
}

/// A gain that changes within a dwell: the amplitude settles again before it is measured once more.
#[test]
fn an_amplitude_that_went_astray_settles_again() {
    let mut bench = Bench::new(&two_points());
    let mut jumped = false;
    bench = bench.while_it_runs(|bench| {
        if bench.measuring() && !jumped && bench.tones.last().is_some_and(|t| bench.now > t.0 + 1500) {
            bench.response *= 0.9;
            jumped = true;
        }
    });
    assert_eq!((bench.outcome, jumped), (Some(Outcome::Done), true));
    let near = |m: &&Measurement| {
        let setup = bench.run.setup();
        let frequency = setup.job.points[m.point].frequency;
        let seen = m.acceleration(REFERENCE, setup.sensitivity_near(frequency).si()).unwrap();
        (seen / setup.job.points[m.point].target - 1.0).abs() < 0.02
    };
    let last = |point: usize| bench.dwells().into_iter().rfind(|m| m.point == point && !m.closing).unwrap();
    assert!(near(&last(0)) && near(&last(1)));
    assert!(bench.dwells().iter().any(|m| !near(m)), "the jump was within no dwell");
}
