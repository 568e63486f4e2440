//! What leaves a sensor, and what makes volts of it: sensitivities of every kind of output, gains of conditioners.
//!
//! Owns: [`OutputSensitivity`], [`ConditionerGain`] and how the two meet. A transducer whose output is no voltage (charge,
//! current, the ratio of a bridge) gets one by its conditioner's gain, its shunt or its excitation; from there on the house
//! speaks of V/(m/s²) alone. Must not: know channels.

use crate::read::{Node, Notes, Written};
use crate::units::{
    Dimension, Gain, Ohms, Quantity, QuantityError, Resistance, STANDARD_GRAVITY, Sensitivity, Unit,
    VoltagePerAcceleration, VoltsDc, pattern,
};
use serde_json::{Value, json};
use std::fmt;
use std::str::FromStr;
use toml::de::DeValue;

const fn unit(spellings: &'static [&'static str], exponent: i32, factor: f64) -> Unit {
    Unit { spellings, exponent, factor }
}

const PER_G: f64 = 1.0 / STANDARD_GRAVITY;

/// Charge per acceleration, C/(m/s²).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChargePerAcceleration {}

impl Dimension for ChargePerAcceleration {
    const NAME: &'static str = "a charge sensitivity";
    const SI: &'static str = "C/(m/s2)";
    const UNITS: &'static [Unit] = &[
        unit(&["pC/g"], -12, PER_G),
        unit(&["pC/(m/s2)", "pC·s2/m"], -12, 1.0),
        unit(&["nC/g"], -9, PER_G),
        unit(&["nC/(m/s2)"], -9, 1.0),
        unit(&["C/(m/s2)"], 0, 1.0),
    ];
    const EXAMPLE: &'static str = "100 pC/g";
}

/// Output of a bridge per volt of its excitation and acceleration, (V/V)/(m/s²).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RatioPerAcceleration {}

impl Dimension for RatioPerAcceleration {
    const NAME: &'static str = "a sensitivity of a bridge";
    const SI: &'static str = "(V/V)/(m/s2)";
    const UNITS: &'static [Unit] = &[
        unit(&["mV/V/g", "(mV/V)/g", "mV/(V·g)"], -3, PER_G),
        unit(&["mV/V/(m/s2)", "(mV/V)/(m/s2)"], -3, 1.0),
        unit(&["uV/V/g", "(uV/V)/g"], -6, PER_G),
        unit(&["V/V/g", "(V/V)/g"], 0, PER_G),
        unit(&["(V/V)/(m/s2)", "V/V/(m/s2)"], 0, 1.0),
    ];
    const EXAMPLE: &'static str = "2 mV/V/g";
}

/// Current per acceleration, A/(m/s²).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurrentPerAcceleration {}

impl Dimension for CurrentPerAcceleration {
    const NAME: &'static str = "a sensitivity of a current output";
    const SI: &'static str = "A/(m/s2)";
    const UNITS: &'static [Unit] = &[
        unit(&["mA/g"], -3, PER_G),
        unit(&["mA/(m/s2)"], -3, 1.0),
        unit(&["uA/g"], -6, PER_G),
        unit(&["A/g"], 0, PER_G),
        unit(&["A/(m/s2)"], 0, 1.0),
    ];
    const EXAMPLE: &'static str = "1.6 mA/g";
}

/// Voltage per charge, V/C: a charge amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VoltagePerCharge {}

impl Dimension for VoltagePerCharge {
    const NAME: &'static str = "a gain of a charge amplifier";
    const SI: &'static str = "V/C";
    const UNITS: &'static [Unit] = &[
        // 1 mV/pC = 1e9 V/C
        unit(&["mV/pC", "V/nC"], 9, 1.0),
        unit(&["V/pC"], 12, 1.0),
        unit(&["V/C"], 0, 1.0),
    ];
    const EXAMPLE: &'static str = "1 mV/pC";
}

/// Sensitivity of a transducer in the unit of its own output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum OutputSensitivity {
    /// A voltage: "100 mV/g"
    Voltage(Sensitivity),
    /// A share of the excitation: "2 mV/V/g"
    Ratio(Quantity<RatioPerAcceleration>),
    /// A charge: "100 pC/g"
    Charge(Quantity<ChargePerAcceleration>),
    /// A current: "1.6 mA/g"
    Current(Quantity<CurrentPerAcceleration>),
}

/// What leaves a transducer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutputKind {
    /// A voltage.
    Voltage,
    /// A share of the excitation.
    Ratio,
    /// A charge.
    Charge,
    /// A current.
    Current,
}

impl OutputSensitivity {
    /// The number in its own coherent SI unit: V, V/V, C or A per m/s².
    #[must_use]
    pub const fn si(self) -> f64 {
        match self {
            Self::Voltage(s) => s.si(),
            Self::Ratio(s) => s.si(),
            Self::Charge(s) => s.si(),
            Self::Current(s) => s.si(),
        }
    }

    /// What it is a sensitivity of.
    #[must_use]
    pub const fn kind(self) -> OutputKind {
        match self {
            Self::Voltage(_) => OutputKind::Voltage,
            Self::Ratio(_) => OutputKind::Ratio,
            Self::Charge(_) => OutputKind::Charge,
            Self::Current(_) => OutputKind::Current,
        }
    }

    /// The voltage for one m/s², where one SI unit of the output makes `volts` of it.
    #[must_use]
    pub fn in_volts(self, volts: f64) -> Sensitivity {
        Sensitivity::new(self.si() * volts)
    }
}

impl OutputKind {
    /// Volts that one SI unit of the output makes: 1 of a voltage, the excitation of a bridge, the gain of a charge
    /// amplifier, the shunt of a current. `None` where what it takes is not stated.
    #[must_use]
    pub fn volts(self, excitation: Option<VoltsDc>, conditioner: Option<ConditionerGain>) -> Option<f64> {
        match (self, conditioner) {
            (Self::Voltage, None | Some(ConditionerGain::Voltage(_))) => Some(1.0),
            (Self::Ratio, None | Some(ConditionerGain::Voltage(_))) => excitation.map(Quantity::si),
            (Self::Charge, Some(ConditionerGain::Charge(gain))) => Some(gain.si()),
            (Self::Current, Some(ConditionerGain::Current(shunt))) => Some(shunt.si()),
            _ => None,
        }
    }

    /// What leaves the transducer, in words.
    #[must_use]
    pub const fn in_words(self) -> &'static str {
        match self {
            Self::Voltage => "a voltage",
            Self::Ratio => "a share of its excitation",
            Self::Charge => "a charge",
            Self::Current => "a current",
        }
    }

    /// The conditioner's gain that it takes, as it may be written.
    #[must_use]
    pub const fn takes(self) -> &'static str {
        match self {
            Self::Voltage | Self::Ratio => "conditioner_gain = \"10 V/V\", or none",
            Self::Charge => "conditioner_gain = \"1 mV/pC\"",
            Self::Current => "conditioner_gain = \"250 Ω\", the shunt",
        }
    }
}

/// Gain of a conditioner: what it makes volts of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ConditionerGain {
    /// An amplifier: "10 V/V"
    Voltage(Quantity<Gain>),
    /// A charge amplifier: "1 mV/pC"
    Charge(Quantity<VoltagePerCharge>),
    /// The shunt of a current loop: "250 Ω"
    Current(Ohms),
}

impl ConditionerGain {
    /// The number in its own coherent SI unit: V/V, V/C or Ω.
    #[must_use]
    pub const fn si(self) -> f64 {
        match self {
            Self::Voltage(gain) => gain.si(),
            Self::Charge(gain) => gain.si(),
            Self::Current(shunt) => shunt.si(),
        }
    }

    /// As a person writes it: "1 mV/pC".
    #[must_use]
    pub fn in_words(self) -> String {
        match self {
            Self::Voltage(gain) => format!("{} V/V", gain.si()),
            Self::Charge(gain) => format!("{} mV/pC", gain.si() / 1e9),
            Self::Current(shunt) => format!("{} Ω", shunt.si()),
        }
    }

    /// The factor by which it enlarges a voltage; 1 of what makes a voltage of something else.
    #[must_use]
    pub const fn of_voltage(self) -> f64 {
        match self {
            Self::Voltage(gain) => gain.si(),
            Self::Charge(_) | Self::Current(_) => 1.0,
        }
    }
}

/// What was read, or what the next dimension makes of it where only the unit was unknown.
fn or_try<T>(
    earlier: Result<T, QuantityError>,
    next: impl FnOnce() -> Result<T, QuantityError>,
) -> Result<T, QuantityError> {
    match earlier {
        Err(error) if error.is_unknown_unit() => match next() {
            Err(other) if other.is_unknown_unit() => Err(error),
            other => other,
        },
        other => other,
    }
}

impl FromStr for OutputSensitivity {
    type Err = QuantityError;

    /// Tries a voltage first: its message is the one shown when no dimension fits.
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let voltage = text.parse().map(Self::Voltage);
        let ratio = or_try(voltage, || text.parse().map(Self::Ratio));
        let charge = or_try(ratio, || text.parse().map(Self::Charge));
        or_try(charge, || text.parse().map(Self::Current)).map_err(|mut error| {
            if error.is_unknown_unit() {
                error.remedy =
                    "use mV/g or mV/(m/s2), pC/g for a charge, mV/V/g for a bridge, mA/g for a current, \
                                such as \"12 mV/g\""
                        .to_owned();
            }
            error
        })
    }
}

impl FromStr for ConditionerGain {
    type Err = QuantityError;

    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let voltage = text.parse().map(Self::Voltage);
        let charge = or_try(voltage, || text.parse().map(Self::Charge));
        or_try(charge, || text.parse().map(Self::Current)).map_err(|mut error| {
            if error.is_unknown_unit() {
                error.remedy =
                    "use V/V for an amplifier, mV/pC for a charge amplifier, ohm for a shunt, such as \
                                \"1 mV/pC\""
                        .to_owned();
            }
            error
        })
    }
}

/// Displays as the quantity that it is, and reads back to the same bits.
macro_rules! written_quantities {
    ($name:ident, $($variant:ident = $dimension:ty)|+, $like:ty, $description:literal, $examples:expr) => {
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match self { $(Self::$variant(value) => value.fmt(f)),+ }
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl Written for $name {
            fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
                let DeValue::String(text) = node.value else {
                    // What is no text is explained as for any quantity.
                    return <$like>::read(node, notes).map(Self::Voltage);
                };
                match text.parse() {
                    Ok(value) => Some(value),
                    Err(error) => {
                        notes.error(Some(node.span), error.message, Some(error.remedy));
                        None
                    }
                }
            }

            fn schema() -> Value {
                json!({
                    "type": "string",
                    "description": $description,
                    "pattern": pattern(&[$(<$dimension>::UNITS),+], &[]),
                    "patternErrorMessage": $description,
                    "examples": $examples,
                })
            }
        }
    };
}

written_quantities!(
    OutputSensitivity,
    Voltage = VoltagePerAcceleration | Ratio =
        RatioPerAcceleration | Charge = ChargePerAcceleration | Current = CurrentPerAcceleration,
    Sensitivity,
    "Written per acceleration: a voltage (mV/g, mV/(m/s²)), a charge (pC/g, pC/(m/s²)), a bridge's share of its excitation \
     (mV/V/g), a current (mA/g).",
    ["12 mV/g", "10 mV/(m/s²)", "100 pC/g", "2 mV/V/g", "1.6 mA/g"]
);

written_quantities!(
    ConditionerGain,
    Voltage = Gain | Charge = VoltagePerCharge | Current = Resistance,
    Quantity<Gain>,
    "Written as what it makes volts of: V/V of an amplifier, mV/pC of a charge amplifier, Ω of the shunt of a current loop.",
    ["10 V/V", "1 mV/pC", "250 Ω"]
);

#[cfg(test)]
mod tests;
