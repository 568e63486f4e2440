//! Reference waveforms: two channels of which ratio and phase are known, through the estimator that runs go through.
//!
//! The waveforms are made from their formula in f64 and rounded to f32 once, as samples are. Noise comes from a stream with a
//! fixed seed.

use super::{Check, Group};
use calibration::estimate::{DwellOptions, dwell};
use calibration::uncertainty::gum::{Counted, Uniforms, normal_quantile};
use plan_schema::units::{Hertz, SamplesPerSecond};
use std::f64::consts::TAU;

/// A pair of channels. Frequencies in Hz, amplitudes in V.
struct Case {
    name: &'static str,
    rate: f64,
    frequency: f64,
    cycles: f64,
    ratio: f64,
    phase_deg: f64,
    /// Share of the second harmonic, opposite in sign on the two channels.
    second: f64,
    /// Share of a line of the mains, on the sensor.
    hum: f64,
    /// Drift over the record, V.
    drift: f64,
    /// Share of white noise, standard deviation.
    noise: f64,
}

const PLAIN: Case = Case {
    name: "plain",
    rate: 1000.0,
    frequency: 10.0,
    cycles: 20.0,
    ratio: 0.5,
    phase_deg: -1.25,
    second: 0.0,
    hum: 0.0,
    drift: 0.0,
    noise: 0.0,
};

const CASES: [Case; 8] = [
    PLAIN,
    Case { name: "half a hertz with offset and drift", frequency: 0.5, cycles: 5.0, drift: 0.02, ..PLAIN },
    Case { name: "0.01 % off the frequency that was set", frequency: 10.001, ..PLAIN },
    Case { name: "harmonics of 3 %", second: 0.03, phase_deg: 170.0, ..PLAIN },
    Case { name: "mains beside the signal", frequency: 16.0, cycles: 64.0, hum: 0.05, ..PLAIN },
    Case { name: "a small output near the wrap of phase", ratio: 1e-3, phase_deg: 179.99, ..PLAIN },
    Case { name: "2 kHz", rate: 51_200.0, frequency: 2000.0, cycles: 2000.0, phase_deg: -88.0, ..PLAIN },
    Case { name: "white noise of 1 %", noise: 0.01, cycles: 200.0, ..PLAIN },
];

/// Without noise: relative, and in rad. Rounding to f32 leaves less than this.
const EXACT: f64 = 1e-6;
/// With noise: in standard uncertainties of the estimate.
const SCATTER: f64 = 4.0;

pub(super) fn group() -> Group {
    Group {
        name: "Reference waveforms".to_owned(),
        about: "Synthetic channels with known ratio and phase through the estimator of runs. They show the estimator, not the \
                instruments."
            .to_owned(),
        checks: CASES.iter().flat_map(checks).collect(),
    }
}

#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
fn samples(case: &Case) -> [Vec<f32>; 2] {
    let count = (case.cycles / case.frequency * case.rate).round();
    let mut chance = Counted::new(17);
    let mut noise = || case.noise * normal_quantile(chance.next_uniform());
    let phase = case.phase_deg.to_radians();
    let mut channels = [Vec::new(), Vec::new()];
    let mut n = 0.0;
    while n < count {
        let turn = TAU * (case.frequency * n / case.rate).fract();
        let line = case.hum * (TAU * (50.0 * n / case.rate).fract()).cos();
        let straight = case.drift * n / count;
        let reference = turn.cos() + case.second * (2.0 * turn).cos() + 0.1 + straight + noise();
        let sensor =
            (turn + phase).cos() - case.second * (2.0 * turn).cos() + line + 2.5 - straight + noise();
        let [first, second] = &mut channels;
        first.push(reference as f32);
        second.push((case.ratio * sensor) as f32);
        n += 1.0;
    }
    channels
}

fn checks(case: &Case) -> [Check; 2] {
    let channels = samples(case);
    let planes: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    // As a source is set: to a tenth of a hertz.
    let start = Hertz::new((case.frequency * 10.0).round() / 10.0);
    let mains = (case.hum > 0.0).then(|| Hertz::new(50.0));
    let options = DwellOptions { mains, ..DwellOptions::default() };
    let estimate = dwell(&planes, SamplesPerSecond::new(case.rate), 0, start, &options);
    let ratio = estimate.as_ref().ok().and_then(|e| e.ratios.first());
    let off = ratio.map(|r| {
        let turned =
            r.ratio / calibration::estimate::Complex::from_polar(case.ratio, case.phase_deg.to_radians());
        (turned.norm() - 1.0, turned.arg(), r.u_rel_a.si(), r.u_phase_a.si())
    });
    let one = |what: &str, error: Option<f64>, u: Option<f64>| {
        let allowed = if case.noise > 0.0 { u.map_or(0.0, |u| SCATTER * u) } else { EXACT };
        Check {
            what: format!("{}, {what}", case.name),
            expected: format!("0 ± {allowed:.2e}"),
            found: error.map_or_else(|| "no estimate".to_owned(), |e| format!("{e:.2e}")),
            source: "the formula that the samples are made from".to_owned(),
            passed: error.is_some_and(|e| e.abs() <= allowed),
        }
    };
    [
        one("relative error of the ratio", off.map(|o| o.0), off.map(|o| o.2)),
        one("error of the phase, rad", off.map(|o| o.1), off.map(|o| o.3)),
    ]
}
