//! The steps against a Runge-Kutta solution of the differential equations, with the amplifier's limits as they are meant.

use super::{long_stroke, mid_size, portable};
use crate::control::Plant;
use crate::hazard::motion::{CURRENT, Coil, Machine, State, VELOCITY};
use crate::hazard::reach::{Halt, Reach};
use crate::hazard::step::{Stepper, Tone};
use plan_schema::rig::{AmplifierMode, Mute};
use plan_schema::units::{Accel, Hertz};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// Slopes of the state at a coil voltage, written down anew.
fn slopes(m: &Machine, s: &State, voltage: f64) -> State {
    let [i, v, x] = *s;
    let mut di = (voltage - m.resistance * i - m.force_factor * v) / m.inductance;
    // Ideal limit of current: it does not grow beyond.
    if i.abs() >= m.current_limit && di * i > 0.0 {
        di = 0.0;
    }
    [di, (m.force_factor * i - m.damping * v - m.stiffness * x) / m.mass, v]
}

/// Voltage mode by Runge-Kutta; the current is held to its limit after each of its short steps.
fn by_voltage(m: &Machine, mut s: State, tone: impl Fn(f64) -> f64, over: f64, parts: u32) -> State {
    let h = over / f64::from(parts);
    let voltage = |t: f64| tone(t).clamp(-m.voltage_limit, m.voltage_limit);
    for n in 0..parts {
        let t = h * f64::from(n);
        s = runge_kutta(s, h, |s, part| slopes(m, s, voltage(t + part)));
        s[CURRENT] = s[CURRENT].clamp(-m.current_limit, m.current_limit);
    }
    s
}

/// Current mode without a limit of voltage: the mechanics alone, driven by the limited current.
fn by_current(m: &Machine, mut s: State, tone: impl Fn(f64) -> f64, over: f64, parts: u32) -> State {
    let h = over / f64::from(parts);
    let current = |t: f64| tone(t).clamp(-m.current_limit, m.current_limit);
    for n in 0..parts {
        let t = h * f64::from(n);
        s = runge_kutta(s, h, |s, part| {
            let force = m.force_factor * current(t + part) - m.damping * s[1] - m.stiffness * s[2];
            [0.0, force / m.mass, s[1]]
        });
    }
    s[CURRENT] = current(over);
    s
}

fn runge_kutta(s: State, h: f64, slope: impl Fn(&State, f64) -> State) -> State {
    let ahead = |k: &State, by: f64| -> State { std::array::from_fn(|i| s[i] + by * k[i]) };
    let k1 = slope(&s, 0.0);
    let k2 = slope(&ahead(&k1, h / 2.0), h / 2.0);
    let k3 = slope(&ahead(&k2, h / 2.0), h / 2.0);
    let k4 = slope(&ahead(&k3, h), h);
    std::array::from_fn(|i| s[i] + h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]))
}

/// Steps a tone from a state, 128 steps a cycle.
fn stepped(m: &Machine, mut s: State, omega: f64, mut tone: Tone, steps: u32) -> (State, f64) {
    let over = TAU / omega / 128.0;
    let stepper = Stepper::new(m, Coil::Driven, omega, over);
    for _ in 0..steps {
        s = stepper.advance(&s, &mut tone);
    }
    (s, over * f64::from(steps))
}

/// Largest difference of two states, each component against what it can be at its largest.
fn off(a: &State, b: &State, scale: &State) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).abs() / scale[i]).fold(0.0, f64::max)
}

/// Random states, frequencies and amplitudes. `size` of the drive is a multiple of the limit.
fn draw(rng: &mut ChaCha8Rng, m: &Machine, limit: f64, size: std::ops::Range<f64>) -> (State, f64, Tone) {
    let s = [
        m.current_limit * rng.random_range(-0.5..0.5),
        rng.random_range(-0.3..0.3),
        rng.random_range(-5e-3..5e-3),
    ];
    let omega = TAU * rng.random_range(2.0..60.0);
    let (sin, cos) = rng.random_range(0.0..TAU).sin_cos();
    (s, omega, Tone { amplitude: limit * rng.random_range(size), cos, sin })
}

/// Parts of a time, none longer than `each`.
fn parts(over: f64, each: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few seconds in microseconds"
    )]
    let count = (over / each).ceil() as u32;
    count
}

fn value(tone: &Tone, omega: f64, t: f64) -> f64 {
    tone.amplitude * (tone.cos * (omega * t).cos() - tone.sin * (omega * t).sin())
}

/// Within the limits a step is exact: what is left is the integration's own error.
#[test]
fn unlimited_steps_are_exact() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for machine in [portable(), mid_size(), long_stroke()] {
        let free = Machine { current_limit: 1e9, voltage_limit: 1e9, ..machine };
        for _ in 0..10 {
            let (s, omega, tone) = draw(&mut rng, &machine, machine.voltage_limit, 0.1..0.9);
            let (ours, over) = stepped(&free, s, omega, tone, 100);
            let theirs = by_voltage(&free, s, |t| value(&tone, omega, t), over, parts(over, 2e-6));
            assert!(off(&ours, &theirs, &[1.0, 0.1, 1e-3]) < 1e-8, "{ours:?} {theirs:?}");
        }
        let driven = Machine { mode: AmplifierMode::Current, ..free };
        for _ in 0..10 {
            let (mut s, omega, tone) = draw(&mut rng, &machine, machine.current_limit, 0.1..0.9);
            s[CURRENT] = tone.value();
            let (ours, over) = stepped(&driven, s, omega, tone, 100);
            let theirs = by_current(&driven, s, |t| value(&tone, omega, t), over, 4000);
            assert!(off(&ours, &theirs, &[1.0, 0.1, 1e-3]) < 1e-8, "{ours:?} {theirs:?}");
        }
    }
}

/// A limit comes and goes at the end of a part of a step. Each time it leaves the velocity off by up to a part's worth of
/// push: 2π/128 of push/ω for a step of one part, mostly far less. 4 % of what each component can be or has
/// become.
#[test]
fn limited_steps_agree() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let mut limited = 0;
    for machine in [portable(), mid_size(), long_stroke()] {
        for _ in 0..12 {
            let (s, omega, tone) = draw(&mut rng, &machine, machine.voltage_limit, 1.2..3.0);
            let (ours, over) = stepped(&machine, s, omega, tone, 100);
            let theirs = by_voltage(&machine, s, |t| value(&tone, omega, t), over, parts(over, 1e-6));
            let push = machine.force_factor * machine.current_limit / machine.mass;
            let velocity = (push / omega).min(machine.voltage_limit / machine.force_factor);
            let scale = [machine.current_limit, velocity, velocity / omega];
            let reached: State = std::array::from_fn(|i| scale[i].max(theirs[i].abs()));
            let found = off(&ours, &theirs, &reached);
            assert!(found < 0.04, "{found}: {ours:?} {theirs:?}");
            let free = Machine { current_limit: 1e9, voltage_limit: 1e9, ..machine };
            let unlimited = stepped(&free, s, omega, tone, 100).0;
            limited += u32::from(off(&unlimited, &theirs, &scale) > 0.1);
        }
        let driven = Machine { mode: AmplifierMode::Current, voltage_limit: 1e9, ..machine };
        for _ in 0..12 {
            let (mut s, omega, tone) = draw(&mut rng, &machine, machine.current_limit, 1.2..3.0);
            s[CURRENT] = tone.value().clamp(-machine.current_limit, machine.current_limit);
            let (ours, over) = stepped(&driven, s, omega, tone, 100);
            let theirs = by_current(&driven, s, |t| value(&tone, omega, t), over, 20_000);
            let push = driven.force_factor * driven.current_limit / driven.mass;
            let scale = [driven.current_limit, push / omega, push / omega / omega];
            assert!(off(&ours, &theirs, &scale) < 0.005, "{ours:?} {theirs:?}");
        }
    }
    assert!(limited > 20, "the limits have to matter in this test: {limited}");
}

/// Current mode with too little voltage: the coil follows the voltage, as it does in voltage mode at its limit.
#[test]
fn a_current_that_lacks_voltage_follows_the_voltage() {
    let starved = Machine { mode: AmplifierMode::Current, voltage_limit: 2.0, ..portable() };
    let start = [0.0, 0.5, 0.0];
    let stepper = Stepper::new(&starved, Coil::Driven, 0.0, 1e-4);
    let (mut state, mut tone) = (start, Tone::held(2.0));
    for _ in 0..30 {
        state = stepper.advance(&state, &mut tone);
    }
    // Bl v is 4.5 V at the start: 2 V can't hold a positive current against it.
    let theirs = by_voltage(&starved, start, |_| 2.0, 30e-4, 30_000);
    assert!(off(&state, &theirs, &[1.0, 0.1, 1e-3]) < 1e-6, "{state:?} {theirs:?}");
    assert!(state[CURRENT] < 0.0 && state[VELOCITY] > 0.0);
}

/// The steady state in closed form stands still under the steps, and its drive is that of the control's plant.
#[test]
fn the_steady_state_is_one() {
    for mode in [AmplifierMode::Voltage, AmplifierMode::Current] {
        let m = Machine { mode, current_limit: 1e9, voltage_limit: 1e9, ..mid_size() };
        for f in [0.7, 12.0, 300.0] {
            let steady = m.steady(Hertz::new(f), Accel::new(3.0));
            let (after, _) = stepped(&m, steady.at(0.4), TAU * f, steady.tone(0.4, 1.0), 128);
            let scale = steady.state.map(|c| c.norm());
            assert!(off(&after, &steady.at(0.4), &scale) < 1e-9, "{f} Hz");
        }
    }
    let mut job = super::verdicts::job("portable.toml", "portable.toml", &[]);
    // The control's plant bends, this machine does not.
    job.rig.shaker.suspension_hardening = plan_schema::units::Fraction::ZERO;
    job.rig.shaker.force_factor_droop = plan_schema::units::Fraction::ZERO;
    let (plant, m) = (Plant::of(&job), Machine::of(&job));
    for f in [1.0, 4.0, 80.0] {
        let need = plant.need(Hertz::new(f), Accel::new(2.0));
        let steady = m.steady(Hertz::new(f), Accel::new(2.0));
        assert!((steady.input.norm() / need.coil_voltage.si() - 1.0).abs() < 1e-12);
        assert!((steady.state[CURRENT].norm() / need.current.si() - 1.0).abs() < 1e-12);
    }
}

/// The reach of each stop against a fine integration: the grid passes over less than 0.2 %.
#[test]
fn reach_is_the_largest_displacement_that_follows() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for machine in [portable(), mid_size(), long_stroke()] {
        for mute in [Mute::Shorts, Mute::Opens] {
            let reach = Reach::new(&machine, Halt::Muted(mute));
            for _ in 0..10 {
                let (mut s, ..) = draw(&mut rng, &machine, 1.0, 0.5..1.0);
                let found = reach.largest(&s);
                if mute == Mute::Opens {
                    s[CURRENT] = 0.0;
                }
                let unlimited = Machine { current_limit: 1e9, ..machine };
                let (mut most, mut t) = (s[2].abs(), 0.0);
                while t < machine.period() {
                    s = match mute {
                        Mute::Shorts => by_voltage(&unlimited, s, |_| 0.0, 1e-4, 10),
                        Mute::Opens => by_current(&machine, s, |_| 0.0, 1e-4, 1),
                    };
                    most = most.max(s[2].abs());
                    t += 1e-4;
                }
                assert!((found / most - 1.0).abs() < 2e-3, "{mute:?}: {found} {most}");
                assert!(reach.goes_beyond(&s, most) == (reach.largest(&s) > most));
            }
        }
    }
}

/// A live amplifier brakes with the current it has: farther than a short, and as integrated.
#[test]
fn braking_at_the_limit_of_current_takes_longer() {
    let machine = long_stroke();
    let live = Reach::new(&machine, Halt::Zeroed(0.03, Mute::Shorts));
    let shorted = Reach::new(&machine, Halt::Muted(Mute::Shorts));
    let start = [0.0, 1.0, 0.02];
    let (mut s, mut most, mut t) = (start, 0.0f64, 0.0);
    while t < 0.5 {
        let limit = if t < 0.03 { 5.0 } else { 1e9 };
        s = by_voltage(&Machine { current_limit: limit, ..machine }, s, |_| 0.0, 1e-4, 50);
        most = most.max(s[2]);
        t += 1e-4;
    }
    assert!((live.largest(&start) / most - 1.0).abs() < 5e-3, "{} {most}", live.largest(&start));
    assert!(live.largest(&start) > 1.15 * shorted.largest(&start));
    assert!(live.goes_beyond(&start, most * 0.99) && !live.goes_beyond(&start, most * 1.01));
}
