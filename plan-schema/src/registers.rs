//! The registers: sensors that may be calibrated, and references with all versions of their calibration.

use crate::plan::Format;
use crate::read::{Node, Notes, Written};
use crate::units::{
    Accel, AccelerationDensity, Fraction, Hertz, Kilograms, Peak, PerKelvin, Quantity, Radians, Sensitivity,
    VoltsDc,
};
use crate::{written_table, written_words};
use std::fmt;

written_table! {
    /// The register of sensors.
    pub struct SensorRegister {
        /// Format of the file; 1.
        pub format: Format,
        /// The sensors.
        pub sensors key "sensor": Vec<Sensor>,
    }
}

written_words! {
    /// Working principle of a sensor.
    pub enum SensorKind {
        /// Capacitive MEMS with DC response.
        DcMems = "dc_mems",
        /// Piezoresistive bridge with amplifier.
        Piezoresistive = "piezoresistive",
        /// Piezoelectric with built-in electronics on a constant current.
        Iepe = "iepe",
        /// Piezoelectric with a charge amplifier.
        Charge = "charge",
        /// Servo accelerometer.
        Servo = "servo",
    }
}

written_table! {
    /// A sensor under test, as register and data sheet describe it.
    pub struct Sensor {
        /// Serial number; the key of the register.
        pub serial: String,
        /// Make.
        pub make: String,
        /// Model.
        pub model: String,
        /// Working principle.
        pub kind: SensorKind,
        /// Nominal sensitivity at the output of its conditioner.
        pub nominal_sensitivity: Sensitivity,
        /// Measuring range.
        pub range: Accel<Peak>,
        /// Mass without cable.
        pub mass: Kilograms,
        /// Output at rest.
        pub zero_output: VoltsDc = VoltsDc::ZERO,
        /// Supply voltage.
        pub supply: Option<VoltsDc>,
        /// Output noise, as acceleration.
        pub noise_density: Quantity<AccelerationDensity>,
        /// Natural frequency of the second-order response.
        pub natural_frequency: Option<Hertz>,
        /// Damping of the second-order response as a share of critical damping.
        pub damping_ratio: Option<Fraction>,
        /// Lower corner of a first-order high-pass; absent for DC response.
        pub lower_corner: Option<Hertz>,
        /// Largest cross-axis response.
        pub transverse_sensitivity: Fraction,
        /// Change of sensitivity with temperature.
        pub temperature_coefficient: Quantity<PerKelvin>,
        /// Tolerance that goes before the plan's.
        pub tolerance: Option<Fraction>,
    }
}

written_table! {
    /// The register of reference transducers.
    pub struct ReferenceRegister {
        /// Format of the file; 1.
        pub format: Format,
        /// The references.
        pub references key "reference": Vec<Reference>,
    }
}

written_words! {
    /// What a calibration of the reference covers.
    pub enum CalibratedAs {
        /// The sensor alone.
        Sensor = "sensor",
        /// Sensor, cable and conditioner together.
        Chain = "chain",
    }
}

written_table! {
    /// A reference transducer.
    pub struct Reference {
        /// Serial number; the key of the register.
        pub serial: String,
        /// Make.
        pub make: String,
        /// Model.
        pub model: String,
        /// What its calibration covers.
        pub calibrated_as: CalibratedAs,
        /// Measuring range.
        pub range: Accel<Peak>,
        /// Output at rest.
        pub zero_output: VoltsDc = VoltsDc::ZERO,
        /// Output noise, as acceleration.
        pub noise_density: Quantity<AccelerationDensity>,
        /// Largest cross-axis response.
        pub transverse_sensitivity: Fraction,
        /// Change of sensitivity with temperature.
        pub temperature_coefficient: Quantity<PerKelvin>,
        /// Largest drift in a year.
        pub drift_per_year: Fraction,
        /// Its calibrations, the latest last.
        pub calibrations key "calibration": Vec<ReferenceCalibration>,
    }
}

impl Reference {
    /// The calibration in force: the latest by date.
    #[must_use]
    pub fn current(&self) -> Option<&ReferenceCalibration> {
        self.calibrations.iter().max_by_key(|c| c.date)
    }
}

written_table! {
    /// One calibration of a reference.
    pub struct ReferenceCalibration {
        /// Number of its certificate; the version by which results name it.
        pub certificate: String,
        /// The laboratory that did it.
        pub laboratory: String,
        /// When it was done.
        pub date: Date,
        /// When the next is due.
        pub due: Date,
        /// Coverage factor of the uncertainties.
        pub coverage_factor: CoverageFactor = CoverageFactor(2.0),
        /// Its results by frequency, ascending.
        pub points key "point": Vec<ReferencePoint>,
    }
}

written_table! {
    /// Sensitivity of a reference at one frequency.
    pub struct ReferencePoint {
        /// Frequency.
        pub frequency: Hertz,
        /// Magnitude of the sensitivity.
        pub sensitivity: Sensitivity,
        /// Phase of the output against the acceleration, lag negative; absent if it was not calibrated.
        pub phase: Option<Radians>,
        /// Expanded uncertainty of the magnitude.
        pub u: Fraction,
        /// Expanded uncertainty of the phase.
        pub u_phase: Option<Radians>,
    }
}

/// A coverage factor: a plain number, at least 1.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(transparent)]
pub struct CoverageFactor(pub f64);

impl Written for CoverageFactor {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let value: Option<f64> = match node.value {
            toml::de::DeValue::Float(x) => x.as_str().parse().ok(),
            toml::de::DeValue::Integer(n) => n.as_str().parse().ok(),
            _ => None,
        };
        match value {
            Some(k) if (1.0..=10.0).contains(&k) => Some(Self(k)),
            _ => {
                let remedy = "write the factor of the certificate, such as coverage_factor = 2".to_owned();
                notes.error(Some(node.span), "a coverage factor is a number from 1 to 10", Some(remedy));
                None
            }
        }
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({ "type": "number", "minimum": 1, "maximum": 10, "examples": [2.0] })
    }
}

/// A day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    /// Year.
    pub year: u16,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day of the month.
    pub day: u8,
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

impl serde::Serialize for Date {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl std::str::FromStr for Date {
    type Err = String;

    /// Reads year-month-day.
    fn from_str(text: &str) -> Result<Self, String> {
        let day =
            text.parse::<toml::value::Datetime>().ok().filter(|t| t.time.is_none()).and_then(|t| t.date);
        match day {
            Some(d) => Ok(Self { year: d.year, month: d.month, day: d.day }),
            None => Err(format!("'{text}' is no date; write year-month-day: 2026-03-31")),
        }
    }
}

impl Written for Date {
    /// Accepts a TOML date and a text of the same form (what JSON can hold).
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let date = match node.value {
            toml::de::DeValue::Datetime(t) if t.time.is_none() => {
                t.date.map(|d| Self { year: d.year, month: d.month, day: d.day })
            }
            toml::de::DeValue::String(text) => text.parse().ok(),
            _ => None,
        };
        if date.is_none() {
            notes.error(
                Some(node.span),
                "this should be a date",
                Some("write year-month-day: 2026-03-31".to_owned()),
            );
        }
        date
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({
            "type": "string",
            "description": "Written as year-month-day, without quotes.",
            "format": "date",
            "examples": ["2026-03-31"],
        })
    }
}
