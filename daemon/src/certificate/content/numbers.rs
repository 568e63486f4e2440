//! Numbers and units as print: signs, scales, places.
//!
//! Owns the small formats that facts, table and texts share. Must not decide what is printed.

use crate::certificate::rounding::{self, Rounded};
use crate::record::words::SensitivityUnit;
use plan_schema::units::STANDARD_GRAVITY;

/// Shown where a number does not exist.
pub(super) const NOTHING: &str = "–";

/// Puts the typographic minus sign in.
pub(super) fn print(ascii: &str) -> String {
    ascii.replace('-', "−")
}

/// The same, with a plus sign on positive values.
pub(super) fn print_signed(ascii: &str) -> String {
    let zero = ascii.chars().all(|c| matches!(c, '0' | '.'));
    if zero || ascii.starts_with('-') { print(ascii) } else { format!("+{ascii}") }
}

/// A value for information, to a number of significant digits; a dash where there is none.
pub(super) fn informative(value: Option<f64>, digits: u8) -> String {
    value
        .and_then(|v| rounding::significant(v, digits))
        .map_or_else(|| NOTHING.to_owned(), |text| print(&text))
}

/// A frequency as the plan states it: no digits added, none lost.
pub(super) fn frequency(hertz: f64) -> String {
    hertz.to_string()
}

/// A value to the place of its uncertainty; without uncertainty four significant digits.
pub(super) fn to_uncertainty(value: f64, uncertainty: Option<f64>) -> Option<Rounded> {
    uncertainty.and_then(|u| rounding::with_uncertainty(value, u)).or_else(|| {
        let value = rounding::significant(value, 4)?;
        Some(Rounded { value, uncertainty: NOTHING.to_owned() })
    })
}

/// A direct voltage with five significant digits, in volts or millivolts.
pub(super) fn volts(value: f64) -> String {
    let (scaled, unit) = if value.abs() < 0.1 { (value * 1e3, "mV") } else { (value, "V") };
    // Below a microvolt nothing is known: such a value is a zero.
    let text =
        if scaled.abs() < 1e-3 && unit == "mV" { "0".to_owned() } else { informative(Some(scaled), 5) };
    format!("{text} {unit}")
}

/// How a sensitivity is printed: by gravity and by SI unit of acceleration.
pub(super) struct SensitivityScale {
    /// Unit in terms of g.
    pub(super) unit_per_g: &'static str,
    /// Unit in terms of m/s².
    pub(super) unit_per_mps2: &'static str,
    factor: f64,
}

impl SensitivityScale {
    /// The customary scale for a kind of output.
    pub(super) const fn of(unit: SensitivityUnit) -> Self {
        match unit {
            SensitivityUnit::VoltPerMps2 => {
                Self { unit_per_g: "mV/g", unit_per_mps2: "mV/(m/s²)", factor: 1e3 }
            }
            SensitivityUnit::CoulombPerMps2 => {
                Self { unit_per_g: "pC/g", unit_per_mps2: "pC/(m/s²)", factor: 1e12 }
            }
            SensitivityUnit::VoltPerVoltPerMps2 => {
                Self { unit_per_g: "(mV/V)/g", unit_per_mps2: "(mV/V)/(m/s²)", factor: 1e3 }
            }
        }
    }

    /// From SI to the printed unit per m/s².
    pub(super) fn per_mps2(&self, si: f64) -> f64 {
        si * self.factor
    }

    /// From SI to the printed unit per g.
    pub(super) fn per_g(&self, si: f64) -> f64 {
        si * self.factor * STANDARD_GRAVITY
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn voltages_choose_their_scale() {
        assert_eq!(volts(2.501_234), "2.5012 V");
        assert_eq!(volts(-0.001_234_56), "−1.2346 mV");
        assert_eq!(volts(1e-9), "0 mV");
    }

    #[test]
    fn signs_are_typographic() {
        assert_eq!(
            [print_signed("0.34"), print_signed("-0.34"), print_signed("0.00")],
            ["+0.34", "−0.34", "0.00"]
        );
        assert_eq!(informative(Some(-0.5), 3), "−0.500");
        assert_eq!(informative(None, 3), NOTHING);
    }

    #[test]
    fn frequencies_keep_their_digits() {
        assert_eq!([frequency(0.5), frequency(31.5), frequency(100.0)], ["0.5", "31.5", "100"]);
    }

    /// 1 g = 9.80665 m/s² (CGPM 1901).
    #[test]
    fn scales_agree_with_each_other() {
        let scale = SensitivityScale::of(SensitivityUnit::VoltPerMps2);
        assert!((scale.per_mps2(0.010_197_162) - 10.197_162).abs() < 1e-9);
        assert!((scale.per_g(0.010_197_162_129_779) - 100.0).abs() < 1e-9);
    }
}
