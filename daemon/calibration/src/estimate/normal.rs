//! Normal equations of a linear fit, solved by Cholesky with a check of the rank. Must not know what the terms mean.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// A term counts as a combination of the others when the share of it that they leave unexplained (the pivot of
/// the scaled Cholesky factor, 1 for an independent term) is below this. At the limit rounding costs about 1e-10.
const SMALLEST_PIVOT: f64 = 1e-6;

/// The terms of a model can't be told apart on this record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct RankDeficient;

/// A factored Gram matrix, with its terms scaled to equal size.
#[derive(Debug, Clone)]
pub(super) struct Factor {
    cholesky: Cholesky<f64, Dyn>,
    scale: DVector<f64>,
}

impl Factor {
    pub(super) fn new(gram: &DMatrix<f64>) -> Result<Self, RankDeficient> {
        let scale = gram.diagonal().map(|square| 1.0 / square.sqrt());
        if !scale.iter().all(|s| s.is_finite()) {
            return Err(RankDeficient);
        }
        let scaled = DMatrix::from_fn(gram.nrows(), gram.ncols(), |r, c| gram[(r, c)] * scale[r] * scale[c]);
        let cholesky = Cholesky::new(scaled).ok_or(RankDeficient)?;
        let independent = cholesky.l_dirty().diagonal().iter().all(|root| root * root >= SMALLEST_PIVOT);
        if independent { Ok(Self { cholesky, scale }) } else { Err(RankDeficient) }
    }

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

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> DVector<f64> {
        DVector::from_fn(256, |n, _| n as f64)
    }

    #[test]
    fn terms_that_repeat_are_noticed() {
        for other in [ramp() * 2.0, DVector::zeros(256)] {
            let columns = DMatrix::from_columns(&[ramp(), other]);
            assert!(Factor::new(&columns.tr_mul(&columns)).is_err());
        }
    }

    /// y = 3 + 2n has one answer.
    #[test]
    fn a_line_is_found() {
        let columns = DMatrix::from_columns(&[DVector::from_element(256, 1.0), ramp()]);
        let line = ramp() * 2.0 + DVector::from_element(256, 3.0);
        let found = Factor::new(&columns.tr_mul(&columns)).unwrap().solve(&columns.tr_mul(&line));
        assert!((found[0] - 3.0).abs() < 1e-11 && (found[1] - 2.0).abs() < 1e-13);
    }
}
