//! The interlock at its limits, and the table of its transitions.

#![expect(clippy::cast_possible_truncation, reason = "samples are f32")]

use super::*;
use crate::block::BlockView;
use plan_schema::rig::Timing;
use plan_schema::units::*;

fn interlock() -> Interlock {
    let limits = Limits {
        stroke: Displacement::new(0.005),
        velocity: Velocity::new(0.3),
        acceleration: Accel::new(60.0),
        drive: Volts::new(1.0),
    };
    let (rate, names) = (SamplesPerSecond::new(10_000.0), vec!["ref".into(), "one".into()]);
    let coil = Coil { current_limit: Amperes::new(5.0), resistance: Ohms::new(4.0), heat: None };
    Interlock::new(
        Monitor::new(limits, rate, 0, names.clone()),
        Tones::new(rate, 0, names, coil),
        AboveForeseen::new(rate, 0, Seconds::new(0.005)),
        Timing::default(),
        true,
    )
}

fn ceiling() -> Ceiling {
    Ceiling {
        stroke: Displacement::new(0.004),
        velocity: Velocity::new(0.2),
        acceleration: Accel::new(20.0),
        force: Newtons::new(10.0),
        drive: Volts::new(0.5),
    }
}

fn watch(frequency: f64) -> Option<Watch> {
    Some(Watch {
        frequency: Hertz::new(frequency),
        sensitivity: Sensitivity::new(0.1),
        zero: VoltsDc::new(0.0),
    })
}

/// A sine of this acceleration on the reference, 0.1 V/(m/s²).
fn feed(lock: &mut Interlock, first: u64, acceleration: f64, frequency: f64) -> Vec<Order> {
    let wave: Vec<f32> = (0..2_000u32)
        .map(|n| (0.1 * acceleration * (std::f64::consts::TAU * frequency * f64::from(n) / 1e4).sin()) as f32)
        .collect();
    let quiet = vec![0.0f32; wave.len()];
    let mut orders = Vec::new();
    let channels: [&[f32]; 2] = [&wave, &quiet];
    let view = BlockView {
        first_sample: SampleIndex(first),
        gap_before: SampleCount(0),
        channels: &channels,
        overload: &[false, false],
    };
    lock.block(Mono(0), &view, &mut orders);
    orders
}

#[test]
fn stroke_velocity_and_acceleration_trip_each_at_its_own_frequency() {
    // 5 mm, 0.3 m/s and 60 m/s² cross at 9.5 Hz and 31.8 Hz.
    for (frequency, reason, limit) in [
        (5.0, TripReason::StrokeLimit, 0.005 * (10.0 * std::f64::consts::PI).powi(2)),
        (20.0, TripReason::VelocityLimit, 0.3 * 40.0 * std::f64::consts::PI),
        (100.0, TripReason::AccelerationLimit, 60.0),
    ] {
        for (share, trips) in [(0.98, false), (1.03, true)] {
            let mut lock = interlock();
            let mut orders = Vec::new();
            lock.started(Mono(0));
            assert!(lock.ask(ceiling(), &mut orders));
            lock.watch(watch(frequency));
            let orders = feed(&mut lock, 0, limit * share, frequency);
            assert_eq!(lock.trip().map(|t| t.reason), trips.then_some(reason), "{frequency} Hz at {share}");
            assert_eq!(orders, if trips { vec![Order::Withdraw] } else { vec![] });
        }
    }
}

/// A motion that grows beyond its limits and overloads its channel is a motion; a channel that is at the end of its range
/// at once shows none.
#[test]
fn an_overloaded_reference_is_told_from_a_motion() {
    let grows =
        |n: u32| 0.1 * f64::from(n) / 100.0 * (std::f64::consts::TAU * 100.0 * f64::from(n) / 1e4).sin();
    let saturated = |n: u32| if n < 700 { 0.0 } else { 10.0 };
    let cases: [(&dyn Fn(u32) -> f64, TripReason); 2] = [
        (&|n| grows(n).clamp(-10.0, 10.0) * 10.0, TripReason::AccelerationLimit),
        (&saturated, TripReason::Overload),
    ];
    for (wave, reason) in cases {
        let mut lock = interlock();
        lock.started(Mono(0));
        assert!(lock.ask(ceiling(), &mut Vec::new()));
        lock.watch(watch(100.0));
        let wave: Vec<f32> = (0..2_000).map(|n| wave(n).clamp(-10.0, 10.0) as f32).collect();
        let quiet = vec![0.0f32; wave.len()];
        let channels: [&[f32]; 2] = [&wave, &quiet];
        let view = BlockView {
            first_sample: SampleIndex(0),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[true, false],
        };
        lock.block(Mono(0), &view, &mut Vec::new());
        assert_eq!(lock.trip().map(|t| t.reason), Some(reason));
    }
}

#[test]
fn a_gap_trips_while_driving_only() {
    let mut lock = interlock();
    let _ = feed(&mut lock, 0, 0.0, 5.0);
    let _ = feed(&mut lock, 9_000, 0.0, 5.0);
    assert!(lock.trip().is_none());
    assert!(lock.ask(ceiling(), &mut Vec::new()));
    let _ = feed(&mut lock, 99_000, 0.0, 5.0);
    assert_eq!(lock.trip().map(|t| t.reason), Some(TripReason::BlocksMissing));
}

#[test]
fn silence_trips() {
    for (contacts_at, reason) in [(0, TripReason::EmergencyStop), (900, TripReason::BlocksMissing)] {
        let mut lock = interlock();
        let mut orders = Vec::new();
        lock.started(Mono(0));
        lock.ask(ceiling(), &mut orders);
        let late = |ms: u64| Mono(ms * 1_000_000);
        if reason == TripReason::EmergencyStop {
            let channels: [&[f32]; 2] = [&[0.0], &[0.0]];
            let view = BlockView {
                first_sample: SampleIndex(0),
                gap_before: SampleCount(0),
                channels: &channels,
                overload: &[false; 2],
            };
            lock.block(late(900), &view, &mut orders);
        }
        lock.contacts(late(contacts_at), true, &mut orders);
        lock.tick(late(1_000), &mut orders);
        assert_eq!(lock.trip().map(|t| t.reason), Some(reason));
    }
}

#[test]
fn no_drive_without_leave_beyond_the_ceiling_or_after_a_trip() {
    let mut orders = Vec::new();
    for (leave, drive, passes) in
        [(false, 0.1, false), (true, 0.5, true), (true, 0.51, false), (true, f64::NAN, false)]
    {
        let mut lock = interlock();
        if leave {
            lock.ask(ceiling(), &mut orders);
        }
        assert_eq!(lock.drive(Volts::new(drive), &mut orders), passes, "{leave} {drive}");
        assert_eq!(lock.trip().is_none(), passes);
        assert_eq!(lock.ask(ceiling(), &mut orders), passes, "a trip latches");
    }
}

/// The whole transition table, every state with every event, so that code and documentation can't part.
#[test]
fn transitions() {
    let drive = |volts| Event::Drive { drive: Volts::new(volts), limit: Volts::new(1.0) };
    let mut events = vec![
        ("ask".to_owned(), Event::Ask(ceiling())),
        ("give back".to_owned(), Event::GiveBack),
        ("no drive".to_owned(), drive(0.0)),
        ("drive within".to_owned(), drive(0.5)),
        ("drive beyond".to_owned(), drive(0.51)),
        ("drive that is no number".to_owned(), drive(f64::NAN)),
        ("fine".to_owned(), Event::Fine),
    ];
    let wrong = |reason: &TripReason| Trip::plain(*reason, "");
    events.extend(TripReason::ALL.iter().map(|r| (format!("! {}", r.word()), Event::Wrong(wrong(r)))));
    let mut states = vec![State::Clear, State::Leave(ceiling())];
    states.extend(TripReason::ALL.iter().map(|reason| State::Tripped(wrong(reason))));
    let mut table = String::new();
    for state in &states {
        // From one trip to another only what changes something is shown.
        let tripped = matches!(state, State::Tripped(_));
        table.push_str(&format!("{}\n", word(state)));
        for (name, event) in &events {
            let (after, order) = next(state.clone(), event.clone());
            if tripped {
                assert!(matches!(after, State::Tripped(_)), "{name} leads out of a trip");
                assert!(!matches!(order, Some(Order::Grant(_))), "{name} gives leave after a trip");
            }
            if tripped && after == *state && order.is_none() {
                continue;
            }
            let order = match order {
                None => "",
                Some(Order::Withdraw) => "withdraw",
                Some(Order::Grant(_)) => "grant",
            };
            let line = format!("    {name:24} -> {:30} {order}", word(&after));
            table.push_str(&format!("{}\n", line.trim_end()));
        }
    }
    insta::assert_snapshot!(table);
}

fn word(state: &State) -> String {
    match state {
        State::Clear => "clear".to_owned(),
        State::Leave(_) => "leave".to_owned(),
        State::Tripped(trip) => format!("tripped: {}", trip.reason.word()),
    }
}
