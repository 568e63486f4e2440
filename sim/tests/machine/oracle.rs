//! The full equations of shaker and amplifier, integrated independently of the simulator.
//!
//! Owns: a Runge-Kutta integration of fourth order in steps far below every time constant. Written from the equations alone; limits are not in it.

use crate::three_rigs::{AMPLIFIER_LATENCY, Machine, RATE, SOURCE_LATENCY};
use std::f64::consts::{PI, TAU};

/// Standard gravity, m/s² (CGPM 1901).
pub(crate) const G: f64 = 9.80665;

/// A sine that rises as a raised cosine.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Drive {
    pub(crate) frequency: f64,
    pub(crate) amplitude: f64,
    pub(crate) over: f64,
}

impl Drive {
    pub(crate) fn at(&self, t: f64) -> f64 {
        let t = t - SOURCE_LATENCY;
        if t <= 0.0 {
            return 0.0;
        }
        let share = 0.5 - 0.5 * (PI * (t / self.over).min(1.0)).cos();
        self.amplitude * share * (TAU * self.frequency * t).sin()
    }
}

/// Current, displacement, velocity, the amplifier's aim, and those of the [`Filter`].
type State = [f64; 7];

/// A sensor's response: second-order low-pass (natural frequency in Hz and damping ratio), then first-order high-pass.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Filter {
    pub(crate) natural: f64,
    pub(crate) damping_ratio: f64,
    pub(crate) corner: f64,
}

/// No filter that a signal here would notice is meant where this is used: its output is not looked at.
const NO_FILTER: Filter = Filter { natural: 1.0, damping_ratio: 1.0, corner: 1.0 };

/// The rig at a sample.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moment {
    /// What a sensor feels, m/s².
    pub(crate) felt: f64,
    /// The same behind the filter.
    pub(crate) filtered: f64,
    pub(crate) displacement: f64,
    pub(crate) velocity: f64,
}

fn gravity(m: &Machine, x: f64) -> f64 {
    let raised = if m.vertical { PI / 2.0 } else { 0.0 };
    G * (raised + m.tilt + m.tilt_along * x).sin()
}

/// What a sensor feels: all that touches the armature, per mass; a suspension set to rest upright carries the moving mass.
fn felt(m: &Machine, [i, x, v, ..]: State) -> f64 {
    let y = x - m.centre_error;
    let bl = m.force_factor * (1.0 - m.droop * (x / m.rated).powi(2));
    let spring = m.stiffness * y * (1.0 + m.hardening * (y / m.rated).powi(2));
    let carried = if m.vertical { m.mass * G } else { 0.0 };
    (bl * i - spring - m.damping() * v + carried) / (m.mass + m.sensor_mass)
}

fn slope(m: &Machine, filter: &Filter, live: bool, e: f64, state: State) -> State {
    let [mut i, x, v, q, low, low_slope, high] = state;
    let imposed = live && m.current_mode;
    if imposed {
        i = q;
    }
    let bl = m.force_factor * (1.0 - m.droop * (x / m.rated).powi(2));
    let u = if live { q } else { 0.0 };
    let di = if imposed { 0.0 } else { (u - m.resistance * i - bl * v) / m.inductance };
    let felt = felt(m, [i, x, v, q, low, low_slope, high]);
    let natural = TAU * filter.natural;
    [
        di,
        v,
        felt - gravity(m, x),
        TAU * m.bandwidth * (e + m.offset - q),
        natural * low_slope,
        natural * (felt - low - 2.0 * filter.damping_ratio * low_slope),
        TAU * filter.corner * (low - high),
    ]
}

/// Passes each of `samples` samples to `take`.
pub(crate) fn integrate(
    m: &Machine,
    filter: Option<Filter>,
    drive: Drive,
    samples: usize,
    mut take: impl FnMut(usize, Moment),
) {
    let filter = filter.unwrap_or(NO_FILTER);
    // Steps of 10 µs: the amplifier's corner of 20 kHz is 8 µs, and the method is stable to 2.7 of that.
    let parts = (RATE.recip() * TAU * m.bandwidth / 1.3).ceil();
    let h = 1.0 / RATE / parts;
    let rest = gravity(m, at_rest(m));
    let mut s = [0.0, at_rest(m), 0.0, 0.0, rest, 0.0, rest];
    for n in 0..samples {
        let start = n as f64 / RATE;
        let live = start > AMPLIFIER_LATENCY - 1e-9;
        let moment = Moment { felt: felt(m, s), filtered: s[4] - s[6], displacement: s[1], velocity: s[2] };
        take(n, moment);
        let mut e = drive.at(start);
        let mut part = 0.0;
        while part < parts {
            let t = start + part * h;
            let (middle, end) = (drive.at(t + h / 2.0), drive.at(t + h));
            let ahead = |k: State, by: f64| -> State { std::array::from_fn(|c| s[c] + by * k[c]) };
            let k1 = slope(m, &filter, live, e, s);
            let k2 = slope(m, &filter, live, middle, ahead(k1, h / 2.0));
            let k3 = slope(m, &filter, live, middle, ahead(k2, h / 2.0));
            let k4 = slope(m, &filter, live, end, ahead(k3, h));
            s = std::array::from_fn(|c| s[c] + h / 6.0 * (k1[c] + 2.0 * (k2[c] + k3[c]) + k4[c]));
            if live && m.current_mode {
                s[0] = s[3];
            }
            e = end;
            part += 1.0;
        }
    }
}

/// Where the armature lies without a current, by Newton's method.
pub(crate) fn at_rest(m: &Machine) -> f64 {
    let pull = |x: f64| felt(m, [0.0, x, 0.0, 0.0, 0.0, 0.0, 0.0]) - gravity(m, x);
    let mut x = m.centre_error;
    for _ in 0..50 {
        let d = 1e-7;
        x -= pull(x) * 2.0 * d / (pull(x + d) - pull(x - d));
    }
    x
}
