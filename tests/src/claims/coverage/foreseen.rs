//! The coverage that a budget foresees for itself, by characteristic functions, and exact binomial bounds.

use anyhow::Result;
use calibration::uncertainty::gum::{Counted, Uniforms, normal_quantile};
use calibration::uncertainty::{Budget, Component, Distribution};
use std::f64::consts::{PI, TAU};

/// Steps of the integral over the characteristic function, and how far it goes, in units of 1/u: the scatter of the dwell is
/// normal, so that nothing is left beyond.
const STEPS: u32 = 800;
const REACH: f64 = 20.0;

/// Scatters of a dwell over which is averaged.
const SCATTERS: u64 = 400;

/// Probability that the stated interval holds the truth: over all that a dwell of so many segments may show as the scatter
/// of its mean (true value `scatter`), the probability that the sum of all errors lies within U.
pub(super) fn coverage(budget: &Budget, scatter: f64, segments: usize) -> Result<f64> {
    let rest: f64 = budget.components().iter().map(|c| c.standard().powi(2)).sum();
    let step = REACH / (rest + scatter * scatter).sqrt() / f64::from(STEPS);
    let function: Vec<(f64, f64)> = (0..STEPS)
        .map(|n| {
            let t = (f64::from(n) + 0.5) * step;
            let own = (-0.5 * (scatter * t).powi(2)).exp();
            (t, budget.components().iter().map(|c| characteristic(c, t)).product::<f64>() * own)
        })
        .collect();
    // Gil-Pelaez, for a symmetric distribution: P(|X| ≤ U) = 2/π ∫ sin(U t)/t φ(t) dt.
    let within = |expanded: f64| {
        2.0 / PI * step * function.iter().map(|(t, f)| (expanded * t).sin() / t * f).sum::<f64>()
    };
    let degrees = segments as f64 - 1.0;
    let mut sum = 0.0;
    for seed in 0..SCATTERS {
        // Another stream than that of the runs: chi-squared as a sum of squares.
        let mut chance = Counted::new(u64::MAX - seed);
        let squares: f64 = (1..segments).map(|_| normal_quantile(chance.next_uniform()).powi(2)).sum();
        let mut all = budget.components().to_vec();
        all.push(Component::type_a(
            "scatter within the dwell",
            scatter * (squares / degrees).sqrt(),
            degrees,
        )?);
        sum += within(Budget::new(budget.measurand(), all)?.combined().expanded);
    }
    Ok(sum / SCATTERS as f64)
}

/// Characteristic functions of symmetric distributions about zero.
fn characteristic(component: &Component, t: f64) -> f64 {
    let x = component.stated() * t;
    match component.distribution() {
        Distribution::Normal { .. } | Distribution::TypeA => {
            (-0.5 * (component.standard() * t).powi(2)).exp()
        }
        Distribution::Rectangular => sinc(x),
        Distribution::Triangular => sinc(x / 2.0).powi(2),
        Distribution::Arcsine => over_angles(|cosine| (x * cosine).cos()),
        // Over one limit in closed form, over the other and the angle by midpoints.
        Distribution::Transverse => {
            let limits = 24;
            let at = |n: i32| (f64::from(n) + 0.5) / f64::from(limits);
            (0..limits).map(|n| over_angles(|cosine| sinc(x * at(n) * cosine))).sum::<f64>()
                / f64::from(limits)
        }
    }
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 } else { x.sin() / x }
}

fn over_angles(of: impl Fn(f64) -> f64) -> f64 {
    let angles = 24;
    let at = |n: i32| (TAU * (f64::from(n) + 0.5) / f64::from(angles)).cos();
    (0..angles).map(|n| of(at(n))).sum::<f64>() / f64::from(angles)
}

/// True if a count of successes is none that has, with all beyond it, a probability below half of `alpha` on its side.
pub(super) fn within_binomial(successes: u32, trials: u32, p: f64, alpha: f64) -> bool {
    let mut below = 0.0;
    let mut here = 0.0;
    let mut above = 0.0;
    // ln of the binomial coefficient, built up term by term.
    let mut coefficient = 0.0_f64;
    for k in 0..=trials {
        if k > 0 {
            coefficient += (f64::from(trials - k + 1) / f64::from(k)).ln();
        }
        let term = (coefficient + f64::from(k) * p.ln() + f64::from(trials - k) * (-p).ln_1p()).exp();
        match k.cmp(&successes) {
            std::cmp::Ordering::Less => below += term,
            std::cmp::Ordering::Equal => here = term,
            std::cmp::Ordering::Greater => above += term,
        }
    }
    below + here > alpha / 2.0 && above + here > alpha / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use calibration::uncertainty::{ComponentSource, Measurand};

    fn of(distribution: Distribution, stated: f64, scatter: f64) -> f64 {
        let component = Component::new("c", ComponentSource::RigFile, distribution, stated).unwrap();
        coverage(&Budget::new(Measurand::Phase, vec![component]).unwrap(), scatter, 1000).unwrap()
    }

    /// Normal: 95.45 %. One rectangular component with a third of a normal one's deviation beside it covers more at k = 2
    /// (0.9545 is for normal quantities).
    #[test]
    fn known_coverages() {
        assert!((of(Distribution::Normal { k: 2.0 }, 2.0, 1.0) - 0.954_5).abs() < 1e-3);
        assert!(of(Distribution::Rectangular, 3.0_f64.sqrt(), 0.2) > 0.985);
        assert!(of(Distribution::Arcsine, 2.0_f64.sqrt(), 0.2) > 0.99);
    }

    /// Binomial with 10 trials and p = 1/2: 0 or 10 successes have 1/1024 each (elementary).
    #[test]
    fn exact_bounds() {
        assert!(!within_binomial(10, 10, 0.5, 2.0 / 1000.0) && within_binomial(10, 10, 0.5, 1.9 / 1024.0));
        assert!(!within_binomial(0, 10, 0.5, 0.002) && within_binomial(5, 10, 0.5, 0.05));
    }
}
