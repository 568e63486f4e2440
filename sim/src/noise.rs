//! Noise with the spectrum that a data sheet states: white, and 1/f below a corner. Pure.
//!
//! Owns: [`Noise`], a stream of samples whose one-sided density is `S (1 + fc/f)`.
//! Must not: know what makes the noise.
//!
//! # How
//! 1/f is a sum of first-order noises (Lorentzians) whose corners lie evenly over the logarithm of frequency,
//! [`PER_DECADE`] to a decade (A. van der Ziel, 1950; from memory): with a ratio `r` between corners and the variance
//! `S fc ln r` for each, the sum is `S fc / f` with a ripple of 0.1 %; at a hundred times the lowest corner it is 1 % short.
//! Drawing each of them would take a dozen normal numbers for a sample. So the sum with the white noise is factored into
//! one filter of a single white noise (spectral factorisation): its zeros lie between its poles and are found by
//! bisection. The filter stands in its partial fractions, so that a sample costs one draw and a multiplication or two per pole.
//!
//! Below [`LOWEST`] the density is flat. The filter begins at rest, as if the zero
//! had just been set; what is slower than the time that has passed has not yet come up.

use crate::random::Normal;

/// Corners of first-order noise per decade of frequency.
const PER_DECADE: f64 = 2.0;

/// Lowest corner in Hz.
const LOWEST: f64 = 1e-4;

/// The highest corner as a multiple of the 1/f corner, and as a share of the sample rate: whichever is lower.
const HIGHEST: (f64, f64) = (100.0, 0.15);

/// Poles that are worked on side by side, most such groups of a filter, and most poles.
const LANES: usize = 4;
const GROUPS: usize = 5;
const POLES: usize = LANES * GROUPS;

/// A value for each pole.
type PerPole = [[f64; LANES]; GROUPS];

/// Samples that are drawn at once.
const BATCH: usize = 64;

/// Noise of a stated density.
#[derive(Clone)]
pub(crate) struct Noise {
    normal: Normal,
    /// Root mean square of the white part per sample.
    rms: f64,
    shape: Shape,
    state: PerPole,
}

impl Noise {
    /// Noise that belongs to `name`: its white part has the root mean square `rms` per sample; below `corner` in Hz (0
    /// for none) 1/f noise exceeds it.
    pub(crate) fn new(seed: u64, name: &str, rms: f64, corner: f64, rate: f64) -> Self {
        Self {
            normal: Normal::new(seed, name),
            rms,
            shape: Shape::design(corner, rate),
            state: [[0.0; LANES]; GROUPS],
        }
    }

    /// Adds the next stretch of noise to `signal`.
    pub(crate) fn add_to(&mut self, signal: &mut [f64]) {
        if self.rms <= 0.0 {
            return;
        }
        let mut drawn = [0.0; BATCH];
        for part in signal.chunks_mut(BATCH) {
            let Some(drawn) = drawn.get_mut(..part.len()) else {
                continue;
            };
            self.normal.fill(drawn);
            self.shape.filter(&mut self.state, drawn);
            for (to, from) in part.iter_mut().zip(drawn) {
                *to += self.rms * *from;
            }
        }
    }

    /// Adds white noise of another root mean square in place of the next stretch: the one that the stretch would have is
    /// drawn all the same, so that what comes later stays as it is.
    pub(crate) fn add_white_to(&mut self, rms: f64, signal: &mut [f64]) {
        if self.rms <= 0.0 {
            return;
        }
        let mut drawn = [0.0; BATCH];
        for part in signal.chunks_mut(BATCH) {
            let Some(drawn) = drawn.get_mut(..part.len()) else {
                continue;
            };
            self.normal.fill(drawn);
            for (to, from) in part.iter_mut().zip(drawn.iter()) {
                *to += rms * *from;
            }
            self.shape.filter(&mut self.state, drawn);
        }
    }
}

/// `gain (1 + Σ weight z⁻¹/(1 − pole z⁻¹))`.
#[derive(Debug, Clone, PartialEq)]
struct Shape {
    gain: f64,
    poles: PerPole,
    weights: PerPole,
    /// Groups in use; poles of the last one that are not have weight 0.
    groups: usize,
}

impl Shape {
    /// The filter that gives white noise of unit variance the density `1 + corner/f`, relative to the white one.
    fn design(corner: f64, rate: f64) -> Self {
        let mut shape =
            Self { gain: 1.0, poles: [[0.0; LANES]; GROUPS], weights: [[0.0; LANES]; GROUPS], groups: 0 };
        let highest = (HIGHEST.0 * corner).min(HIGHEST.1 * rate);
        // Written so that what is no number gives white noise.
        if !(corner > 0.0 && highest > LOWEST) {
            return shape;
        }
        let lorentzians = Lorentzians::over(LOWEST, highest, corner, rate);
        let zeros = lorentzians.zeros();
        let apart = &lorentzians.apart;
        for (n, p) in apart.iter().enumerate() {
            // Residue of the n-th pole; differences of poles and zeros from 1, for both may lie near it.
            let pole = 1.0 - p;
            let mut residue = 1.0;
            for (k, z) in zeros.iter().enumerate() {
                residue *= (z - p) / pole;
                if let Some(other) = apart.get(k).filter(|_| k != n) {
                    residue *= pole / (other - p);
                }
            }
            shape.gain *= (pole / (1.0 - zeros.get(n).copied().unwrap_or(*p))).sqrt();
            let (poles, weights) = (shape.poles.as_flattened_mut(), shape.weights.as_flattened_mut());
            if let (Some(to), Some(weight)) = (poles.get_mut(n), weights.get_mut(n)) {
                *to = pole;
                *weight = residue * pole;
            }
        }
        shape.groups = apart.len().div_ceil(LANES).min(GROUPS);
        shape
    }

    /// Filters a stretch of white noise in its place.
    #[inline]
    fn filter(&self, state: &mut PerPole, white: &mut [f64]) {
        if self.groups == 0 {
            return;
        }
        for sample in white {
            let drawn = *sample;
            let mut sums = [0.0; LANES];
            let groups = state.iter_mut().zip(&self.poles).zip(&self.weights);
            for ((state, poles), weights) in groups.take(self.groups) {
                for lane in 0..LANES {
                    sums[lane] += weights[lane] * state[lane];
                    state[lane] = poles[lane] * state[lane] + drawn;
                }
            }
            let [a, b, c, d] = sums;
            *sample = self.gain * (drawn + ((a + b) + (c + d)));
        }
    }
}

/// White noise of unit variance and first-order noises, as poles and their densities in sampled time: the density at the
/// angle `w` is `1 + Σ size/(u_n + 1 − cos w)`.
#[derive(Clone)]
struct Lorentzians {
    /// Distance of each pole from 1, ascending.
    apart: Vec<f64>,
    /// Where each density would have its pole in `cos w − 1`.
    u: Vec<f64>,
    size: Vec<f64>,
}

impl Lorentzians {
    fn over(lowest: f64, highest: f64, corner: f64, rate: f64) -> Self {
        let decades = (highest / lowest).log10();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive number; what is too many is cut off"
        )]
        let count = ((decades * PER_DECADE).round() as usize + 1).min(POLES);
        #[expect(clippy::cast_precision_loss, reason = "a small number")]
        let ratio = (highest / lowest).powf(1.0 / (count as f64 - 1.0).max(1.0));
        let (mut apart, mut u, mut size) = (Vec::new(), Vec::new(), Vec::new());
        let mut frequency = lowest;
        for _ in 0..count {
            let turn = std::f64::consts::TAU * frequency / rate;
            let distance = -(-turn).exp_m1();
            let pole = 1.0 - distance;
            // Variance S fc ln r, the white one being S rate/2; a first-order noise of variance v in sampled time has the
            // density v (1 − p²)/(1 + p² − 2 p cos w).
            let variance = corner * ratio.ln() / (rate / 2.0);
            apart.push(distance);
            u.push(distance * distance / (2.0 * pole));
            size.push(variance * distance * (1.0 + pole) / (2.0 * pole));
            frequency *= ratio;
        }
        Self { apart, u, size }
    }

    /// Distances of the zeros from 1: one between two poles, one beyond the last.
    fn zeros(&self) -> Vec<f64> {
        let density = |u: f64| 1.0 + self.u.iter().zip(&self.size).map(|(p, s)| s / (p - u)).sum::<f64>();
        self.u
            .iter()
            .enumerate()
            .map(|(n, low)| {
                let (mut low, mut high) = (*low, self.u.get(n + 1).copied().unwrap_or(0.0));
                if high <= low {
                    // Beyond the last pole; far out the density is 1.
                    high = 2.0 * low;
                    while density(high) < 0.0 && high < 1e12 {
                        high *= 2.0;
                    }
                }
                // From −∞ just above a pole to +∞ just below the next.
                for _ in 0..200 {
                    let middle = low + (high - low) / 2.0;
                    if density(middle) < 0.0 {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                // 1 + z² − 2 z (1 + u) = 0
                (low * low + 2.0 * low).sqrt() - low
            })
            .collect()
    }
}

#[cfg(test)]
mod tests;
