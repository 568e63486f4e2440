//! Effects by themselves: how faults on one thing add up.

use super::*;

fn with(parts: &[(Effect, u64, Option<u64>)]) -> Effects {
    let mut effects = Effects::none(2);
    for (effect, since, until) in parts {
        effect.add_to(&mut effects, *since, *until);
    }
    effects
}

fn now(effect: Effect) -> (Effect, u64, Option<u64>) {
    (effect, 0, None)
}

#[test]
fn effects_on_one_thing_add_up() {
    let effects = with(&[
        now(Effect::Gain(2.0)),
        now(Effect::Gain(0.25)),
        now(Effect::Hum(1, 0.01)),
        now(Effect::Hum(1, 0.02)),
        now(Effect::Clip(1, 2.0)),
        now(Effect::Clip(1, 1.0)),
        now(Effect::Rattle(1, 0.1)),
        now(Effect::Overheat(20.0)),
        now(Effect::Overheat(5.0)),
        now(Effect::Reversed(0)),
    ]);
    assert!((effects.gain - 0.5).abs() < 1e-15 && (effects.overheating - 25.0).abs() < 1e-12);
    let (first, second) = (effects.on(0, 7), effects.on(1, 7));
    assert!(first.reversed && first.hum <= 0.0 && first.clip.is_none());
    assert!((second.hum - 0.03).abs() < 1e-15 && second.clip == Some(1.0) && !second.reversed);
    assert!(!with(&[now(Effect::Reversed(0)), now(Effect::Reversed(0))]).on(0, 0).reversed);
}

#[test]
fn gains_stay_finite() {
    let many = [now(Effect::Gain(101.0)); 200];
    assert!(with(&many).gain <= GAIN_MAX);
}

#[test]
fn an_input_that_is_not_there_is_left_alone() {
    assert_eq!(with(&[now(Effect::Open(9))]), Effects::none(2));
    assert_eq!(Effects::none(2).on(9, 3), Disturbance::default());
}

/// One that goes on since sample 100, and one that went from 50 to 150.
#[test]
fn drifts_add_up() {
    let effects = with(&[(Effect::Drift(0, 1e-3), 100, None), (Effect::Drift(0, -2e-3), 50, Some(150))]);
    let (change, rise) = effects.on(0, 300).drift;
    assert!((change - (0.2 - 0.2)).abs() < 1e-12 && (rise - 1e-3).abs() < 1e-15);
}
