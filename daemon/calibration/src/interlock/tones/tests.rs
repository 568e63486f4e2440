//! The monitors of reference and source, each at what it has to tell apart.

#![expect(clippy::cast_possible_truncation, reason = "samples are f32")]

use super::super::told::{Other, Told};
use super::super::trip::TripReason;
use super::*;
use crate::hazard::notice::{SILENCE_CYCLES, SILENCE_LEAST, SILENCE_MOST};
use nalgebra::Complex;
use plan_schema::units::*;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

const RATE: f64 = 10_000.0;
const BLOCK: u64 = 100;

/// What a channel shows of a motion of 1 m/s² at a time in s: 1 V for the reference.
type Shows<'a> = &'a dyn Fn(f64) -> f64;

struct Bench {
    tones: Tones,
    now: u64,
    seed: ChaCha8Rng,
    noise: f64,
}

impl Bench {
    fn new(columns: usize) -> Self {
        let coil = Coil { current_limit: Amperes::new(1.0), resistance: Ohms::new(4.0), heat: None };
        let names = (0..columns).map(|n| format!("c{n}")).collect();
        Self {
            tones: Tones::new(SamplesPerSecond::new(RATE), 0, names, coil),
            now: 0,
            seed: ChaCha8Rng::seed_from_u64(3),
            noise: 1e-3,
        }
    }

    /// Tells of a tone that is in effect from now on; all other columns show what the reference shows.
    fn tell(&mut self, frequency: f64, drive: f64) {
        let others = (1..self.tones.names.len()).map(|column| Other {
            column,
            ratio: Complex::new(1.0, 0.0),
            plain: true,
            known: false,
        });
        let told = Told {
            frequency: Hertz::new(frequency),
            drive: Volts::new(drive),
            from: SampleIndex(self.now),
            foreseen: (drive > 0.0).then(|| Accel::new(drive)),
            sensitivity: Sensitivity::new(1.0),
            zero: VoltsDc::new(0.0),
            current_per_acceleration: 0.1,
            others: others.collect(),
        };
        self.tones.commanded();
        assert_eq!(self.tones.told(told), None);
    }

    /// Feeds a time in s; the reason of the trip, and how long it took.
    fn feed(&mut self, time: f64, shows: &[Shows<'_>]) -> Option<(TripReason, f64)> {
        let begun = self.now;
        while ((self.now - begun) as f64) < time * RATE {
            let columns: Vec<Vec<f32>> = shows
                .iter()
                .map(|show| {
                    (self.now..self.now + BLOCK)
                        .map(|n| {
                            let noise: f64 = StandardNormal.sample(&mut self.seed);
                            (show(n as f64 / RATE) + self.noise * noise) as f32
                        })
                        .collect()
                })
                .collect();
            let channels: Vec<&[f32]> = columns.iter().map(Vec::as_slice).collect();
            let block = BlockView {
                first_sample: SampleIndex(self.now),
                gap_before: SampleCount(0),
                channels: &channels,
                overload: &vec![false; columns.len()],
            };
            self.now += BLOCK;
            if let Some(trip) = self.tones.look(&block) {
                return Some((trip.reason, (self.now - begun) as f64 / RATE));
            }
        }
        None
    }
}

fn tone(frequency: f64) -> impl Fn(f64) -> f64 {
    move |t| (TAU * frequency * t).sin()
}

fn gone(_: f64) -> f64 {
    0.0
}

/// Silence as it is promised, with a block and an eighth of it for the look, and room for noise at the worst phase.
fn promised(frequency: f64) -> f64 {
    let silence = (SILENCE_CYCLES / frequency).clamp(SILENCE_LEAST.si(), SILENCE_MOST.si());
    silence * 1.75 + 2.0 * BLOCK as f64 / RATE
}

fn seen(after: Option<(TripReason, f64)>) -> Option<TripReason> {
    after.map(|(reason, _)| reason)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever the phase at which it happens: the reason is right, and it is found as soon as is promised.
    #[test]
    fn what_became_of_a_tone_is_told_soon_and_rightly(phase in 0.0..1.0f64, which in 0..4usize) {
        let frequency = [2.0, 10.0, 40.0, 160.0][which];
        let (on, turned) = (tone(frequency), |t| -tone(frequency)(t));
        let cases: [(&[Shows<'_>], TripReason); 5] = [
            (&[&gone, &on], TripReason::ReferenceOpen),
            (&[&gone, &gone], TripReason::SourceDc),
            (&[&turned, &on], TripReason::ReferenceReversed),
            (&[&turned, &turned], TripReason::SourceNotFollowing),
            // A held voltage leaves an offset on a channel that shows displacement.
            (&[&gone, &|_| 0.7], TripReason::SourceDc),
        ];
        for (after, reason) in cases {
            let mut bench = Bench::new(2);
            bench.tell(frequency, 1.0);
            let steady = (3.0 + phase) / frequency.min(40.0) + 0.05;
            prop_assert_eq!(bench.feed(steady, &[&on, &on]), None);
            let found = bench.feed(5.0, after);
            let (one, two) = (after[0](0.003), after[1](0.003));
            prop_assert_eq!(seen(found), Some(reason), "{} Hz, {} and {}: {:?}", frequency, one, two, found);
            let late = found.unwrap().1;
            let limit = if after.len() == 2 && reason == TripReason::ReferenceReversed { 2.0 } else { 1.0 };
            prop_assert!(late <= limit * promised(frequency), "{:?} after {} s", reason, late);
        }
    }
}

/// A gain that falls without ceasing, a sensor that opens, noise and distortion are no reason to trip.
#[test]
fn what_is_no_silence_does_not_trip() {
    for frequency in [1.0, 10.0, 160.0] {
        let on = tone(frequency);
        let half = |t| 0.5 * tone(frequency)(t);
        let bent = |t| tone(frequency)(t) + 0.1 * tone(2.0 * frequency)(t) + 0.05 * tone(3.0 * frequency)(t);
        for (noise, after) in [(1e-3, [&half as Shows<'_>, &half]), (1e-3, [&on, &gone]), (0.5, [&on, &on])] {
            let mut bench = Bench::new(2);
            bench.noise = noise;
            bench.tell(frequency, 1.0);
            assert_eq!(bench.feed(5.0, &[&on, &on]), None, "{frequency} Hz, {noise} V");
            assert_eq!(bench.feed(10.0, &after), None, "{frequency} Hz, {noise} V");
        }
        let mut bench = Bench::new(2);
        bench.tell(frequency, 1.0);
        assert_eq!(bench.feed(20.0, &[&bent, &bent]), None, "{frequency} Hz");
    }
}

#[test]
fn an_open_reference_without_anything_beside_it_trips_as_such() {
    let on = tone(10.0);
    let mut bench = Bench::new(1);
    bench.tell(10.0, 1.0);
    assert_eq!(bench.feed(1.0, &[&on]), None);
    assert_eq!(seen(bench.feed(1.0, &[&gone])), Some(TripReason::ReferenceOpen));
}

#[test]
fn samples_that_stand_still_or_repeat_are_stuck() {
    let on = tone(10.0);
    let held: Shows<'_> = &|_| 0.25;
    let repeats: Shows<'_> = &|t| tone(10.0)(t % (BLOCK as f64 / RATE));
    for stuck in [held, repeats] {
        let mut bench = Bench::new(2);
        bench.noise = 0.0;
        bench.tell(10.0, 1.0);
        bench.feed(0.02, &[&on, &on]);
        assert_eq!(seen(bench.feed(1.0, &[stuck, &on])), Some(TripReason::ReferenceStuck));
    }
}

/// The source acknowledged another tone, or 0 V, and the old one goes on.
#[test]
fn a_tone_that_goes_on_trips() {
    for (new, drive) in [(8.0, 1.0), (12.6, 0.3), (40.0, 1.0), (20.0, 1.0), (5.0, 1.0), (10.0, 0.0)] {
        let on = tone(10.0);
        let mut bench = Bench::new(2);
        bench.tell(10.0, 1.0);
        assert_eq!(bench.feed(1.0, &[&on, &on]), None);
        bench.tell(new, drive);
        let found = bench.feed(2.0, &[&on, &on]);
        assert_eq!(seen(found), Some(TripReason::SourceNotFollowing), "{new} Hz, {drive} V");

        // And a source that follows does not.
        let follows = |t: f64| drive * tone(new)(t);
        let mut bench = Bench::new(2);
        bench.tell(10.0, 1.0);
        assert_eq!(bench.feed(1.0, &[&on, &on]), None);
        bench.tell(new, drive);
        assert_eq!(bench.feed(5.0, &[&follows, &follows]), None, "{new} Hz, {drive} V");
    }
}

/// Corrections of the drive that nothing follows.
#[test]
fn an_amplitude_that_does_not_follow_trips() {
    for (change, follows, trips) in
        [(1.11, false, true), (0.9, false, true), (1.08, false, false), (1.11, true, false)]
    {
        let on = tone(10.0);
        let after = |t: f64| if follows { change } else { 1.0 } * tone(10.0)(t);
        let mut bench = Bench::new(2);
        bench.tell(10.0, 1.0);
        assert_eq!(bench.feed(1.0, &[&on, &on]), None);
        bench.tell(10.0, change);
        let found = seen(bench.feed(1.0, &[&after, &after]));
        assert_eq!(found, trips.then_some(TripReason::SourceNotFollowing), "{change} {follows}");
    }
}

/// From 10 % of what is foreseen on the tone came; below it the others tell whose fault it is.
#[test]
fn a_tone_that_does_not_come_trips() {
    let not_following = Some(TripReason::SourceNotFollowing);
    for (shown, moved, reason) in
        [(0.09, 0.09, not_following), (0.09, 1.0, Some(TripReason::ReferenceOpen)), (0.11, 0.11, None)]
    {
        let (shows, moves) = (|t: f64| shown * tone(10.0)(t), |t: f64| moved * tone(10.0)(t));
        let mut bench = Bench::new(2);
        bench.tell(10.0, 1.0);
        assert_eq!(seen(bench.feed(1.0, &[&shows, &moves])), reason, "{shown} {moved}");
    }
}

/// 1 m/s² takes 0.1 A here; the limit is 1 A and a tenth.
#[test]
fn a_motion_that_takes_too_much_current_trips() {
    for (amplitude, reason) in [(10.9, None), (11.1, Some(TripReason::CurrentLimit))] {
        let shows = |t: f64| amplitude * tone(10.0)(t);
        let mut bench = Bench::new(2);
        bench.tell(10.0, 5.0);
        assert_eq!(seen(bench.feed(1.0, &[&shows, &shows])), reason, "{amplitude}");
    }
}
