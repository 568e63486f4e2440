//! What is known of the three rigs from their equations, beside what the simulator does.
//!
//! The figures stand in the rigs' description; they were computed from the equations, not with this program. Each is
//! measured here from outside: by samples of the reference, and by what the rig tells of its truth.

use crate::Row;
use crate::fit::{distortion, harmonics};
use crate::three_rigs::{AMPLIFIER_LATENCY, Bench, Machine, RATE, RIGS, faults, wait};
use std::f64::consts::{PI, TAU};

/// Standard gravity.
const G: f64 = 9.80665;

/// Moments within a cycle at which a stop begins; the worst of them counts.
const PHASES: u32 = 32;

/// Stroke of 1 g at 10 Hz, in m.
const ONE_G_AT_10_HZ: f64 = G / (TAU * TAU * 100.0);

/// Samples of a block where the moment of a command matters.
const FINE: u32 = 5;

pub(crate) fn rows() -> Vec<Row> {
    let mut rows = resonances();
    rows.extend(centres());
    rows.extend(reaches());
    rows.extend(distortions());
    rows.extend(coasts());
    rows.extend(reactions());
    rows
}

/// The suspension with an open coil: period and decrement of the free oscillation. With a shorted one: the slow pole.
fn resonances() -> Vec<Row> {
    let mut rows = Vec::new();
    for (machine, natural, damping, slow) in
        [(RIGS[0], 0.8, "2.0", "10.6"), (RIGS[1], 4.0, "5.0", "0.15"), (RIGS[2], 12.0, "5.0", "0.05")]
    {
        let name = machine.name;
        let open = let_go(&Machine { opens: true, ..machine }, 5.0 / natural);
        let (frequency, ratio) = free_oscillation(&open);
        rows.push(Row::near(format!("{name}: resonance"), "Hz", frequency, natural, 1e-3));
        rows.push(Row::stated(format!("{name}: mechanical damping"), "%", 100.0 * ratio, damping));
        let pole = slow_pole(&machine);
        let shorted = let_go(&machine, 4.0 * pole);
        let found = 2.0 * pole / (at(&shorted, pole) / at(&shorted, 3.0 * pole)).abs().ln();
        let what = format!("{name}: slow pole of the shorted coil (as (c + Bl²/R)/k it is {slow} s)");
        rows.push(Row::near(what, "s", found, pole, 0.002));
    }
    rows
}

/// Time constant with which the centre returns: the small root of `(Ls + R)(ms² + cs + k) + Bl² s`, by Newton's method.
fn slow_pole(m: &Machine) -> f64 {
    let (l, r, c, b) = (m.inductance, m.resistance, m.damping(), m.force_factor);
    let mut pole = 0.0;
    for _ in 0..50 {
        let mechanical = m.mass * pole * pole + c * pole + m.stiffness;
        let value = (l * pole + r) * mechanical + b * b * pole;
        pole -= value / (l * mechanical + (l * pole + r) * (2.0 * m.mass * pole + c) + b * b);
    }
    -1.0 / pole
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some thousand samples")]
fn at(samples: &[f64], time: f64) -> f64 {
    samples[(time * RATE).round() as usize]
}

/// Samples after the mute of a rig that moved.
fn let_go(machine: &Machine, seconds: f64) -> Vec<f64> {
    let frequency = 2.0;
    let wanted = machine.reach(frequency, 0.3, 0.5);
    let mut bench = Bench::new(machine, 8.0 * wanted, FINE);
    bench.unmute();
    bench.tone(frequency, machine.drive_for(frequency, wanted), 1.0);
    bench.run(2.1);
    mute(&mut bench);
    bench.run(0.1);
    bench.run(seconds + 0.01).swap_remove(0)
}

fn mute(bench: &mut Bench) {
    // A simulated amplifier takes every command; one that did not would show in all that follows.
    let _muted = wait(bench.amplifier.mute());
}

/// Undamped frequency and damping ratio from the zeros and the peaks between them.
fn free_oscillation(samples: &[f64]) -> (f64, f64) {
    let mut zeros = Vec::new();
    let mut peaks = vec![0.0f64];
    for (n, pair) in samples.windows(2).enumerate() {
        if let [a, b] = pair
            && a * b < 0.0
        {
            zeros.push(n as f64 + a / (a - b));
            peaks.push(0.0);
        }
        if let Some(peak) = peaks.last_mut() {
            *peak = peak.max(pair[0].abs());
        }
    }
    let halves = (zeros.len() - 1) as f64;
    let damped = RATE * halves / 2.0 / (zeros[zeros.len() - 1] - zeros[0]);
    let (first, last) = (peaks[1], peaks[zeros.len() - 1]);
    let decrement = (first / last).ln() / (halves - 1.0) / PI;
    let ratio = decrement / decrement.hypot(1.0);
    (damped / (1.0 - ratio * ratio).sqrt(), ratio)
}

/// What moves the centre: an offset of the amplifier, and the weight of what is mounted on an upright rig.
fn centres() -> Vec<Row> {
    let mut rows = Vec::new();
    for (machine, stated, seconds) in [(RIGS[0], "176", 160.0), (RIGS[1], "15.8", 4.0), (RIGS[2], "3.3", 2.0)]
    {
        let offset = 0.02;
        let mut bench = Bench::new(&Machine { offset, ..machine }, 10.0, 1000);
        bench.unmute();
        bench.run(seconds);
        let found = bench.rig.truth().displacement_max.si() / offset * 1e3;
        rows.push(Row::stated(format!("{}: centre by offset", machine.name), "mm/V", found, stated));
    }
    let upright = Machine { vertical: true, mass: 0.2, sensor_mass: 0.1, ..RIGS[1] };
    let mut bench = Bench::new(&upright, 20.0, 1000);
    bench.run(0.1);
    let sag = bench.rig.truth().displacement_max.si() * 1e3;
    rows.push(Row::stated("portable, upright: sag under 0.1 kg", "mm", sag, "5.2"));
    // The voltage sets the velocity, whatever the tilt, so the motion is that of the level rig.
    let level = felt_at_a_tenth_of_a_hertz(0.0);
    for (tilt_along, stated) in [(0.01, "24.8"), (0.001, "2.5")] {
        let found = 100.0 * (1.0 - felt_at_a_tenth_of_a_hertz(tilt_along) / level).abs();
        let what = format!("long stroke: share of gravity at 0.1 Hz, {} µrad/mm", tilt_along * 1e3);
        rows.push(Row::stated(what, "%", found, stated));
    }
    rows
}

/// Amplitude that a sensor with DC response feels where the tilt changes along the stroke, in m/s².
fn felt_at_a_tenth_of_a_hertz(tilt_along: f64) -> f64 {
    let frequency = 0.1;
    let machine = Machine { tilt_along, ..RIGS[0] };
    let wanted = machine.reach(frequency, 0.3, 0.5);
    let mut bench = Bench::new(&machine, 8.0 * wanted, 1000);
    bench.unmute();
    bench.tone(frequency, machine.drive_for(frequency, wanted), 20.0);
    bench.run(120.0);
    harmonics(&bench.run(20.0)[0], frequency, 0.0, 1)[0].norm()
}

/// Largest acceleration within stroke, voltage and current: the rig is linear, so half of one tells.
fn reaches() -> Vec<Row> {
    let frequencies = [0.5, 1.0, 3.0, 5.0, 10.0, 20.0, 100.0];
    let stated = [
        ["0.0755", "0.302", "1.92", "3.19", "6.32", "6.80", "6.80"],
        ["0.0050", "0.0201", "0.181", "0.503", "2.01", "8.05", "10.7"],
        ["0.0126", "0.0503", "0.453", "1.26", "5.03", "20.1", "47.6"],
    ];
    let mut rows = Vec::new();
    for (machine, stated) in RIGS.iter().zip(stated) {
        for (frequency, stated) in frequencies.into_iter().zip(stated) {
            let what = format!("{}: largest acceleration at {frequency} Hz", machine.name);
            let found = largest(machine, frequency) / G;
            // At high frequencies the description has force over mass; the suspension takes away up to 1.5 % of the mass.
            rows.push(if frequency < 20.0 {
                Row::stated(what, "g pk", found, stated)
            } else {
                Row::near(what, "g pk", found, stated.parse().unwrap_or(f64::NAN), 0.015)
            });
        }
    }
    rows
}

fn largest(machine: &Machine, frequency: f64) -> f64 {
    let drive = machine.drive_for(frequency, machine.reach(frequency, 0.5, 0.5));
    let mut bench = Bench::new(machine, 500.0, 1000);
    bench.unmute();
    let over = 10.0 / frequency;
    bench.tone(frequency, drive, over);
    bench.run(over + 4.0);
    let acceleration = harmonics(&bench.run((2.0 / frequency).ceil())[0], frequency, 0.0, 1)[0].norm();
    let stroke = acceleration / (TAU * frequency).powi(2);
    let current = bench.rig.truth().current_max.si();
    let room = (machine.rated / stroke).min(machine.amperes / current).min(machine.volts / drive);
    acceleration * room
}

/// Distortion of acceleration at the rated stroke, harmonics 2 to 20, driven by a voltage without distortion of its own.
fn distortions() -> Vec<Row> {
    let [long, portable, middle] = RIGS;
    [
        ("healthy", portable.healthy(), 1.0, "4.3"),
        ("healthy", portable.healthy(), 5.0, "1.1"),
        ("healthy", middle.healthy(), 5.0, "2.8"),
        ("healthy", long.healthy(), 1.0, "1.5"),
        ("worn", portable.worn(), 1.0, "13"),
        ("worn", middle.worn(), 5.0, "8.6"),
        ("worn", long.worn(), 1.0, "4"),
    ]
    .into_iter()
    .map(|(state, machine, frequency, stated)| {
        let what = format!("{}, {state}: distortion at rated stroke and {frequency} Hz", machine.name);
        Row::stated(what, "%", 100.0 * distortion_at_rated_stroke(&machine, frequency), stated)
    })
    .collect()
}

fn distortion_at_rated_stroke(machine: &Machine, frequency: f64) -> f64 {
    let wanted = machine.rated * (TAU * frequency).powi(2);
    let mut amplitude = machine.drive_for(frequency, wanted);
    let mut found = f64::NAN;
    for _ in 0..4 {
        let mut bench = Bench::new(machine, 4.0 * wanted, 1000);
        bench.unmute();
        bench.tone(frequency, amplitude, 1.0);
        bench.run(5.0);
        let samples = &bench.run(2.0)[0];
        amplitude *= wanted / harmonics(samples, frequency, 0.0, 1)[0].norm();
        found = distortion(samples, frequency);
    }
    found
}

/// How far an armature in full motion goes when the coil is opened, or shorted, at the worst moment.
fn coasts() -> Vec<Row> {
    let [long, portable, middle] = RIGS;
    let mut rows = Vec::new();
    for (machine, frequency, stroke, stated) in [
        (portable, 5.0, 5e-3, "6.2"),
        (portable, 10.0, ONE_G_AT_10_HZ, "6.2"),
        (portable, 8.0, 5e-3, "10"),
        (middle, 20.0, 12.5e-3, "20.8"),
        (long, 1.0, 75e-3, "94"),
        (long, 2.0, 75e-3, "187"),
    ] {
        // Free decay of a damped oscillator that starts with its largest velocity.
        let natural = (machine.stiffness / machine.mass).sqrt();
        let ratio = machine.damping_ratio;
        let decay = (-ratio / (1.0 - ratio * ratio).sqrt() * ratio.acos()).exp();
        let expected = stroke * TAU * frequency / natural * decay * 1e3;
        let found = farthest(&Machine { opens: true, ..machine }, frequency, stroke) * 1e3;
        let what =
            format!("{} opened (without damping x·f/f₀ = {stated} mm)", motion(&machine, frequency, stroke));
        rows.push(Row::near(what, "mm", found, expected, 0.01));
    }
    for (frequency, stated) in [(20.0, "7.3"), (16.0, "6.4")] {
        let found = farthest(&portable, frequency, 5e-3) * 1e3;
        rows.push(Row::stated(
            format!("{} shorted", motion(&portable, frequency, 5e-3)),
            "mm",
            found,
            stated,
        ));
    }
    rows
}

fn motion(machine: &Machine, frequency: f64, stroke: f64) -> String {
    format!("{}: {:.2} mm at {frequency} Hz, coil", machine.name, stroke * 1e3)
}

/// Where it gets to without stops.
fn farthest(machine: &Machine, frequency: f64, stroke: f64) -> f64 {
    let free = Machine { stop: 1.0, ..*machine };
    let reached = (0..PHASES).map(|n| {
        let mut bench = moving(&free, frequency, stroke, "fault = []\n");
        bench.run(f64::from(n) / f64::from(PHASES) / frequency);
        mute(&mut bench);
        bench.run(1.0);
        bench.rig.truth().displacement_max.si()
    });
    reached.fold(0.0, f64::max)
}

/// When the rig is in steady motion, in s.
fn steady(frequency: f64) -> f64 {
    (3.0 / frequency).max(1.5).ceil()
}

/// A rig in steady motion.
fn moving(machine: &Machine, frequency: f64, stroke: f64, tables: &str) -> Bench {
    let wanted = stroke * (TAU * frequency).powi(2);
    let job = machine.job(&[""], 40.0 * wanted, "0 ug/sqrtHz");
    let mut bench = Bench::of(&job, FINE, &faults(tables));
    bench.unmute();
    // Over a cycle and a half a change of drive leaves the centre where it was.
    bench.tone(frequency, machine.drive_for(frequency, wanted), 1.5 / frequency);
    bench.run(steady(frequency));
    bench
}

/// The longest time from a threefold gain until the coil is shorted that keeps the armature off its stops.
///
/// The description states them roughly: 'about', 'just under', 'over'; a quarter is allowed.
fn reactions() -> Vec<Row> {
    let [long, portable, middle] = RIGS;
    let mut rows = Vec::new();
    for (machine, frequency, stroke, stated) in [
        (portable, 5.0, 4.97e-3, 11e-3),
        (portable, 10.0, ONE_G_AT_10_HZ, 15e-3),
        (middle, 5.0, 12.5e-3, 5e-3),
        (middle, 10.0, 12.5e-3, 3e-3),
        (long, 0.5, 75e-3, 60e-3),
        (long, 1.0, 75e-3, 33e-3),
        (long, 2.0, 75e-3, 17e-3),
    ] {
        let free = Machine { stop: 1.0, ..machine };
        let (mut good, mut bad) = (0.6 * stated, 1.6 * stated);
        while bad - good > 0.04 * stated {
            let tried = f64::midpoint(good, bad);
            if reached_after(&free, frequency, stroke, tried) < machine.stop {
                good = tried;
            } else {
                bad = tried;
            }
        }
        let what = format!(
            "{} shorted after a gain × 3, longest reaction off the stops",
            motion(&machine, frequency, stroke)
        );
        rows.push(Row::near(what, "ms", good * 1e3, stated * 1e3, 0.25));
    }
    rows
}

/// The farthest of all moments at which the gain jumps.
fn reached_after(machine: &Machine, frequency: f64, stroke: f64, reaction: f64) -> f64 {
    (0..PHASES)
        .map(|n| {
            let at = steady(frequency) + 0.01 + f64::from(n) / f64::from(PHASES) / frequency;
            let fault = format!("[[fault]]\nkind = \"gain_jump\"\nat = \"{at} s\"\nvalue = \"200 %\"\n");
            let mut bench = moving(machine, frequency, stroke, &fault);
            bench.run(at - steady(frequency) + reaction - AMPLIFIER_LATENCY);
            mute(&mut bench);
            bench.run(0.3);
            bench.rig.truth().displacement_max.si()
        })
        .fold(0.0, f64::max)
}
