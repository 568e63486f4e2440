//! The registers as runs found them: sensors, references with every version of their calibration, and what is due.

use crate::record::UtcTime;
use crate::record::words::Decision;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What the registers said of everything that was ever mounted here.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Registers {
    /// The day by which it is judged what is due.
    #[schema(format = Date)]
    pub day: String,
    /// What has to be calibrated by when, the earliest first: references by their latest calibration, conditioners and channels
    /// as the rig file says.
    pub due: Vec<Due>,
    /// References, by serial.
    pub references: Vec<RegisteredReference>,
    /// Sensors, by serial.
    pub sensors: Vec<RegisteredSensor>,
}

/// Something that has to be calibrated.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
pub struct Due {
    /// By when.
    #[schema(format = Date)]
    pub due: String,
    /// reference, conditioner or channel.
    pub what: String,
    /// Its serial or name.
    pub name: String,
    /// True where that day is past.
    pub overdue: bool,
}

/// A reference transducer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RegisteredReference {
    /// Serial.
    pub serial: String,
    /// Make, as the register said last.
    pub make: String,
    /// Model.
    pub model: String,
    /// Its calibrations as they were used here, the latest last.
    pub calibrations: Vec<RegisteredCalibration>,
}

/// A version of a calibration of a reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RegisteredCalibration {
    /// Number of its certificate: the version that results name.
    pub certificate: String,
    /// The laboratory that did it.
    pub laboratory: String,
    /// When it was done.
    #[schema(format = Date)]
    pub date: String,
    /// When the next is due.
    #[schema(format = Date)]
    pub due: String,
    /// SHA-256 of the register's entry.
    pub sha256: String,
    /// The run that used this entry first.
    pub run: String,
    /// When that began.
    #[schema(value_type = String, format = DateTime)]
    pub since: UtcTime,
    /// How many runs rest on this certificate.
    pub runs: u32,
}

/// A sensor under test or a check standard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RegisteredSensor {
    /// Serial.
    pub serial: String,
    /// Make, as the register said last.
    pub make: String,
    /// Model.
    pub model: String,
    /// Working principle, a word.
    pub kind: String,
    /// Nominal sensitivity, as it is written.
    pub nominal_sensitivity: String,
    /// How many versions of its entry were used here.
    pub versions: u32,
    /// How many runs it took part in as a sensor under test.
    pub runs: u32,
    /// The last of them.
    pub last_run: Option<String>,
    /// When that began.
    #[schema(value_type = Option<String>, format = DateTime)]
    pub last_started: Option<UtcTime>,
    /// What was decided of it then.
    #[schema(value_type = Option<String>)]
    pub last_decision: Option<Decision>,
}
