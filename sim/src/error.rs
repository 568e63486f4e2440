//! Why a simulated rig can't be made: what is wrong and what to write instead.

use std::error::Error;
use std::fmt;

/// What is wrong with the rig, the job or the faults as far as the simulator is concerned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimError {
    /// What is wrong.
    pub message: String,
    /// What to do about it.
    pub remedy: String,
}

impl SimError {
    pub(crate) fn new(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { message: message.into(), remedy: remedy.into() }
    }

    /// Passes a finite value above zero; `what` is the value as a person calls it: "the mass of the armature".
    pub(crate) fn positive(value: f64, what: &str, key: &str) -> Result<f64, Self> {
        if value.is_finite() && value > 0.0 {
            return Ok(value);
        }
        Err(Self::new(
            format!("{what} is {value}, which can't be simulated"),
            format!("write a value above zero for {key}"),
        ))
    }

    /// Passes a finite value that is not negative.
    pub(crate) fn not_negative(value: f64, what: &str, key: &str) -> Result<f64, Self> {
        if value.is_finite() && value >= 0.0 {
            return Ok(value);
        }
        Err(Self::new(
            format!("{what} is {value}, which can't be simulated"),
            format!("write zero or more for {key}"),
        ))
    }
}

impl fmt::Display for SimError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message, self.remedy)
    }
}

impl Error for SimError {}
