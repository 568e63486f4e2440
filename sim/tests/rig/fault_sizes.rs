//! Each fault has the size that is written, on its channel and on no other, and ends when it is written.

use crate::bench::{Bench, fit, wait};
use crate::facts::{Facts, RATE, faults, no_faults};
use plan_schema::units::STANDARD_GRAVITY;
use std::f64::consts::TAU;

/// Sensor S2 shows half a volt at rest.
fn two_sensors() -> Facts {
    Facts { sensors: vec!["", "zero_output = \"0.5 V\""], ..Facts::default() }
}

/// Two sensors, noise and quantisation included.
fn noisy() -> Facts {
    Facts { noise: "50 uV rms", density: "100 ug/sqrtHz", bits: 24, ..two_sensors() }
}

fn fault(kind: &str, at: f64, more: &str) -> String {
    format!("[[fault]]\nkind = \"{kind}\"\nat = \"{at} s\"\n{more}\n")
}

/// All samples of a run at 50 Hz.
fn record(facts: &Facts, text: &str, volts: f64, seconds: f64) -> Vec<Vec<f64>> {
    let script = if text.is_empty() { no_faults() } else { faults(text) };
    let mut bench = Bench::with(facts, 3, &script, 200);
    bench.unmute();
    bench.tone(50.0, volts);
    bench.run(seconds)
}

/// Amplitude at a frequency within a time, in seconds from the start of a record.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "times of a short record")]
fn amplitude(record: &[f64], frequency: f64, from: f64, to: f64) -> f64 {
    let sample = |time: f64| (time * RATE).round() as usize;
    fit(&record[sample(from)..sample(to)], frequency, 0).0
}

#[test]
fn the_gain_jumps_by_what_is_written() {
    for share in [0.003, 0.05, 0.6, 2.0, -0.003, -0.5, -1.0] {
        let text = fault("gain_jump", 2.0, &format!("value = \"{} %\"\nlasts = \"3 s\"", share * 100.0));
        let run = record(&Facts::default(), &text, 0.5, 8.0);
        let of = |from: f64, to: f64| amplitude(&run[0], 50.0, from, to);
        let (before, within, after) = (of(1.5, 2.0), of(4.5, 5.0), of(7.5, 8.0));
        let jump = within / before - 1.0;
        assert!((jump / share - 1.0).abs() < 0.01, "{share}: {jump}");
        assert!((after / before - 1.0).abs() < 1e-5, "{share}: {after}");
    }
}

/// A tenth of a volt about the half volt at rest, flat and silent; the peaks of a sine of 0.3 V are cut.
#[test]
fn a_clipped_sensor_stays_within_its_size() {
    let text = fault("sensor_clipped", 1.0, "channel = \"ch2\"\nvalue = \"100 mV pk\"\nlasts = \"1 s\"");
    let mut bench = Bench::with(&two_sensors(), 1, &faults(&text), 200);
    bench.unmute();
    bench.tone(50.0, 0.5);
    let before = bench.run(1.0);
    assert!(before[2][5000..].iter().any(|v| v - 0.5 > 0.3));
    let within: Vec<f64> = (0..50)
        .flat_map(|_| {
            let block = bench.block().unwrap();
            assert_eq!(block.overload(), [false; 3], "it is not said");
            block.channel(2).iter().map(|v| f64::from(*v)).collect::<Vec<_>>()
        })
        .collect();
    let (low, high) = within.iter().fold((1e9f64, -1e9f64), |(l, h), v| (l.min(*v), h.max(*v)));
    assert!((low - 0.4).abs() < 1e-6 && (high - 0.6).abs() < 1e-6, "{low} {high}");
    // Clipped hard, a sine is nearly square: its third harmonic is a third of its fundamental, less a few percent.
    let third = amplitude(&within, 150.0, 0.0, 1.0) / amplitude(&within, 50.0, 0.0, 1.0);
    assert!(third > 0.25 && third < 1.0 / 3.0, "{third}");
    assert!(bench.run(1.0)[2].iter().any(|v| v - 0.5 > 0.3), "it is over");
}

/// Second and third harmonic are 0.8 and 0.6 of the share, which grows with the acceleration.
#[test]
fn a_loose_mount_rattles_by_its_share() {
    let text = fault("loose_mount", 0.0, "channel = \"ch2\"\nvalue = \"20 %\"");
    for volts in [0.1, 0.4] {
        let run = record(&two_sensors(), &text, volts, 6.0);
        let of = |frequency: f64| amplitude(&run[2], frequency, 2.0, 6.0);
        let motion = amplitude(&run[0], 50.0, 2.0, 6.0) / 0.010;
        let share = 0.2 * motion / STANDARD_GRAVITY;
        for (frequency, weight) in [(100.0, 0.8), (150.0, 0.6)] {
            let got = of(frequency) / (0.020 * motion);
            assert!((got / (weight * share) - 1.0).abs() < 0.01, "{frequency} Hz: {got} {share}");
        }
        // What only the sensor does, the reference does not show.
        assert!(amplitude(&run[0], 100.0, 2.0, 6.0) < 1e-6 * motion);
    }
}

/// Amplitude and phase wander by a third of the share each, with a time constant of half a second.
#[test]
fn a_loose_mount_wanders() {
    let text = fault("loose_mount", 0.0, "channel = \"ch1\"\nvalue = \"2 %\"");
    let run = record(&Facts::default(), &text, 0.4, 202.0);
    let motion = amplitude(&run[0], 50.0, 2.0, 3.0) / 0.010;
    let share = 0.02 * motion / STANDARD_GRAVITY;
    let (mut sizes, mut phases) = (Vec::new(), Vec::new());
    for n in 0..2000 {
        let from = 20_000 + n * 1000;
        let (a, phase) = fit(&run[1][from..from + 1000], 50.0, 0);
        let (reference, zero) = fit(&run[0][from..from + 1000], 50.0, 0);
        sizes.push(a / (2.0 * reference) - 1.0);
        phases.push(phase - zero);
    }
    for values in [sizes, phases] {
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let deviation = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt();
        // 200 s are 200 independent values of a time constant of 0.5 s: known to 1/√400, here within four of it.
        let ratio = deviation / (share / 3.0);
        assert!((ratio - 1.0).abs() < 0.25, "{ratio}");
    }
}

#[test]
fn nothing_rattles_at_rest() {
    let text = fault("loose_mount", 0.0, "channel = \"ch2\"\nvalue = \"100 %\"");
    let mut bench = Bench::with(&two_sensors(), 1, &faults(&text), 200);
    assert!(bench.run(1.0)[2].iter().all(|v| (v - 0.5).abs() < 1e-6));
}

/// 40 % an hour are 0.2 % in 18 s: of the sensitivity, not of what is shown at rest; what was reached stays.
#[test]
fn a_drift_has_its_slope_and_stays() {
    for (channel, column, other) in [("ch2", 2, 1), ("ch0", 0, 1)] {
        for share in [0.4, -0.4] {
            let text = fault(
                "slow_drift",
                2.0,
                &format!("channel = \"{channel}\"\nvalue = \"{} %\"\nlasts = \"20 s\"", share * 100.0),
            );
            let run = record(&two_sensors(), &text, 0.4, 28.0);
            let ratio = |from: f64| {
                let of = |column: usize| amplitude(&run[column], 50.0, from, from + 0.5);
                of(column) / of(other)
            };
            let slope = (ratio(20.0) / ratio(2.0) - 1.0) / 18.0 * 3600.0;
            assert!((slope / share - 1.0).abs() < 0.01, "{channel}: {slope} for {share}");
            let (end, later) = (ratio(22.0), ratio(27.0));
            assert!((later / end - 1.0).abs() < 1e-6, "{channel}: {later} {end}");
            let reached = end / ratio(1.4) - 1.0;
            assert!((reached / (share * 20.0 / 3600.0) - 1.0).abs() < 0.01, "{reached}");
            let mean = run[2][200_000..220_000].iter().sum::<f64>() / 20_000.0;
            assert!((mean - 0.5).abs() < 1e-6, "{mean}");
        }
    }
}

/// Open from its strike on, then on and off, for the share that is written; while closed all is as ever.
#[test]
fn a_loose_contact_is_open_for_its_share() {
    let (facts, seconds) = (two_sensors(), 100.0);
    let healthy = record(&facts, "", 0.2, seconds);
    for share in [0.1, 0.5, 0.9] {
        let more = format!("channel = \"ch2\"\nvalue = \"{} %\"", share * 100.0);
        let run = record(&facts, &fault("cable_intermittent", 1.0, &more), 0.2, seconds);
        assert_eq!(run[2][..10_000], healthy[2][..10_000]);
        assert!(run[2][10_000].abs() <= 0.0, "it opens at once");
        let (mut open, mut changes, mut was) = (0.0, 0.0, true);
        for (got, well) in run[2].iter().zip(&healthy[2]).skip(10_000) {
            let closed = (got - well).abs() <= 0.0;
            assert!(closed || got.abs() <= 0.0);
            open += if closed { 0.0 } else { 1.0 };
            changes += if closed == was { 1.0 } else { 0.0 };
            was = !closed;
        }
        let of_time = open / (seconds - 1.0) / RATE;
        // Cycles of 0.2 s in the mean: with N of them the share is known to p (1 − p) √(2/N).
        let cycles = (seconds - 1.0) / 0.2;
        let error = share * (1.0 - share) * (2.0f64 / cycles).sqrt();
        assert!((of_time - share).abs() < 4.0 * error, "{of_time} for {share}");
        assert!((changes / 2.0 / cycles - 1.0).abs() < 0.2, "{changes}");
    }
    let run = record(
        &facts,
        &fault("cable_intermittent", 1.0, "channel = \"ch2\"\nvalue = \"100 %\"\nlasts = \"5 s\""),
        0.2,
        8.0,
    );
    assert!(run[2][10_000..60_000].iter().all(|v| v.abs() <= 0.0));
    assert_eq!(run[2][60_000..], healthy[2][60_000..80_000]);
}

/// The output stops at the value of its instant, which reaches the coil as DC: `x = Bl G e / (R k)`.
#[test]
fn a_held_sample_is_the_last_one_and_moves_the_centre() {
    let facts = Facts {
        tables: "[[channel]]\nname = \"x\"\ninput = 9\nrange = \"1 V pk\"\n[displacement]\nchannel = \"x\"\nsensitivity = \"100 V/m\"",
        ..Facts::default()
    };
    let mut bench =
        Bench::with(&facts, 1, &faults(&fault("source_holds_last", 1.008, "lasts = \"4 s\"")), 200);
    bench.unmute();
    bench.tone(50.0, 0.05);
    bench.run(1.02);
    // The tone began 5 ms after the command, with phase 0: 50.15 turns.
    let expected = 0.05 * (TAU * 0.15).sin();
    let held = bench.rig.truth().final_drive.si();
    assert!((held - expected).abs() < 1e-12, "{held} {expected}");
    // An hour would not change it; nor does a new tone, which is acknowledged.
    let applied = bench.tone(80.0, 0.02);
    assert!((applied.amplitude.si() - 0.02).abs() < 1e-12);
    bench.run(3.5);
    let x = *bench.run(0.1)[2].last().unwrap();
    let centre = 9.0 * 4.0 * held / (3.0 * 189.5) * 100.0;
    assert!((x / centre - 1.0).abs() < 1e-4, "{x} {centre}");
    assert!((bench.rig.truth().final_drive.si() - held).abs() < 1e-15);
    // What was said meanwhile is lost; the next setting is obeyed.
    bench.run(1.0);
    assert!((bench.rig.truth().final_drive.si() - 0.05).abs() < 1e-12);
    bench.tone(80.0, 0.02);
    bench.run(0.1);
    assert!((bench.rig.truth().final_drive.si() - 0.02).abs() < 1e-12);
}

/// A coil of 1 J/K and 2 K/W, its limit at 60 °C, in a room of 23 °C: heated to settle 20 K above, it is at
/// `23 + 57 (1 − e^(−t/2 s))` °C, passes its limit after 2.09 s, and settles at 80 °C. Cooling, it lets go at 55 °C.
#[test]
fn an_overheated_coil_passes_its_limit_and_trips() {
    let facts = Facts {
        shaker: "coil_heat_capacity = \"1 J/K\"\ncoil_heat_resistance = \"2 K/W\"\ncoil_temperature_limit = \"60 °C\"",
        ..Facts::default()
    };
    let text = fault("coil_overheating", 1.0, "value = \"20 K\"\nlasts = \"30 s\"");
    let mut bench = Bench::with(&facts, 1, &faults(&text), 200);
    bench.unmute();
    bench.run(3.0);
    assert!(!wait(bench.amplifier.status()).unwrap().fault);
    bench.run(0.2);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(status.fault && status.muted, "{status:?}");
    assert!(wait(bench.amplifier.unmute(&bench.permit)).is_err());
    bench.run(27.7);
    let hottest = bench.rig.truth().coil_temperature_max.si();
    assert!((hottest - 80.0).abs() < 0.01, "{hottest}");
    // From 80 °C to 55 °C: 2 s · ln(57/32) = 1.15 s.
    bench.run(1.1);
    assert!(wait(bench.amplifier.status()).unwrap().fault);
    bench.run(0.3);
    let status = wait(bench.amplifier.status()).unwrap();
    assert!(!status.fault && status.muted, "{status:?}");
    bench.unmute();
    // Where the rig says nothing of its coil, there is nothing to heat.
    let refused = Bench::try_with(&Facts::default(), 1, &faults(&text), 200).map(|_| ()).unwrap_err();
    assert!(refused.remedy.contains("coil_temperature_limit"), "{refused}");
}

/// Kinds that strike a channel, its column, and whether all is as before once they are over.
const ON_A_CHANNEL: [(&str, usize, &str); 9] = [
    ("reference_open", 0, ""),
    ("reference_reversed", 0, ""),
    ("sensor_open", 2, "channel = \"ch2\""),
    ("overload", 2, "channel = \"ch2\""),
    ("sensor_clipped", 2, "channel = \"ch2\"\nvalue = \"20 mV pk\""),
    ("loose_mount", 2, "channel = \"ch2\""),
    ("hum", 2, "channel = \"ch2\""),
    ("cable_intermittent", 2, "channel = \"ch2\""),
    ("slow_drift", 2, "channel = \"ch2\"\nvalue = \"50 %\""),
];

/// Before, afterwards and on all other channels, samples are those of a run without any fault, bit for bit.
#[test]
fn a_fault_of_a_channel_is_of_no_other_and_ends() {
    let facts = noisy();
    let healthy = record(&facts, "", 0.5, 2.0);
    for (kind, column, more) in ON_A_CHANNEL {
        let text = fault(kind, 0.6, &format!("{more}\nlasts = \"700 ms\""));
        let run = record(&facts, &text, 0.5, 2.0);
        for (n, (got, well)) in run.iter().zip(&healthy).enumerate() {
            if n != column {
                assert_eq!(got, well, "{kind} on column {n}");
                continue;
            }
            assert_eq!(got[..6000], well[..6000], "{kind} before it strikes");
            assert_ne!(got[6000..13_000], well[6000..13_000], "{kind} does nothing");
            if kind != "slow_drift" {
                assert_eq!(got[13_000..], well[13_000..], "{kind} after its end");
            }
        }
    }
}

/// Neither the order of the sensors nor the length of blocks makes a difference, and another seed does.
#[test]
fn chance_belongs_to_seed_and_channel() {
    let text = ["ch1", "ch2"]
        .map(|channel| {
            let channel = format!("channel = \"{channel}\"");
            fault("cable_intermittent", 0.1, &channel) + &fault("loose_mount", 0.2, &channel)
        })
        .concat();
    let run = |facts: &Facts, seed: u64, frames: u32| {
        let mut bench = Bench::with(facts, seed, &faults(&text), frames);
        bench.unmute();
        bench.tone(50.0, 0.5);
        bench.run(1.5)
    };
    let facts = noisy();
    let backwards = Facts { backwards: true, ..facts.clone() };
    let first = run(&facts, 5, 200);
    assert_eq!(first, run(&backwards, 5, 200));
    assert_eq!(first, run(&facts, 5, 125));
    assert_ne!(first[1], run(&facts, 6, 200)[1]);
    assert_ne!(first[1], first[2], "each channel has its own");
}
