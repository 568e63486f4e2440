//! What a simulation says of a budget as a distribution: quantiles on a grid, and the probability that follows from them.
//!
//! Owns: [`Quantiles`]. They stand where a normal quantity has its quantiles, evenly in units of its standard deviation, so that the
//! tails are as well resolved as the middle. Source: JCGM 101:2008, 7.5 (a discrete representation of the distribution function
//! of the output quantity, made continuous by straight lines); JCGM 106:2012, 7.1 for the probability of conformity by it.

use super::gum::normal_cdf;
use std::sync::Arc;

/// The grid goes as far as this many standard deviations of a normal quantity: one in 300 000 lies beyond.
const REACH: f64 = 4.5;

/// Steps of the grid to each side.
const STEPS: u32 = 90;

/// Quantiles of a result about its estimate, rising.
#[derive(Debug, Clone, PartialEq)]
pub struct Quantiles(Arc<[f64]>);

impl Quantiles {
    /// Of trials in rising order; `None` without any.
    #[must_use]
    pub(super) fn of(sorted: &[f64]) -> Option<Self> {
        let last = sorted.len().checked_sub(1)?;
        let at = |z: f64| {
            // Rank p·M, between two trials by a straight line.
            let rank = (normal_cdf(z) * sorted.len() as f64 - 0.5).clamp(0.0, last as f64);
            let (below, share) = (rank.floor(), rank - rank.floor());
            let low = sorted.get(index(below)).copied()?;
            let high = sorted.get(index(below) + 1).copied().unwrap_or(low);
            Some(low + (high - low) * share)
        };
        grid().map(at).collect::<Option<Vec<f64>>>().map(|all| Self(all.into()))
    }

    /// Probability that the result lies below a value; beyond the quantiles that of the last of them, since fewer trials than
    /// that say nothing.
    #[must_use]
    pub fn below(&self, value: f64) -> f64 {
        let above = self.0.partition_point(|q| *q < value);
        let Some(high) = self.0.get(above) else { return normal_cdf(REACH) };
        let Some(low) = above.checked_sub(1).and_then(|n| self.0.get(n)) else { return normal_cdf(-REACH) };
        let share = if high > low { (value - low) / (high - low) } else { 1.0 };
        let z = |n: usize| REACH * (n as f64 / f64::from(STEPS) - 1.0);
        let (from, to) = (z(above - 1), z(above));
        normal_cdf(from + (to - from) * share)
    }
}

fn grid() -> impl Iterator<Item = f64> {
    (0..=2 * STEPS).map(|n| REACH * (f64::from(n) / f64::from(STEPS) - 1.0))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a rank among trials that are held in memory"
)]
fn index(rank: f64) -> usize {
    rank as usize
}

/// What is known of a deviation where its uncertainty was simulated: the distribution about its estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    pub(super) quantiles: Quantiles,
    /// What one unit of the distribution is in the unit of the deviation.
    pub(super) scale: f64,
}

impl Known {
    /// Probability that a deviation lies within a symmetric tolerance, given its estimate; `None` where a number is none.
    #[must_use]
    pub fn conformity(&self, deviation: f64, tolerance: f64) -> Option<f64> {
        let numbers = deviation.is_finite() && tolerance >= 0.0 && self.scale.is_finite() && self.scale > 0.0;
        let below = |limit: f64| self.quantiles.below((limit - deviation) / self.scale);
        numbers.then(|| (below(tolerance) - below(-tolerance)).clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::super::{
        Budget, Component, ComponentSource, DecisionRule, Distribution, Measurand, conformity, decide,
        decide_known, deviation_from_nominal,
    };
    use super::*;

    fn budget(parts: &[(Distribution, f64)]) -> Budget {
        let component = |(n, (distribution, stated)): (usize, &(Distribution, f64))| {
            Component::new(format!("c{n}"), ComponentSource::RigFile, *distribution, *stated).unwrap()
        };
        let components = parts.iter().enumerate().map(component).collect();
        Budget::new(Measurand::Magnitude, components).unwrap().confirmed(1).unwrap()
    }

    const FLAT: (Distribution, f64) = (Distribution::Rectangular, 0.01);
    const SMALL: (Distribution, f64) = (Distribution::Normal { k: 2.0 }, 1e-5);

    /// Quantiles of a thousand equal steps are what they stand for.
    #[test]
    fn a_flat_list_is_given_back() {
        let list: Vec<f64> = (0..100_000).map(|n| f64::from(n) / 1e5).collect();
        let quantiles = Quantiles::of(&list).unwrap();
        for p in [0.001, 0.02, 0.3, 0.5, 0.77, 0.98, 0.999] {
            assert!((quantiles.below(p) - p).abs() < 2e-4, "{p}: {}", quantiles.below(p));
        }
        assert!(quantiles.below(-1.0) < 1e-5 && quantiles.below(2.0) > 1.0 - 1e-5);
        assert!(Quantiles::of(&[]).is_none());
    }

    /// One rectangular component that dominates, of half-width a: at a distance d inside a limit that is far from the other the
    /// probability is (1 + d/a)/2 (elementary). Student's distribution says another.
    #[test]
    fn a_rectangular_distribution_is_taken_as_it_is() {
        let flat = budget(&[FLAT, SMALL]);
        assert!(flat.simulated().is_some());
        for d in [-0.009, -0.005, 0.0, 0.002, 0.005, 0.009] {
            let deviation = 0.05 - d;
            let scale = 1.0 + deviation;
            let wanted = f64::midpoint(1.0, d / (0.01 * scale));
            let combined = deviation_from_nominal(&flat, deviation);
            let known = flat.known(scale);
            let found =
                decide_known(deviation, Some(0.05), &combined, known.as_ref(), DecisionRule::GuardBand);
            assert!((found.conformity.unwrap() - wanted).abs() < 0.004, "{d}: {found:?}, {wanted}");
        }
        // At half of the half-width: 75 %, where a normal distribution of the same standard deviation has 81 %.
        let combined = deviation_from_nominal(&flat, 0.045);
        let normal = conformity(0.045, combined.u, combined.nu_eff, 0.05).unwrap();
        assert!(normal > 0.79);
        // The rule of a chosen risk goes by it too: 10 % is met 0.8 a inside the limit.
        let known = flat.known(1.0);
        let found = decide_known(0.0, Some(0.05), &flat.combined(), known.as_ref(), DecisionRule::Risk(0.1));
        assert!((found.guard_band.unwrap() - 0.008).abs() < 1e-4, "{found:?}");
    }

    /// What is stated as more than it is, by the scope, is as much wider.
    #[test]
    fn a_scope_widens_it() {
        let flat = budget(&[FLAT, SMALL]);
        let twice = flat.clone().not_below(Some(2.0 * flat.combined().expanded));
        let at = |of: &Budget| of.known(1.0).unwrap().conformity(0.045, 0.05).unwrap();
        assert!((at(&twice) - 0.625).abs() < 0.004 && (at(&flat) - 0.75).abs() < 0.004);
    }

    /// Where first order does, nothing changes.
    #[test]
    fn without_a_simulation_it_is_students() {
        let normal = budget(&[(SMALL.0, 0.005), (SMALL.0, 0.004)]);
        assert!(normal.known(1.0).is_none());
        let by = |known| decide_known(0.045, Some(0.05), &normal.combined(), known, DecisionRule::GuardBand);
        assert_eq!(by(None), decide(0.045, Some(0.05), &normal.combined(), DecisionRule::GuardBand));
    }
}
