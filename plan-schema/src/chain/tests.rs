//! Chains against arithmetic by hand and the figures of first-order filters.

use super::*;
use crate::read::Document;
use crate::rig::Rig;

fn channel(lines: &str) -> Channel {
    let rig =
        crate::fixture::edit(crate::fixture::RIG, "name = \"spare\"", &format!("name = \"spare\"\n{lines}"));
    Document::<Rig>::read("rig.toml", &rig).unwrap().value.channels.pop().unwrap()
}

fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() < within, "{found} is not {wanted}");
}

#[test]
fn of_nothing_there_is_no_response() {
    let chain = Chain::of(&channel("ac_corner = \"0.16 Hz\""), false);
    assert_eq!(
        chain.at(Hertz::new(0.5)),
        None,
        "a corner of which nobody knows how good it is corrects nothing"
    );
    assert!(chain.contributions(Hertz::new(0.5)).is_empty());
}

/// AC coupling with a corner of 0.16 Hz takes 4.8 % and turns by 17.7° at 0.5 Hz; one of 0.05 Hz 0.50 % and 5.7°
/// (1/√(1 + (f_c/f)²) and atan(f_c/f), elementary).
#[test]
fn couplings_of_the_textbook() {
    for (corner, lost, turned) in [(0.16, 4.8e-2, 17.7), (0.05, 0.50e-2, 5.7)] {
        let lines = format!("ac_corner = \"{corner} Hz\"\nac_corner_u = \"5 %\"");
        let at = Chain::of(&channel(&lines), false).at(Hertz::new(0.5)).unwrap();
        near(1.0 - at.magnitude, lost, 5e-4);
        near(at.phase.degrees(), turned, 0.05);
    }
}

/// What the corner's uncertainty contributes is what moving the corner by it does.
#[test]
fn a_corner_contributes_what_moving_it_does() {
    let lines = |corner: f64, filter: f64| {
        format!(
            "ac_corner = \"{corner} Hz\"\nac_corner_u = \"0.01 %\"\nfilter_corner = \"{filter} Hz\"\nfilter_corner_u = \"0.01 %\""
        )
    };
    let of = |corner, filter| Chain::of(&channel(&lines(corner, filter)), false);
    let f = Hertz::new(3.0);
    let chain = of(1.0, 10.0);
    let (before, contributions) = (chain.at(f).unwrap(), chain.contributions(f));
    for (part, moved) in [(Part::Coupling, of(1.0001, 10.0)), (Part::Filter, of(1.0, 10.001))] {
        let found = contributions.iter().find(|c| c.part == part).unwrap();
        let after = moved.at(f).unwrap();
        near(found.magnitude, (after.magnitude / before.magnitude).ln().abs(), 1e-8);
        near(found.phase, (after.phase - before.phase).si().abs(), 1e-8);
    }
}

/// 1.002 V/V · 10 V/V · 99 % by hand; 20 µs at 100 Hz are 0.72° (1 µs is 0.036°).
#[test]
fn gains_multiply_and_delays_add() {
    let chain = Chain::of(
        &channel(
            "gain = [{ range = \"5 V pk\", gain = \"1.002 V/V\", u = \"0.02 %\" }, { range = \"1 V pk\", gain = \
             \"2 V/V\", u = \"1 %\" }]\nconditioner = \"K-1\"\nconditioner_gain = \"10 V/V\"\nconditioner_u = \"0.1 %\"\n\
             delay = \"20 µs\"\ndelay_u = \"1 µs\"\nresponse = [{ frequency = \"10 Hz\", magnitude = \"100 %\" }, { \
             frequency = \"1 kHz\", magnitude = \"98 %\", phase = \"-4 deg\" }]",
        ),
        false,
    );
    let at = chain.at(Hertz::new(100.0)).unwrap();
    near(at.magnitude, 1.002 * 10.0 * 0.99, 1e-12);
    near(at.phase.degrees(), -2.0 - 0.72, 1e-9);
    let found = chain.contributions(Hertz::new(100.0));
    let parts: Vec<Part> = found.iter().map(|c| c.part).collect();
    assert_eq!(parts, [Part::ChannelGain, Part::Conditioner, Part::ConditionerInterpolation, Part::Delay]);
    near(found[2].magnitude, (0.98f64).ln().abs() / 2.0, 1e-12);
    near(found[2].phase, 2f64.to_radians(), 1e-12);
    near(found[3].phase.to_degrees(), 0.036, 1e-9);
}

/// A chain that was calibrated as one holds its conditioner already.
#[test]
fn a_calibrated_chain_is_not_counted_twice() {
    let channel = channel("conditioner_gain = \"10 V/V\"\nconditioner_u = \"0.1 %\"");
    assert!(Chain::of(&channel, true).at(Hertz::new(10.0)).is_none());
    near(Chain::of(&channel, false).gain(), 10.0, 0.0f64.max(1e-15));
}

#[test]
fn on_its_head_is_half_a_turn() {
    let chain = Chain::default().mounted(Vec::new(), true);
    let at = chain.at(Hertz::new(10.0)).unwrap();
    near(at.magnitude, 1.0, 1e-15);
    near(at.phase.degrees(), 180.0, 1e-12);
}

#[test]
fn lines_are_straight_over_the_logarithm_and_end_where_they_end() {
    let line = |hz: f64, ratio: f64| FixturePoint {
        position: "A".to_owned(),
        frequency: Hertz::new(hz),
        ratio: Fraction::new(ratio),
        u: Fraction::new(0.002),
    };
    let chain = Chain::default().mounted(vec![line(10.0, 1.0), line(1000.0, 1.04)], false);
    let magnitude = |hz: f64| chain.at(Hertz::new(hz)).unwrap().magnitude;
    for (hz, wanted) in [(5.0, 1.0), (10.0, 1.0), (100.0, 1.02), (1000.0, 1.04), (2000.0, 1.04)] {
        near(magnitude(hz), wanted, 1e-12);
    }
    assert_eq!(chain.contributions(Hertz::new(10.0)).len(), 1, "on a line nothing is interpolated");
    assert_eq!(chain.contributions(Hertz::new(100.0)).len(), 2);
    assert_eq!(chain.known_within(), [(Part::Fixture, Hertz::new(10.0), Hertz::new(1000.0))]);
}
