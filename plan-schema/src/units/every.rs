//! All dimensions side by side, to say where a unit belongs that stands at the wrong place.

use super::dimension::*;
use super::spelling::is_spelled;
use crate::registers::{
    ChargePerAcceleration, CurrentPerAcceleration, RatioPerAcceleration, VoltagePerCharge,
};

/// Name and units of a dimension.
type Entry = (&'static str, &'static [Unit]);

macro_rules! entries {
    ($($dimension:ty),* $(,)?) => { [$((<$dimension>::NAME, <$dimension>::UNITS)),*] };
}

/// Every dimension that is written anywhere; of several that share a unit the commonest first.
const EVERY: [Entry; 32] = entries![
    Frequency,
    Time,
    Acceleration,
    Mass,
    Speed,
    Length,
    Voltage,
    Force,
    Current,
    Share,
    VoltagePerAcceleration,
    Resistance,
    Inductance,
    ForceFactor,
    Stiffness,
    SampleRate,
    Gain,
    Transconductance,
    Angle,
    Temperature,
    TemperatureSpan,
    Torque,
    VoltagePerLength,
    AccelerationDensity,
    HeatResistance,
    HeatCapacity,
    AnglePerLength,
    PerKelvin,
    ChargePerAcceleration,
    RatioPerAcceleration,
    CurrentPerAcceleration,
    VoltagePerCharge,
];

/// What a normalised unit is a unit of: "a mass"; of 'g', both that it can be.
pub(super) fn belongs_to(unit: &str) -> Option<String> {
    let mut names = EVERY.iter().filter(|(_, units)| has(units, unit)).map(|(name, _)| *name);
    let first = names.next()?;
    let second = names.next().filter(|_| unit == "g" || unit == "mg");
    Some(second.map_or_else(|| first.to_owned(), |second| format!("{first} or to {second}")))
}

fn has(units: &[Unit], unit: &str) -> bool {
    units.iter().any(|u| u.spellings.iter().any(|s| is_spelled(unit, s)))
}

/// The spelling that a unit has but for large and small letters: 'kHz' for "khz".
pub(super) fn but_for_case(units: &[Unit], unit: &str) -> Option<&'static str> {
    let small = unit.to_lowercase();
    let mut spellings = units.iter().flat_map(|u| u.spellings).copied();
    spellings.find(|s| s.to_lowercase() == small || s.to_lowercase().replace('·', "") == small)
}
