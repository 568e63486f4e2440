//! What is said against a dwell: each kind of fault by its own name, about the column that has it.

use super::bench::{Bench, ONE, REFERENCE, THREE, TWO, plan, two_points};
use crate::sequence::*;

/// Kinds and columns of what was found against the first dwell, in which the bench is changed.
fn first(text: &str, mut change: impl FnMut(&mut Bench)) -> Vec<(FindingKind, Option<usize>)> {
    let bench = Bench::new(text).while_it_runs(|bench| {
        if bench.ended() == 0 {
            change(bench);
        }
    });
    assert_eq!(bench.outcome, Some(Outcome::Done), "{:?}", bench.run.trip());
    assert_eq!(bench.facts.first_motion.as_ref().unwrap().verdict.findings, []);
    bench.dwells()[0].findings.iter().map(|f| (f.kind, f.column)).collect()
}

#[test]
fn every_fault_has_its_name() {
    let text = two_points();
    assert_eq!(first(&text, |_| {}), []);
    let in_dwell = |change: fn(&mut Bench)| {
        move |bench: &mut Bench| {
            if bench.measuring() {
                change(bench);
            }
        }
    };
    // The bench's sensor has 1 V peak at 1 g: 5 % rms of noise that was not there at rest.
    let rattle = in_dwell(|bench| bench.wires[ONE].noise = 0.05);
    assert_eq!(first(&text, rattle), [(FindingKind::Residual, Some(ONE))]);
    // Noise that is there at rest as well, too large for the time: 0.4 of the signal's peak, 2 · 0.4 √(2/2000) = 2.5 %.
    let short = plan("dwell_limit = \"1 s\"", &[("16 Hz", "1 g pk", "")]);
    let noise = |bench: &mut Bench| bench.wires[THREE].noise = 0.2;
    assert_eq!(first(&short, noise), [(FindingKind::Noise, Some(THREE))]);
    let silent = in_dwell(|bench| bench.wires[TWO].gain = 0.02);
    assert_eq!(first(&text, silent), [(FindingKind::SensorOpen, Some(TWO))]);
    let turned = in_dwell(|bench| bench.wires[TWO].gain = -1.0);
    assert_eq!(first(&text, turned), [(FindingKind::Polarity, Some(TWO))]);
    let harmonics = in_dwell(|bench| bench.wires[ONE].third = 0.01);
    assert_eq!(first(&text, harmonics), [(FindingKind::Distortion, Some(ONE))]);
    // 3 % over the second of the dwell; a block is a fiftieth of it.
    let creeping = in_dwell(|bench| bench.response *= 1.0 + 0.03 / 50.0);
    assert_eq!(first(&text, creeping), [(FindingKind::NotSettled, Some(REFERENCE))]);
}

/// Harmonics of the motion are not the sensors', and up to the plan's limit they are nothing at all.
#[test]
fn distortion_of_the_motion_is_not_the_sensors() {
    let moved = |share: f64| {
        move |bench: &mut Bench| {
            let share = if bench.measuring() { share } else { 0.0 };
            bench.wires.iter_mut().for_each(|wire| wire.third = share);
        }
    };
    assert_eq!(first(&two_points(), moved(0.09)), []);
    assert_eq!(first(&two_points(), moved(0.11)), [(FindingKind::Distortion, Some(REFERENCE))]);
}

/// One sample at the end of the range is enough, on a column that counts.
#[test]
fn a_sample_at_the_end_of_the_range_is_clipped() {
    let bench = Bench::new(&two_points()).finish();
    let job = &bench.run.setup().job;
    let m = bench.dwells()[0];
    let with = |column: usize, volts: f32, excluded: &[bool]| {
        let mut samples = m.samples.to_vec();
        samples[column][700] = volts;
        let standing = Standing { job, point: m.point, rest: bench.facts.rest(), excluded };
        let found = measure(&standing, m.applied_frequency, m.start_frequency, &samples).1;
        found.iter().any(|f| f.kind == FindingKind::Clipped && f.column == Some(column))
    };
    assert!(with(ONE, 4.999, &[]) && with(ONE, -5.0, &[]) && with(REFERENCE, 10.0, &[true; 3]));
    assert!(!with(ONE, 4.9, &[]) && !with(ONE, 5.0, &[true, false, false]));
}
