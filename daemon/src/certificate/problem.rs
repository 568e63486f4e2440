//! Why no certificate can be made from a request, in words with a remedy.
//!
//! Owns the list; it crosses a process boundary as JSON.

use super::data::SIMULATED;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Why no certificate can be made from a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RequestProblem {
    /// The serial number is empty.
    NoSerial,
    /// The result has no sensor with this serial number.
    SensorMissing(String),
    /// The result was compared with another reference than the request names: theirs, ours.
    OtherReference(String, String),
    /// Released or amended, but without a number.
    NoNumber,
    /// Numbers of simulated results begin with SIMULATED, and no others do.
    SimulatedRelease,
    /// The list of tolerances has another length than the list of points: tolerances, points.
    Tolerances(usize, usize),
    /// Two requests would write the same file.
    SameFile(String),
    /// The rows could not be written.
    Csv(String),
}

impl fmt::Display for RequestProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSerial => f.write_str("the item has no serial number. Write it into the sensor register"),
            Self::SensorMissing(serial) => {
                write!(
                    f,
                    "the result has no sensor with serial number `{serial}`. Take the run that it was in"
                )
            }
            Self::OtherReference(theirs, ours) => write!(
                f,
                "the result was compared with reference `{theirs}`, but the certificate would name `{ours}`. \
                 Take the reference from the run's own register extract"
            ),
            Self::NoNumber => {
                f.write_str("a released certificate needs a number. Give one, or leave it a draft")
            }
            Self::SimulatedRelease => write!(
                f,
                "the number of a simulated result begins with `{SIMULATED}`, and of no other. Give another number"
            ),
            Self::Tolerances(tolerances, points) => write!(
                f,
                "there are {tolerances} tolerances for {points} points. Give one for each point, or none at all"
            ),
            Self::Csv(detail) => write!(f, "the CSV could not be written: {detail}"),
            Self::SameFile(name) => write!(
                f,
                "two certificates would be written to `{name}`. Give the sensors serial numbers that differ in \
                 letters or digits"
            ),
        }
    }
}

impl std::error::Error for RequestProblem {}
