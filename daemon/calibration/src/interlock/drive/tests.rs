//! What a drive monitor shows of a source that does its work and of one that does not.

use super::*;
use plan_schema::units::{Accel, Hertz, Sensitivity};
use std::f64::consts::TAU;

const RATE: f64 = 1000.0;
const FREQUENCY: f64 = 10.0;

/// Behind a divider of ten; 10 mV of the source may be direct.
fn drive() -> Drive {
    let mut drive = Drive::new(DriveMonitor {
        column: 1,
        name: "mon".to_owned(),
        shows: DrivePoint::Source,
        volts_of_source: 10.0,
        direct: VoltsDc::new(0.01),
        rate: SamplesPerSecond::new(RATE),
    });
    drive.allow(Volts::new(1.5));
    drive
}

fn told(amplitude: f64, from: u64) -> Told {
    Told {
        frequency: Hertz::new(FREQUENCY),
        drive: Volts::new(amplitude),
        from: SampleIndex(from),
        foreseen: Some(Accel::new(1.0)),
        sensitivity: Sensitivity::new(0.1),
        zero: VoltsDc::ZERO,
        current_per_acceleration: 1.0,
        others: Vec::new(),
    }
}

/// Feeds so many blocks of 20 samples from one on; the reason and sample of the first trip.
fn feed(
    drive: &mut Drive,
    first: u64,
    blocks: u64,
    source: impl Fn(f64) -> f64,
) -> Option<(TripReason, u64)> {
    (0..blocks).find_map(|block| {
        let begins = first + 20 * block;
        #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
        let shown: Vec<f32> =
            (begins..begins + 20).map(|n| (source(n as f64 / RATE) / 10.0) as f32).collect();
        let channels = [&[0.0; 20][..], &shown];
        let view = BlockView {
            first_sample: SampleIndex(begins),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[false; 2],
        };
        drive.look(&view, true).map(|trip| (trip.reason, trip.at_sample.unwrap().0))
    })
}

fn tone(amplitude: f64) -> impl Fn(f64) -> f64 {
    move |t| amplitude * (TAU * FREQUENCY * t + 0.7).sin()
}

#[test]
fn what_was_acknowledged_and_comes_trips_nothing() {
    let mut drive = drive();
    drive.told(&told(1.0, 40));
    assert_eq!(feed(&mut drive, 0, 100, |t| tone(1.02)(t) + 0.005), None);
    drive.forget();
    drive.told(&told(0.0, 2100));
    assert_eq!(feed(&mut drive, 2000, 5, tone(1.0)), None, "not before it counts");
    assert_eq!(feed(&mut drive, 2100, 50, |_| 0.005), None);
}

#[test]
fn what_does_not_come_is_named() {
    let while_told = |amplitude: f64, source: &dyn Fn(f64) -> f64| {
        let mut drive = drive();
        drive.told(&told(1.0, 0));
        assert_eq!(feed(&mut drive, 0, 50, tone(1.0)), None);
        if (amplitude - 1.0).abs() > 0.0 {
            drive.forget();
            drive.told(&told(amplitude, 1000));
        }
        feed(&mut drive, 1000, 50, source)
    };
    let reason = |amplitude, source: &dyn Fn(f64) -> f64| while_told(amplitude, source).map(|(r, _)| r);
    // Held at any of 16 phases: a fifth of a cycle is 20 samples.
    for phase in 0..16 {
        let volts = (TAU * f64::from(phase) / 16.0).sin();
        let (why, at) = while_told(1.0, &|_| volts).unwrap();
        assert!(why == TripReason::SourceDc && at < 1025, "{phase}: {why:?} at {at}");
    }
    assert_eq!(reason(1.0, &|t| tone(1.0)(t) + 0.02), Some(TripReason::SourceDc));
    assert_eq!(reason(1.0, &tone(0.8)), Some(TripReason::SourceNotFollowing));
    assert_eq!(reason(0.5, &tone(1.0)), Some(TripReason::SourceNotFollowing), "it is deaf");
    assert_eq!(reason(0.0, &tone(1.0)), Some(TripReason::SourceNotFollowing), "told to be at 0 V");
    assert_eq!(reason(0.0, &|_| -0.02), Some(TripReason::SourceDc));
    assert_eq!(reason(1.0, &|_| f64::NAN), Some(TripReason::DriveLimit));
}

/// The larger ceiling stays until the smaller setting is in effect; without leave nothing is judged by a ceiling.
#[test]
fn a_sample_beyond_the_ceiling_trips() {
    let mut drive = drive();
    assert_eq!(feed(&mut drive, 0, 3, tone(1.5)), None);
    assert_eq!(
        feed(&mut drive, 60, 1, |_| 1.7),
        Some((TripReason::SourceDc, 60)),
        "no tone was acknowledged"
    );
    let spike = |t: f64| if (t - 0.063).abs() < 1e-9 { -1.6 } else { 0.0 };
    assert_eq!(feed(&mut drive, 60, 1, spike), Some((TripReason::DriveLimit, 63)));
    drive.allow(Volts::new(0.5));
    assert_eq!(feed(&mut drive, 100, 3, tone(1.5)), None, "the tone before is still on");
    drive.told(&told(0.4, 200));
    assert_eq!(feed(&mut drive, 160, 2, tone(1.5)), None);
    assert_eq!(feed(&mut drive, 200, 1, tone(0.4)), None);
    assert!(matches!(feed(&mut drive, 220, 5, tone(1.5)), Some((TripReason::DriveLimit, _))));
    let view = BlockView {
        first_sample: SampleIndex(400),
        gap_before: SampleCount(0),
        channels: &[&[0.0], &[1.0]],
        overload: &[false; 2],
    };
    drive.forget();
    assert_eq!(drive.look(&view, false), None);
}
