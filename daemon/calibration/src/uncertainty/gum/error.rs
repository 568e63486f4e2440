//! Why a model can't be propagated.

use std::fmt;

/// What is wrong with inputs, their correlations, or a model.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum GumError {
    /// An input is not usable.
    Input {
        /// Its name.
        name: String,
        /// What is wrong with it.
        what: &'static str,
    },
    /// The matrix of correlations has not one row and one column for each input.
    Size {
        /// Inputs.
        inputs: usize,
        /// Numbers in the matrix, or in the row that is off.
        numbers: usize,
    },
    /// An element of the matrix is out of place.
    Element {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
        /// The number there.
        value: f64,
        /// What it must be.
        what: &'static str,
    },
    /// No quantities can be correlated so: some combination of them would have a negative variance.
    NotPositive {
        /// The smallest eigenvalue of the matrix.
        smallest: f64,
    },
    /// The model gives something that is no number at the estimates, or a derivative there that is none.
    Model {
        /// Which result, from 0.
        output: usize,
        /// Name of the input by which it was differentiated; `None` for the result itself.
        by: Option<String>,
    },
    /// Terms of higher order are known for independent inputs only.
    HigherOrder,
    /// What was asked of a simulation can't be done.
    Simulation {
        /// What.
        what: &'static str,
    },
}

impl fmt::Display for GumError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input { name, what } => write!(f, "input '{name}': {what}"),
            Self::Size { inputs, numbers } => write!(
                f,
                "{inputs} inputs want {inputs} rows of {inputs} correlations, not {numbers}; write one for each pair, \
                 and 1 on the diagonal"
            ),
            Self::Element { row, column, value, what } => {
                write!(f, "correlation in row {}, column {} is {value}: {what}", row + 1, column + 1)
            }
            Self::NotPositive { smallest } => write!(
                f,
                "no quantities can be correlated so: the matrix has an eigenvalue of {smallest:.3e}, below zero; \
                 correlations that were rounded may need another digit"
            ),
            Self::Model { output, by: None } => {
                write!(f, "result {} of the model is no finite number at the estimates", output + 1)
            }
            Self::Model { output, by: Some(input) } => write!(
                f,
                "result {} of the model has no finite derivative by '{input}' at the estimates; propagate by simulation",
                output + 1
            ),
            Self::HigherOrder => f.write_str(
                "terms of higher order are known for independent inputs only; propagate by simulation",
            ),
            Self::Simulation { what } => write!(f, "simulation: {what}"),
        }
    }
}

impl std::error::Error for GumError {}
