//! Correlations between inputs.

use super::GumError;
use nalgebra::{DMatrix, SymmetricEigen};

/// How far an eigenvalue may lie below zero by rounding alone.
const ROUNDING: f64 = 1e-12;

/// A matrix of correlations: symmetric, 1 on the diagonal, positive semi-definite.
#[derive(Debug, Clone, PartialEq)]
pub struct Correlations {
    matrix: DMatrix<f64>,
}

impl Correlations {
    /// Inputs that have nothing to do with each other.
    #[must_use]
    pub fn independent(inputs: usize) -> Self {
        Self { matrix: DMatrix::identity(inputs, inputs) }
    }

    /// The matrix, row by row.
    ///
    /// # Errors
    /// `Size`; `Element` for a number outside −1 … 1, a diagonal that is not 1, a pair that disagrees; `NotPositive`.
    pub fn new(rows: &[Vec<f64>]) -> Result<Self, GumError> {
        let inputs = rows.len();
        if let Some(row) = rows.iter().find(|row| row.len() != inputs) {
            return Err(GumError::Size { inputs, numbers: row.len() });
        }
        let matrix = DMatrix::from_row_iterator(inputs, inputs, rows.iter().flatten().copied());
        for row in 0..inputs {
            for column in 0..inputs {
                let value = matrix[(row, column)];
                let what = if !(-1.0..=1.0).contains(&value) {
                    "a correlation lies between −1 and 1"
                } else if row == column && (value - 1.0).abs() > f64::EPSILON {
                    "a quantity has a correlation of 1 with itself"
                } else if (value - matrix[(column, row)]).abs() > f64::EPSILON {
                    "it must be the same in both orders"
                } else {
                    continue;
                };
                return Err(GumError::Element { row, column, value, what });
            }
        }
        if inputs > 0 {
            let smallest = SymmetricEigen::new(matrix.clone()).eigenvalues.min();
            if smallest < -ROUNDING * inputs as f64 {
                return Err(GumError::NotPositive { smallest });
            }
        }
        Ok(Self { matrix })
    }

    /// Independent but for these pairs: positions of two inputs, and their correlation.
    ///
    /// # Errors
    /// As [`Self::new`]; `Size` for a position that is none.
    pub fn of_pairs(inputs: usize, pairs: &[(usize, usize, f64)]) -> Result<Self, GumError> {
        let mut rows: Vec<Vec<f64>> =
            (0..inputs).map(|i| (0..inputs).map(|j| f64::from(u8::from(i == j))).collect()).collect();
        for &(a, b, r) in pairs {
            for (row, column) in [(a, b), (b, a)] {
                let numbers = row.max(column) + 1;
                *rows
                    .get_mut(row)
                    .and_then(|r| r.get_mut(column))
                    .ok_or(GumError::Size { inputs, numbers })? = r;
            }
        }
        Self::new(&rows)
    }

    /// Number of inputs.
    #[must_use]
    pub fn inputs(&self) -> usize {
        self.matrix.nrows()
    }

    /// Correlation of two inputs; 0 for positions that are none.
    #[must_use]
    pub fn of(&self, a: usize, b: usize) -> f64 {
        self.matrix.get((a, b)).copied().unwrap_or(0.0)
    }

    /// True if no two inputs are correlated.
    #[must_use]
    pub fn are_none(&self) -> bool {
        let size = self.inputs();
        (0..size).all(|a| (0..a).all(|b| self.matrix[(a, b)] == 0.0))
    }

    /// Groups of inputs that are correlated, directly or through others; those that are not make a group each.
    #[must_use]
    pub fn groups(&self) -> Vec<Vec<usize>> {
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for input in 0..self.inputs() {
            let (tied, mut rest): (Vec<_>, Vec<_>) =
                groups.into_iter().partition(|group| group.iter().any(|&other| self.of(input, other) != 0.0));
            let mut group: Vec<usize> = tied.into_iter().flatten().collect();
            group.push(input);
            rest.push(group);
            groups = rest;
        }
        groups
    }

    /// A matrix R with R·Rᵀ equal to this one; of singular matrices too.
    pub(super) fn root(&self) -> DMatrix<f64> {
        if self.are_none() {
            return self.matrix.clone();
        }
        let eigen = SymmetricEigen::new(self.matrix.clone());
        let scales = eigen.eigenvalues.map(|value| value.max(0.0).sqrt());
        eigen.eigenvectors * DMatrix::from_diagonal(&scales)
    }
}
