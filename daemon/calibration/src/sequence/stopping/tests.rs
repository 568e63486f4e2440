//! Ways out in any order of events, on each kind of amplifier; and what a whole run asks for and when.

use super::*;
use crate::sequence::tests::bench::{Bench, job, two_points};
use crate::sequence::{Action, Input, Setup};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const AMPLIFIERS: [(AmplifierMode, Mute); 4] = [
    (AmplifierMode::Voltage, Mute::Shorts),
    (AmplifierMode::Voltage, Mute::Opens),
    (AmplifierMode::Current, Mute::Shorts),
    (AmplifierMode::Current, Mute::Opens),
];

fn setup((mode, mute): (AmplifierMode, Mute)) -> Setup {
    let mut job = job(&two_points());
    (job.rig.amplifier.mode, job.rig.amplifier.mute) = (mode, mute);
    if mode == AmplifierMode::Current {
        job.rig.amplifier.transconductance = Some(plan_schema::units::Quantity::new(1.0));
    }
    Setup::new(job)
}

/// What comes first, for each amplifier and each reason.
#[test]
fn what_is_asked_for_at_once() {
    for amplifier in AMPLIFIERS {
        let setup = setup(amplifier);
        let first = |reason| match Stopping::begin(&setup, Outcome::Tripped, reason).stage {
            Stage::Proving(targets) => targets,
            stage => panic!("{stage:?}"),
        };
        assert_eq!(first(None), Targets::SOURCE, "in good order nothing is hurried");
        for reason in TripReason::ALL {
            let source_suspect = matches!(
                reason,
                TripReason::SourceDc | TripReason::SourceNotFollowing | TripReason::MakeSafeFailed
            );
            let both = source_suspect || amplifier == (AmplifierMode::Voltage, Mute::Shorts);
            let wanted = if both { Targets::BOTH } else { Targets::SOURCE };
            assert_eq!(first(Some(*reason)), wanted, "{amplifier:?} {reason:?}");
        }
    }
}

/// Whatever happens in whatever order: each instrument is asked once, it is over when both have answered and not before,
/// and where the mute opens the coil it does not come before the source has braked, unless that is the suspect.
#[test]
fn every_way_out_ends_at_rest_with_both_proven() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let setups = AMPLIFIERS.map(setup);
    for case in 0..4_000 {
        let setup = &setups[case % 4];
        let rig = &setup.job.rig;
        let draw = |rng: &mut ChaCha8Rng| match rng.random_range(0..4) {
            0 => None,
            _ => Some(TripReason::ALL[rng.random_range(0..TripReason::ALL.len())]),
        };
        let first = draw(&mut rng);
        let mut hurried = first.is_some();
        let mut trusted = at_once(rig, first) == Targets::SOURCE;
        let (mut now, mut end) = (Mono(1_000_000_000), SampleIndex(2000));
        let mut stopping = if rng.random_bool(0.5) {
            let begun = Stopping::begin(setup, Outcome::Tripped, first);
            trusted |= first.is_none();
            begun
        } else {
            (hurried, trusted) = (false, true);
            Stopping::ramp(setup, Outcome::Done, now.after(Seconds::new(2.0)))
        };
        let mut asked = match stopping.stage {
            Stage::Proving(targets) => targets,
            _ => Targets::NONE,
        };
        let mut proven: Vec<(Target, Mono)> = Vec::new();
        for step in 0..400 {
            let more = match rng.random_range(0..6) {
                // A proof of one that was asked; or of one that was not, or was proven before, which counts nothing.
                0 | 1 => {
                    let target = if rng.random_bool(0.5) { Target::Source } else { Target::Amplifier };
                    if asked.has(target) && proven.iter().all(|(t, _)| *t != target) {
                        proven.push((target, now));
                    }
                    stopping.proved(target, end, now)
                }
                2 if step < 200 => {
                    let reason = draw(&mut rng);
                    trusted &= at_once(rig, reason) == Targets::SOURCE;
                    hurried = true;
                    stopping.hurry(rig, reason);
                    stopping.advance(now, end)
                }
                3 => {
                    stopping.ramped(SampleIndex(end.0 + 100));
                    Targets::NONE
                }
                _ => {
                    now = now.after(Seconds::new(0.02));
                    // Samples may fail to come.
                    end = SampleIndex(end.0 + if rng.random_bool(0.7) { 40 } else { 0 });
                    stopping.advance(now, end)
                }
            };
            assert_eq!(more.without(asked), more, "asked for twice");
            asked = asked.and(more);
            if more.has(Target::Amplifier) && trusted {
                let (target, at) = proven[0];
                assert_eq!((target, proven.len()), (Target::Source, 1), "the mute waits for the source");
                assert!(hurried || now > at || brake(setup) == Seconds::ZERO, "and for the brake");
            }
            assert_eq!(stopping.stage == Stage::Over, proven.len() == 2, "{stopping:?}");
        }
        assert_eq!(stopping.stage, Stage::Over, "{:?} {first:?}", AMPLIFIERS[case % 4]);
    }
}

/// In good order, and after a trip where one waits for the other, the mute comes when the armature is at rest.
#[test]
fn the_mute_waits_for_the_brake_and_no_longer() {
    for (amplifier, waits) in AMPLIFIERS.into_iter().zip([true, true, false, false]) {
        let setup = setup(amplifier);
        let mut stopping = Stopping::begin(&setup, Outcome::Done, None);
        let (now, followed) = (Mono(0), SampleIndex(500));
        assert_eq!(stopping.proved(Target::Source, followed, now), Targets::NONE);
        let rest = followed + setup.samples(setup.plant.settling_time());
        assert_eq!(stopping.advance(now, SampleIndex(followed.0 - 1)), Targets::NONE, "not in effect yet");
        let at_once = stopping.clone().advance(now, followed);
        assert_eq!(at_once, if waits { Targets::NONE } else { Targets::AMPLIFIER });
        assert_eq!(stopping.advance(now, rest), Targets::AMPLIFIER);
    }
}

/// A whole run: the mute beside the source after a trip where that brakes, after it where it does not.
#[test]
fn a_run_that_trips_asks_as_its_amplifier_wants() {
    for (mute, together) in [(Mute::Shorts, true), (Mute::Opens, false)] {
        for at in [150, 200, 300] {
            let mut bench = Bench::with(&two_points(), |job| job.rig.amplifier.mute = mute);
            bench.feed(Input::Started { starts_at_zero: true });
            for _ in 0..at {
                bench.block();
            }
            let mut out = Vec::new();
            let open = Input::Contacts { emergency_stop_closed: false, inputs: Vec::new() };
            bench.run.step(bench.mono(), open, &mut out);
            let expected =
                if together { vec![Target::Source, Target::Amplifier] } else { vec![Target::Source] };
            assert_eq!(targets(&out), expected, "{mute:?} at block {at}");
        }
    }
}

fn targets(actions: &[Action]) -> Vec<Target> {
    let safe = |action: &Action| match action {
        Action::MakeSafe(target) => Some(*target),
        _ => None,
    };
    actions.iter().filter_map(safe).collect()
}
