//! How long to wait for the decay of an AC-coupled sensor or channel. Must not: estimate it.
//!
//! A first-order high-pass with time constant τ = 1/(2π f_c) answers a tone that begins with the steady tone and, beside it,
//! a transient `c e^{−t/τ}`: the filter subtracts a running mean (the low-passed input), and at the start that mean is off by
//! what the steady state has, at most `1/√(1 + (ωτ)²)` of the input, while the steady output is `ωτ/√(1 + (ωτ)²)` of it. So
//! relative to the output `c ≤ 1/(ωτ)` for the worst phase of a sudden start; a smooth one leaves no more.
//!
//! The estimator takes out one decay `e^{−t/τ'}`, with τ' wrong by up to 10 % (tolerance of coupling capacitors and of
//! declared corners). With the modelled decay right where the window begins, what is left is
//! `c (e^{−t/τ} − e^{−t/τ'})`: at most ρ c with ρ = 0.035 for τ' = 1.1 τ and 0.039 for 0.9 τ (about 0.1/e, near t = τ). It is
//! below ε of the tone when the window begins after
//!
//! `t = τ ln(ρ / (ε ω τ))`, or no time where that is negative.
//!
//! What then remains in a fitted amplitude is less still: most of so slow a rest goes into the offset and the decay.

use plan_schema::units::{Hertz, Seconds};
use std::f64::consts::TAU;

/// ρ: what a modelled decay leaves at most, its time constant being 10 % off, as a share of the decay.
const LEFT_BY_MODEL: f64 = 0.04;

/// ε: what may be left of the decay unmodelled, as a share of the tone.
const LEFT: f64 = 1e-3;

/// How long to wait, from when a tone is in effect, until the estimator can take what is left of the decay of a first-order
/// high-pass with this lower corner as one decay with the declared time constant.
///
/// Nothing for a corner of zero (DC response): its decay takes forever, but is none within any dwell.
#[must_use]
pub fn decay_wait(frequency: Hertz, corner: Hertz) -> Seconds {
    let turns = TAU * corner.si();
    if turns <= 0.0 {
        return Seconds::ZERO;
    }
    let constant = 1.0 / turns;
    let cycles = TAU * frequency.si() * constant;
    Seconds::new(constant * (LEFT_BY_MODEL / (LEFT * cycles)).ln().max(0.0))
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "numbers that the test chose")]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use std::f64::consts::PI;

    /// Output of a first-order high-pass for a cosine that begins suddenly or over a raised cosine, each sample exact to the
    /// order of the step squared (trapezoid).
    fn filtered(frequency: f64, corner: f64, phase: f64, ramp: f64, times: &[f64]) -> Vec<f64> {
        let constant = 1.0 / (TAU * corner);
        let step = times[1] - times[0];
        let decay = (2.0 * constant - step) / (2.0 * constant + step);
        let gain = 2.0 * constant / (2.0 * constant + step);
        let (mut before, mut out) = (0.0, 0.0);
        let input = |t: f64| {
            let envelope = if t < ramp { 0.5 - 0.5 * (PI * t / ramp).cos() } else { 1.0 };
            envelope * (TAU * frequency * t + phase).cos()
        };
        let response = |x: f64| {
            out = decay * out + gain * (x - before);
            before = x;
            out
        };
        times.iter().map(|t| input(*t)).map(response).collect()
    }

    /// Least squares with offset, sine and one decay: amplitude of the sine.
    fn amplitude(frequency: f64, constant: Option<f64>, times: &[f64], samples: &[f64]) -> f64 {
        let from = times[0];
        let terms = 3 + usize::from(constant.is_some());
        let matrix = DMatrix::from_fn(times.len(), terms, |n, k| match k {
            0 => (TAU * frequency * times[n]).cos(),
            1 => (TAU * frequency * times[n]).sin(),
            2 => 1.0,
            _ => (-(times[n] - from) / constant.unwrap()).exp(),
        });
        let found = matrix.svd(true, true).solve(&DVector::from_column_slice(samples), 1e-12).unwrap();
        found[0].hypot(found[1])
    }

    /// After the wait one cycle and a half gives the amplitude within 0.1 % with a time constant 10 % off, for a sudden start
    /// at the worst of eight phases and for a smooth one.
    #[test]
    fn after_the_wait_a_wrong_time_constant_does_no_harm() {
        for (frequency, corner) in
            [(0.1_f64, 0.05), (0.5, 0.16), (1.0, 0.16), (0.5, 0.05), (5.0, 0.5), (0.2, 0.2)]
        {
            let step = 1.0 / frequency / 500.0;
            let wait = decay_wait(Hertz::new(frequency), Hertz::new(corner)).si();
            let right = frequency / corner / (1.0 + (frequency / corner).powi(2)).sqrt();
            for ramp in [0.0, 1.5 / frequency] {
                let first = ((ramp + wait) / step).ceil() as usize;
                let times: Vec<f64> = (0..first + 750).map(|n| n as f64 * step).collect();
                for phase in (0..8).map(|n| f64::from(n) * PI / 4.0) {
                    let samples = filtered(frequency, corner, phase, ramp, &times);
                    for off in [0.9, 1.1] {
                        let constant = off / (TAU * corner);
                        let found = amplitude(frequency, Some(constant), &times[first..], &samples[first..]);
                        let missed = (found / right - 1.0).abs();
                        assert!(missed < 1e-3, "{frequency} Hz, {corner} Hz, phase {phase}: {missed}");
                    }
                }
            }
        }
    }

    /// The same check sees the harm without a wait, and without a model of the decay even after it.
    #[test]
    fn without_wait_or_model_it_does() {
        let (frequency, corner) = (0.5_f64, 0.16);
        let times: Vec<f64> = (0..4000).map(|n| f64::from(n) * 0.004).collect();
        let right = frequency / corner / (1.0 + (frequency / corner).powi(2)).sqrt();
        let worst = |first: usize, constant: Option<f64>| {
            let missed = |n: i32| {
                let samples = filtered(frequency, corner, f64::from(n) * PI / 4.0, 0.0, &times);
                let window = first..first + 750;
                (amplitude(frequency, constant, &times[window.clone()], &samples[window]) / right - 1.0).abs()
            };
            (0..8).map(missed).fold(0.0, f64::max)
        };
        let constant = 1.1 / (TAU * corner);
        let wait = (decay_wait(Hertz::new(frequency), Hertz::new(corner)).si() / 0.004).ceil() as usize;
        assert!(worst(0, Some(constant)) > 1e-3);
        assert!(worst(wait, None) > 1e-3);
        assert!(worst(wait, Some(constant)) < 1e-3);
    }

    /// ρ is the largest difference of the two exponentials, for a time constant 10 % off either way.
    #[test]
    fn what_the_model_leaves() {
        let difference = |s: f64, off: f64| ((-s).exp() - (-s / off).exp()).abs();
        for off in [0.9, 1.1] {
            let most = (0..500).map(|n| difference(f64::from(n) * 0.01, off)).fold(0.0, f64::max);
            assert!(most < LEFT_BY_MODEL && most > 0.8 * LEFT_BY_MODEL, "{most}");
        }
    }

    #[test]
    fn nothing_to_wait_for_well_above_the_corner_or_without_one() {
        assert_eq!(decay_wait(Hertz::new(100.0), Hertz::new(0.5)), Seconds::ZERO);
        assert_eq!(decay_wait(Hertz::new(0.5), Hertz::ZERO), Seconds::ZERO);
        // By hand: τ = 1 s, ωτ = π, ln(40/π) = 2.544.
        let wait = decay_wait(Hertz::new(0.5), Hertz::new(1.0 / TAU)).si();
        assert!((wait - 2.544).abs() < 1e-3);
    }
}
