//! A linear filter that goes along with the armature. Pure.
//!
//! Owns: the state of a filter that is driven by the acceleration that a sensor on the table feels, and its step from
//! sample to sample. The filter's equations are stepped jointly with the shaker's, so that its output is that of the
//! continuous filter at every frequency; what the shaker does beyond its linear equations goes linearly within a sample,
//! and at a limit the filter goes through the parts of the sample.
//! Must not: know what the filter stands for; `sensor` does.

use crate::discretise::{Matrix, RampStep, Wave, dot, ramps, tone};
use crate::plant::{PARTS, Passage, Plant, Push};
use crate::shaker::State;
use nalgebra::DMatrix;

/// A filter of `N` states: `ds/dt = a s + b x`, x the felt acceleration in m/s².
#[derive(Clone)]
pub(crate) struct Follower<const N: usize> {
    a: Matrix<N>,
    b: [f64; N],
    period: f64,
    state: [f64; N],
    own: Matrix<N>,
    shaker: [State; N],
    wave: [Wave; N],
    push: [Push; N],
    parts: RampStep<N>,
}

impl<const N: usize> Follower<N> {
    /// A filter on the table of `plant`, settled on what it feels there at rest.
    pub(crate) fn new(a: Matrix<N>, b: [f64; N], plant: &Plant) -> Self {
        let period = plant.period();
        #[expect(clippy::cast_precision_loss, reason = "a small constant")]
        let parts = RampStep::new(&a, &b, period / PARTS as f64);
        let mut filter = Self {
            a,
            b,
            period,
            state: [0.0; N],
            own: [[0.0; N]; N],
            shaker: [[0.0; 4]; N],
            wave: [[0.0; 5]; N],
            push: [[0.0; 6]; N],
            parts,
        };
        filter.settle(plant.felt());
        filter.retune(plant);
        filter
    }

    /// Takes up how the plant is connected and driven now.
    pub(crate) fn retune(&mut self, plant: &Plant) {
        let (shaker, drive) = plant.equations();
        let felt = plant.acceleration_row();
        let pushed = plant.pushed();
        let joint = DMatrix::from_fn(4 + N, 4 + N, |r, c| match (r.checked_sub(4), c.checked_sub(4)) {
            (None, None) => shaker[r][c],
            (None, Some(_)) => 0.0,
            (Some(r), None) => self.b[r] * felt[c],
            (Some(r), Some(c)) => self.a[r][c],
        });
        let mut driven = drive.to_vec();
        driven.resize(4 + N, 0.0);
        let step = tone(&joint, &driven, plant.omega(), self.period);
        self.own = std::array::from_fn(|r| std::array::from_fn(|c| step[(4 + r, 4 + c)]));
        self.shaker = std::array::from_fn(|r| std::array::from_fn(|c| step[(4 + r, c)]));
        self.wave = std::array::from_fn(|r| std::array::from_fn(|c| step[(4 + r, 4 + N + c)]));
        if !plant.is_bent() {
            return;
        }
        // A push on the armature and the pull of gravity are felt at once, beside what they do to the motion.
        let pushes = DMatrix::from_fn(4 + N, 3, |r, c| match r.checked_sub(4) {
            None => pushed[r][c],
            Some(r) => self.b[r] * [1.0, 0.0, 1.0][c],
        });
        let step = ramps(&joint, &pushes, self.period);
        self.push = std::array::from_fn(|r| std::array::from_fn(|c| step[(4 + r, 4 + N + c)]));
    }

    /// The filter's state now.
    #[inline]
    pub(crate) fn state(&self) -> &[f64; N] {
        &self.state
    }

    /// Goes to the next sample along with the shaker.
    #[inline]
    pub(crate) fn step(&mut self, passage: &Passage) {
        let state = self.state;
        if passage.in_parts {
            for [start, end] in &passage.parts {
                self.state = self.parts.apply(&self.state, *start, *end);
            }
            return;
        }
        self.state = std::array::from_fn(|r| {
            dot(&self.own[r], &state)
                + dot(&self.shaker[r], &passage.before)
                + dot(&self.wave[r], &passage.wave)
        });
        if passage.bent {
            for (state, push) in self.state.iter_mut().zip(&self.push) {
                *state += dot(push, &passage.push);
            }
        }
    }

    /// Settles on a constant acceleration: `a s = −b x`, by elimination with pivots; a state that nothing moves stays 0.
    fn settle(&mut self, acceleration: f64) {
        if acceleration == 0.0 {
            return;
        }
        let (mut a, mut right) = (self.a, self.b.map(|b| -b * acceleration));
        let mut row_of = [None; N];
        let mut taken = [false; N];
        for c in 0..N {
            let largest =
                (0..N).filter(|r| !taken[*r]).max_by(|p, q| a[*p][c].abs().total_cmp(&a[*q][c].abs()));
            let Some(pivot) = largest.filter(|r| a[*r][c] != 0.0) else {
                continue;
            };
            (row_of[c], taken[pivot]) = (Some(pivot), true);
            for r in (0..N).filter(|r| *r != pivot) {
                let factor = a[r][c] / a[pivot][c];
                let row = a[pivot];
                for (to, from) in a[r].iter_mut().zip(row) {
                    *to -= factor * from;
                }
                right[r] -= factor * right[pivot];
            }
        }
        self.state = std::array::from_fn(|c| row_of[c].map_or(0.0, |r| right[r] / a[r][c]));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A second-order low-pass followed by a first-order high-pass rests on the acceleration and on nothing.
    #[test]
    fn a_filter_settles_on_what_it_feels() {
        let (natural, damping, corner) = (4000.0, 0.3, 2.0);
        let a = [[0.0, natural, 0.0], [-natural, -2.0 * damping * natural, 0.0], [corner, 0.0, -corner]];
        let mut filter = Follower {
            a,
            b: [0.0, natural, 0.0],
            period: 1e-4,
            state: [0.0; 3],
            own: [[0.0; 3]; 3],
            shaker: [[0.0; 4]; 3],
            wave: [[0.0; 5]; 3],
            push: [[0.0; 6]; 3],
            parts: RampStep::new(&a, &[0.0, natural, 0.0], 1e-5),
        };
        filter.settle(9.5);
        for (got, expected) in filter.state.iter().zip([9.5, 0.0, 9.5]) {
            assert!((got - expected).abs() < 1e-12, "{:?}", filter.state);
        }
    }
}
