//! Noise, clocks and converters: what samples of a rig at rest or in motion show beside what the files state.

use crate::Row;
use crate::fit::harmonics;
use crate::three_rigs::{Bench, Machine, RATE, RIGS, faults};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Fraction, Volts};
use std::f64::consts::{LN_2, TAU};

/// Samples in a second.
const SECOND: usize = 10_000;

/// What every sensor of the bench shows of 1 m/s², in V.
const SENSITIVITY: f64 = 2.0;

pub(crate) fn rows() -> Vec<Row> {
    let mut rows = Vec::from(densities());
    rows.extend(allan_deviations());
    rows.extend(converter());
    rows.push(clocks());
    rows.extend(hum());
    rows
}

fn at_rest(job: &ResolvedJob, seconds: f64) -> Vec<Vec<f64>> {
    Bench::of(job, 1000, &faults("fault = []\n")).run(seconds)
}

/// Samples of a sensor at rest with 300 µg/√Hz and this corner.
fn noise_of(lines: &str, seconds: f64) -> Vec<f64> {
    at_rest(&RIGS[1].job(&[lines], 10.0, "300 ug/sqrtHz"), seconds).swap_remove(1)
}

/// V²/Hz of that sensor where its noise is white.
fn white() -> f64 {
    (300e-6 * 9.80665 * SENSITIVITY).powi(2)
}

/// A periodogram at whole hertz, averaged over pieces of a second.
fn density(samples: &[f64], frequency: f64) -> f64 {
    let pieces = samples.chunks_exact(SECOND);
    let count = pieces.len() as f64;
    pieces.map(|piece| harmonics(piece, frequency, 0.0, 1)[0].norm_sqr() / 2.0).sum::<f64>() / count
}

/// White level and 1/f corner: over 400 s a periodogram is known to 5 % at a frequency, and there are 50 and 11.
fn densities() -> [Row; 2] {
    let corner = 20.0;
    let samples = noise_of("noise_corner = \"20 Hz\"", 400.0);
    let high: Vec<f64> = (0..50).map(|n| f64::from(1500 + 61 * n)).collect();
    let found: f64 = high.iter().map(|f| density(&samples, *f)).sum();
    let expected: f64 = high.iter().map(|f| white() * (1.0 + corner / f)).sum();
    let low = 5..16;
    let count = low.len() as f64;
    let corners = low.map(|f| (density(&samples, f64::from(f)) / white() - 1.0) * f64::from(f));
    [
        Row::near("white noise, density over the stated one", "", found / expected, 1.0, 0.03),
        Row::near("1/f noise, corner", "Hz", corners.sum::<f64>() / count, corner, 0.1),
    ]
}

/// White noise: `√(S/2τ)`; 1/f noise: `√(2 ln 2 · S f_c)` more, by power (D. W. Allan, Proc. IEEE 54, 1966; IEEE Std 1139,
/// table of power laws; from memory).
fn allan_deviations() -> Vec<Row> {
    let mut rows = Vec::new();
    for (corner, samples, taus) in [
        (0.0, noise_of("", 400.0), [0.01, 0.1]),
        (40.0, noise_of("noise_corner = \"40 Hz\"", 600.0), [0.2, 1.0]),
    ] {
        for tau in taus {
            let expected = (white() / (2.0 * tau) + 2.0 * LN_2 * white() * corner).sqrt();
            let what = format!("Allan deviation over {tau} s, 1/f corner {corner} Hz");
            let share = if corner > 0.0 { 0.1 } else { 0.06 };
            rows.push(Row::near(what, "V", allan(&samples, tau), expected, share));
        }
    }
    rows
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some thousand samples")]
fn allan(samples: &[f64], tau: f64) -> f64 {
    let length = (tau * RATE).round();
    let means: Vec<f64> =
        samples.chunks_exact(length as usize).map(|c| c.iter().sum::<f64>() / length).collect();
    let sum: f64 = means.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    (sum / (2.0 * (means.len() as f64 - 1.0))).sqrt()
}

fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|v| v * v).sum::<f64>() / samples.len() as f64).sqrt()
}

/// A channel's own noise, and what rounding adds to a sine: LSB/√12 for a sine over very many steps (W. R. Bennett, Bell
/// Syst. Tech. J. 27, 1948).
fn converter() -> [Row; 2] {
    let mut job = RIGS[1].job(&[""], 10.0, "0 ug/sqrtHz");
    job.rig.simulation.acquisition.noise = Volts::new(50e-6);
    let noise = rms(&at_rest(&job, 20.0)[1]);
    // The same motion with 12 bits and with 32: the difference is the rounding.
    let [coarse, fine] = [12, 32].map(|bits| {
        let mut job = RIGS[1].job(&[""], 10.0, "0 ug/sqrtHz");
        job.rig.simulation.acquisition.bits = bits;
        in_motion(&RIGS[1], &job, 17.3, 2.0, 10.0).swap_remove(0)
    });
    let differences: Vec<f64> = coarse.iter().zip(&fine).map(|(a, b)| a - b).collect();
    let step = 2.0 * 10.0 / 12f64.exp2();
    [
        Row::near("noise of a channel, r.m.s.", "V", noise, 50e-6, 0.01),
        Row::near(
            "rounding to 12 bits over ±10 V, r.m.s.",
            "V",
            rms(&differences),
            step / 12f64.sqrt(),
            0.03,
        ),
    ]
}

fn in_motion(
    machine: &Machine,
    job: &ResolvedJob,
    frequency: f64,
    wanted: f64,
    seconds: f64,
) -> Vec<Vec<f64>> {
    let mut bench = Bench::of(job, 1000, &faults("fault = []\n"));
    bench.unmute();
    bench.tone(frequency, machine.drive_for(frequency, wanted), 1.0);
    bench.run(4.0);
    bench.run(seconds)
}

/// Two clocks that are off: by how much the frequency in the samples is, from the turning of the phase over 20 s.
fn clocks() -> Row {
    let mut job = RIGS[1].job(&[""], 10.0, "0 ug/sqrtHz");
    job.rig.simulation.source.clock_error = Fraction::new(30e-6);
    job.rig.simulation.acquisition.clock_error = Fraction::new(-20e-6);
    let frequency = 50.0;
    let samples = in_motion(&RIGS[1], &job, frequency, 2.0, 20.0).swap_remove(0);
    // Half a second at each end: the phase of their middles, 19.5 s apart, both whole cycles.
    let half = SECOND / 2;
    let phase = |part: &[f64]| harmonics(part, frequency, 0.0, 1)[0].arg();
    let turned = phase(&samples[samples.len() - half..]) - phase(&samples[..half]);
    let turned = turned - TAU * (turned / TAU).round();
    let found = turned / TAU / (frequency * 19.5) * 1e6;
    let expected = ((1.0 + 30e-6) / (1.0 - 20e-6) - 1.0) * 1e6;
    Row {
        what: "clocks of +30 ppm and −20 ppm, apart".to_owned(),
        unit: "ppm",
        value: found,
        expected,
        // What the frequency is off by makes this transform wrong by some thousandths of a ppm.
        tolerance: 0.01,
    }
}

fn hum() -> Vec<Row> {
    let mut job = RIGS[1].job(&[""], 10.0, "0 ug/sqrtHz");
    let acquisition = &mut job.rig.simulation.acquisition;
    let lines = [(50.0, 3e-3), (100.0, 1e-3), (150.0, 0.6e-3), (250.0, 0.2e-3)];
    acquisition.hum = Volts::new(lines[0].1);
    acquisition.hum_second = Volts::new(lines[1].1);
    acquisition.hum_third = Volts::new(lines[2].1);
    acquisition.hum_fifth = Volts::new(lines[3].1);
    let samples = at_rest(&job, 2.0).swap_remove(1);
    lines
        .into_iter()
        .map(|(frequency, volts)| {
            let found = harmonics(&samples, frequency, 0.0, 1)[0].norm();
            Row::near(format!("hum at {frequency} Hz"), "V pk", found, volts, 1e-4)
        })
        .collect()
}
