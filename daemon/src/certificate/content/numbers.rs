//! Numbers and units as print in a language: signs, decimal marks, places.
//!
//! Owns the small formats that facts, table and texts share. Must not decide what is printed, or which digits of a
//! result are stated: that is `stated`'s.

use crate::certificate::rounding;

/// Shown where a number does not exist.
pub(super) const NOTHING: &str = "–";

/// How a language prints numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Print {
    /// The decimal mark.
    pub(super) decimal_mark: char,
}

impl Print {
    /// Puts the typographic minus sign and the decimal mark in. Only for text that is a number.
    pub(super) fn number(self, ascii: &str) -> String {
        ascii
            .chars()
            .map(|c| match c {
                '-' => '−',
                '.' => self.decimal_mark,
                other => other,
            })
            .collect()
    }

    /// The same, with a plus sign on positive values.
    pub(super) fn signed(self, ascii: &str) -> String {
        let zero = ascii.chars().all(|c| matches!(c, '0' | '.'));
        if zero || ascii.starts_with('-') { self.number(ascii) } else { format!("+{}", self.number(ascii)) }
    }

    /// The same; a dash where there is no number.
    pub(super) fn or_nothing(self, ascii: Option<&str>) -> String {
        ascii.map_or_else(|| NOTHING.to_owned(), |text| self.number(text))
    }

    /// A value for information, to a number of significant digits; a dash where there is none.
    pub(super) fn informative(self, value: Option<f64>, digits: u8) -> String {
        self.or_nothing(value.and_then(|v| rounding::significant(v, digits)).as_deref())
    }

    /// A value as it was written: no digits added, none lost.
    pub(super) fn written(self, value: f64) -> String {
        self.number(&value.to_string())
    }

    /// A direct voltage with five significant digits, in volts or millivolts.
    pub(super) fn volts(self, value: f64) -> String {
        let (scaled, unit) = if value.abs() < 0.1 { (value * 1e3, "mV") } else { (value, "V") };
        // Below a microvolt nothing is known: such a value is a zero.
        let text = if scaled.abs() < 1e-3 && unit == "mV" {
            "0".to_owned()
        } else {
            self.informative(Some(scaled), 5)
        };
        format!("{text} {unit}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENGLISH: Print = Print { decimal_mark: '.' };
    const GERMAN: Print = Print { decimal_mark: ',' };

    #[test]
    fn voltages_choose_their_scale() {
        assert_eq!(ENGLISH.volts(2.501_234), "2.5012 V");
        assert_eq!(ENGLISH.volts(-0.001_234_56), "−1.2346 mV");
        assert_eq!(ENGLISH.volts(1e-9), "0 mV");
        assert_eq!(GERMAN.volts(2.501_234), "2,5012 V");
    }

    #[test]
    fn signs_are_typographic() {
        let signed = ["0.34", "-0.34", "0.00"].map(|text| ENGLISH.signed(text));
        assert_eq!(signed, ["+0.34", "−0.34", "0.00"]);
        assert_eq!(GERMAN.signed("0.34"), "+0,34");
        assert_eq!(ENGLISH.informative(Some(-0.5), 3), "−0.500");
        assert_eq!(ENGLISH.informative(None, 3), NOTHING);
    }

    #[test]
    fn frequencies_keep_their_digits() {
        let frequency = |hertz| ENGLISH.written(hertz);
        assert_eq!([frequency(0.5), frequency(31.5), frequency(100.0)], ["0.5", "31.5", "100"]);
    }
}
