//! The stroke monitor at its limits.

use super::*;

fn monitor() -> StrokeMonitor {
    let mm = |v: f64| Displacement::new(v * 1e-3);
    let channel = DisplacementChannel {
        column: 0,
        name: "stroke".into(),
        volts_per_metre: -1000.0,
        trip: mm(5.6),
        coast: mm(6.0),
    };
    let limits =
        StrokeLimits { trip: mm(5.6), stop: mm(6.5), rest: mm(0.3), coast: mm(6.0), observer_share: 0.2 };
    StrokeMonitor::new(limits, Some(channel), (1, "ref".into()))
}

fn look(monitor: &mut StrokeMonitor, first: u64, volts: &[f32]) -> Option<(TripReason, u64)> {
    let channels = [volts];
    let block = BlockView {
        first_sample: SampleIndex(first),
        gap_before: SampleCount(0),
        channels: &channels,
        overload: &[false],
    };
    monitor.ceilings.advance(block.first_sample);
    let channel = monitor.channel.as_ref().unwrap();
    let trip = channel.look(&block, monitor.ceilings.now(), monitor.braking);
    trip.map(|t| (t.reason, t.at_sample.unwrap().0))
}

/// Every sample counts, to either side, against the point's own ceiling, the trip stroke and the coast.
#[test]
fn each_sample_is_judged_by_the_limit_in_force() {
    let stroke = |at| Some((TripReason::StrokeLimit, at));
    let mut monitor = monitor();
    assert_eq!(look(&mut monitor, 0, &[0.2, -0.31]), None);
    assert_eq!(look(&mut monitor, 2, &[0.32]), stroke(2));
    monitor.allow(Displacement::new(2e-3));
    assert_eq!(look(&mut monitor, 10, &[2.09, -2.09]), None);
    assert_eq!(look(&mut monitor, 10, &[2.09, -2.11]), stroke(11));
    monitor.allow(Displacement::new(5.5e-3));
    assert_eq!(look(&mut monitor, 20, &[5.59, -5.59]), None);
    assert_eq!(look(&mut monitor, 20, &[5.61]), stroke(20));
    monitor.brakes();
    assert_eq!(look(&mut monitor, 30, &[5.99]), None);
    assert_eq!(look(&mut monitor, 30, &[6.01]), stroke(30));
    assert_eq!(look(&mut monitor, 30, &[f32::NAN]), stroke(30));
}

/// On the way from a large motion to a small one the larger ceiling stays until the small one is there.
#[test]
fn the_larger_ceiling_stays_until_the_new_setting_is_in_effect() {
    let mut monitor = monitor();
    monitor.allow(Displacement::new(4e-3));
    monitor.allow(Displacement::new(1e-3));
    assert_eq!(look(&mut monitor, 0, &[4.0]), None);
    monitor.ceilings.applied(SampleIndex(100));
    assert_eq!(look(&mut monitor, 99, &[4.0]), None);
    assert!(look(&mut monitor, 100, &[4.0]).is_some());
    assert_eq!(look(&mut monitor, 101, &[1.0]), None);
}

/// An estimate trips by what it may be at most, the point's ceiling by what it is at least; on the way only a share of the
/// reserve counts as unknown.
#[test]
fn an_estimate_is_judged_with_its_bound() {
    let limits = monitor().limits;
    let trips = |estimate: f64, bound: f64, on_the_way, braking| {
        let observed = Observed {
            estimate: plan_schema::units::Metres::new(-estimate * 1e-3),
            bound: Displacement::new(bound * 1e-3),
            aside: Displacement::ZERO,
        };
        beyond(&limits, Displacement::new(5.3e-3), &observed, on_the_way, braking).is_some()
    };
    assert!(!trips(5.0, 0.29, false, false) && trips(5.0, 0.31, false, false));
    // A fifth of the 1.2 mm from ceiling to stop.
    assert!(!trips(5.0, 3.0, true, false) && trips(5.1, 3.0, true, false));
    assert!(
        !trips(5.69, 0.0, false, true) && trips(5.75, 0.0, false, true) && !trips(5.75, 0.1, false, true)
    );
    assert!(trips(f64::NAN, 0.1, false, false) && trips(0.1, f64::INFINITY, false, false));
}
