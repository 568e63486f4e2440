//! Normal equations of a linear fit: accumulated block by block, solved by Cholesky with a check of the rank.
//!
//! Owns: the sums, the order in which they are added (fixed, so that results repeat bit for bit), the solution.
//! Must not know what the columns mean.

use super::regressors::{BLOCK, Column};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// A term counts as a combination of the others when the share of it that they leave unexplained (the pivot of
/// the scaled Cholesky factor, 1 for an independent term) is below this. At the limit rounding costs about 1e-10.
const SMALLEST_PIVOT: f64 = 1e-6;

/// The terms of a model can't be told apart on this record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct RankDeficient;

/// Sums of one fit with common terms and one right-hand side a channel.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    terms: usize,
    /// Lower triangle by rows.
    gram: Vec<f64>,
    /// For each channel `terms` sums.
    cross: Vec<f64>,
}

impl Normal {
    pub(super) fn new(terms: usize, channels: usize) -> Self {
        Self { terms, gram: vec![0.0; terms * (terms + 1) / 2], cross: vec![0.0; terms * channels] }
    }

    /// Adds a block to the Gram matrix.
    pub(super) fn add_gram<'a>(&mut self, columns: impl Iterator<Item = &'a Column> + Clone) {
        let pairs = columns
            .clone()
            .enumerate()
            .flat_map(|(row, a)| columns.clone().take(row + 1).map(move |b| (a, b)));
        for (sum, (a, b)) in self.gram.iter_mut().zip(pairs) {
            *sum += dot(a, b);
        }
    }

    /// Adds a block of one channel to its right-hand side.
    pub(super) fn add_cross<'a>(
        &mut self,
        channel: usize,
        columns: impl Iterator<Item = &'a Column>,
        samples: &Column,
    ) {
        for (sum, column) in self.cross.iter_mut().skip(channel * self.terms).zip(columns.take(self.terms)) {
            *sum += dot(column, samples);
        }
    }

    /// The right-hand side of `channel`.
    pub(super) fn cross(&self, channel: usize) -> DVector<f64> {
        DVector::from_iterator(
            self.terms,
            self.cross
                .iter()
                .skip(channel * self.terms)
                .copied()
                .chain(std::iter::repeat(0.0))
                .take(self.terms),
        )
    }

    /// Factors the Gram matrix.
    pub(super) fn factor(&self) -> Result<Factor, RankDeficient> {
        let mut gram = DMatrix::zeros(self.terms, self.terms);
        let mut sums = self.gram.iter();
        for row in 0..self.terms {
            for (column, sum) in (0..=row).zip(&mut sums) {
                gram[(row, column)] = *sum;
                gram[(column, row)] = *sum;
            }
        }
        let scale = gram.diagonal().map(|square| 1.0 / square.sqrt());
        if !scale.iter().all(|s| s.is_finite()) {
            return Err(RankDeficient);
        }
        let scaled = DMatrix::from_fn(self.terms, self.terms, |r, c| gram[(r, c)] * scale[r] * scale[c]);
        let cholesky = Cholesky::new(scaled).ok_or(RankDeficient)?;
        let independent = cholesky.l_dirty().diagonal().iter().all(|root| root * root >= SMALLEST_PIVOT);
        if independent { Ok(Factor { cholesky, scale }) } else { Err(RankDeficient) }
    }
}

/// A factored Gram matrix, with its terms scaled to equal size.
#[derive(Debug)]
pub(super) struct Factor {
    cholesky: Cholesky<f64, Dyn>,
    scale: DVector<f64>,
}

impl Factor {
    /// Coefficients for one right-hand side.
    pub(super) fn solve(&self, cross: &DVector<f64>) -> DVector<f64> {
        self.cholesky.solve(&cross.component_mul(&self.scale)).component_mul(&self.scale)
    }

    /// Inverse of the Gram matrix: covariance of the coefficients for noise of unit variance.
    pub(super) fn unit_covariance(&self) -> DMatrix<f64> {
        let inverse = self.cholesky.inverse();
        DMatrix::from_fn(self.scale.len(), self.scale.len(), |r, c| {
            inverse[(r, c)] * self.scale[r] * self.scale[c]
        })
    }
}

/// Copies samples into a block, zero behind them.
pub(super) fn load(samples: &[f32], block: &mut Column) {
    let values = samples.iter().map(|v| f64::from(*v)).chain(std::iter::repeat(0.0));
    for (slot, value) in block.iter_mut().zip(values) {
        *slot = value;
    }
}

/// Eight running sums, so that the compiler may use vector registers and the order is still fixed.
pub(super) fn dot(a: &Column, b: &Column) -> f64 {
    const LANES: usize = 8;
    const { assert!(BLOCK.is_multiple_of(LANES)) };
    let mut sums = [0.0; LANES];
    for (a, b) in a.as_chunks::<LANES>().0.iter().zip(b.as_chunks::<LANES>().0) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += a * b;
        }
    }
    let [a, b, c, d, e, f, g, h] = sums;
    ((a + b) + (c + d)) + ((e + f) + (g + h))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terms_that_repeat_are_noticed() {
        let mut ramp = [0.0; BLOCK];
        ramp.iter_mut().enumerate().for_each(|(n, v)| *v = n as f64);
        let twice = ramp.map(|v| 2.0 * v);
        for columns in [vec![ramp, twice], vec![ramp, [0.0; BLOCK]]] {
            let mut normal = Normal::new(2, 0);
            normal.add_gram(columns.iter());
            assert!(normal.factor().is_err());
        }
    }

    /// y = 3 + 2n has one answer.
    #[test]
    fn a_line_is_found() {
        let mut ramp = [0.0; BLOCK];
        ramp.iter_mut().enumerate().for_each(|(n, v)| *v = n as f64);
        let columns = [[1.0; BLOCK], ramp];
        let line = ramp.map(|n| 3.0 + 2.0 * n);
        let mut normal = Normal::new(2, 2);
        normal.add_gram(columns.iter());
        normal.add_cross(1, columns.iter(), &line);
        let found = normal.factor().unwrap().solve(&normal.cross(1));
        assert!((found[0] - 3.0).abs() < 1e-11 && (found[1] - 2.0).abs() < 1e-13);
        assert_eq!(normal.cross(0), DVector::zeros(2));
    }
}
