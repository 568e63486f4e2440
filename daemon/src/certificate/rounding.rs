//! Rounding for print: an uncertainty to two significant digits, its value to the same decimal place.
//!
//! Owns the rule, and nothing about layout. Must not: be used on a number that something is computed from.
//!
//! The rule is that of ILAC-P14:09/2020 (at most two significant digits for the expanded uncertainty, the
//! value to the same place; from memory). That document also wants no more than 5 % of the uncertainty lost in
//! rounding down: with two digits it is less than 0.05 in 1.0, so rounding to nearest always keeps it.
//! Ties go to the even digit (ISO 80000-1, annex B, rule A; from memory), judged on the stored binary number.

/// A value and its uncertainty, both ending at the same decimal place. ASCII digits, sign `-`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rounded {
    /// The value.
    pub value: String,
    /// Its expanded uncertainty.
    pub uncertainty: String,
}

/// Rounds `uncertainty` to two significant digits and `value` to the same place.
///
/// None unless both are finite and the uncertainty is positive: then there is no place to round to.
#[must_use]
pub fn with_uncertainty(value: f64, uncertainty: f64) -> Option<Rounded> {
    let place = last_place(uncertainty, 2)?;
    value
        .is_finite()
        .then(|| Rounded { value: to_place(value, place), uncertainty: to_place(uncertainty, place) })
}

/// Rounds to a number of significant digits, without exponent. None unless finite.
#[must_use]
pub fn significant(value: f64, digits: u8) -> Option<String> {
    if value == 0.0 {
        return Some("0".to_owned());
    }
    last_place(value.abs(), digits).map(|place| to_place(value, place))
}

/// Rounds to the place at which `other` has so many significant digits. None unless both are finite and `other` is positive.
#[must_use]
pub fn at_place_of(value: f64, other: f64, digits: u8) -> Option<String> {
    let place = last_place(other, digits)?;
    value.is_finite().then(|| to_place(value, place))
}

/// The power of ten of the last digit kept, after rounding (0.0996 to two digits is 0.10, not 0.100).
fn last_place(positive: f64, digits: u8) -> Option<i32> {
    if !positive.is_finite() || positive <= 0.0 {
        return None;
    }
    let decimals = usize::from(digits.max(1)) - 1;
    let scientific = format!("{positive:.decimals$e}");
    let exponent: i32 = scientific.rsplit_once('e')?.1.parse().ok()?;
    Some(exponent + 1 - i32::from(digits.max(1)))
}

/// Rounds to a multiple of 10^place. A zero has no sign.
fn to_place(value: f64, place: i32) -> String {
    let text = match usize::try_from(-place) {
        Ok(decimals) => format!("{value:.decimals$}"),
        // Left of the decimal point: cut to digits in scientific notation, which rounds the decimal number.
        Err(_) => {
            let unit = 10f64.powi(place);
            format!("{:.0}", (value / unit).round_ties_even() * unit)
        }
    };
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| matches!(c, '0' | '.')) => digits.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pair(value: f64, uncertainty: f64) -> (String, String) {
        let rounded = with_uncertainty(value, uncertainty).unwrap();
        (rounded.value, rounded.uncertainty)
    }

    fn texts(value: &str, uncertainty: &str) -> (String, String) {
        (value.to_owned(), uncertainty.to_owned())
    }

    /// JCGM 100:2008 (GUM), 7.2.6: 10.057 62 Ω with 27 mΩ becomes 10.058 Ω; 7.2.2: m = 100.021 47 g with
    /// 0.35 mg; H.1.7: l = 50.000 838 mm with 93 nm (values from memory, the last also computed elsewhere).
    #[test]
    fn agrees_with_the_examples_of_the_gum() {
        assert_eq!(pair(10.057_62, 0.027), texts("10.058", "0.027"));
        assert_eq!(pair(100.021_47, 0.000_35), texts("100.02147", "0.00035"));
        assert_eq!(pair(50_000_838.0, 92.48), texts("50000838", "92"));
    }

    #[test]
    fn a_part_ends_where_the_whole_does() {
        assert_eq!(at_place_of(0.002_891_2, 0.2604, 4).as_deref(), Some("0.0029"));
        assert_eq!(at_place_of(1e-9, 0.2604, 4).as_deref(), Some("0.0000"));
        assert_eq!(at_place_of(1.0, 0.0, 4), None);
    }

    #[test]
    fn a_carry_does_not_add_a_digit() {
        assert_eq!(pair(1.0, 0.0996), texts("1.00", "0.10"));
        assert_eq!(pair(1.0, 0.0994), texts("1.000", "0.099"));
        assert_eq!(pair(1234.0, 99.6), texts("1230", "100"));
        assert_eq!(pair(0.0, 9.96), texts("0", "10"));
    }

    #[test]
    fn large_uncertainties_round_left_of_the_point() {
        assert_eq!(pair(123_456.0, 1234.0), texts("123500", "1200"));
        assert_eq!(pair(-149.0, 260.0), texts("-150", "260"));
    }

    #[test]
    fn signs_survive_except_on_zero() {
        assert_eq!(pair(-0.004, 0.12), texts("0.00", "0.12"));
        assert_eq!(pair(-0.006, 0.12), texts("-0.01", "0.12"));
    }

    #[test]
    fn refuses_what_has_no_place() {
        for uncertainty in [0.0, -0.1, f64::NAN, f64::INFINITY] {
            assert_eq!(with_uncertainty(1.0, uncertainty), None);
        }
        assert_eq!(with_uncertainty(f64::NAN, 0.1), None);
        assert_eq!(significant(f64::INFINITY, 3), None);
    }

    #[test]
    fn significant_digits_without_exponent() {
        let three = |value| significant(value, 3).unwrap();
        assert_eq!(three(9.80665), "9.81");
        assert_eq!(three(0.000_024_849), "0.0000248");
        assert_eq!(three(31_447.0), "31400");
        assert_eq!(three(99.96), "100");
        assert_eq!(three(0.0), "0");
    }

    proptest! {
        /// Neither number moves by more than half of the last place, and at most 5 % of U is lost.
        #[test]
        fn stays_within_half_a_place(value in -1e5..1e5_f64, exponent in -6..4_i32, lead in 1.0..10.0_f64) {
            let uncertainty = lead * 10f64.powi(exponent);
            let rounded = with_uncertainty(value, uncertainty).unwrap();
            let (v, u): (f64, f64) = (rounded.value.parse().unwrap(), rounded.uncertainty.parse().unwrap());
            let place = last_place(uncertainty, 2).unwrap();
            let half_place = 10f64.powi(place) / 2.0;
            prop_assert!((v - value).abs() <= half_place * (1.0 + 1e-9) + 1e-12);
            prop_assert!((u - uncertainty).abs() <= half_place * (1.0 + 1e-9) + 1e-12);
            prop_assert!(u >= uncertainty * 0.95);
            let digits: String = rounded.uncertainty.chars().filter(char::is_ascii_digit).collect();
            let kept = digits.trim_start_matches('0');
            // Zeros left of the point are no digits that are stated: 99.6 becomes 100, as 1234 becomes 1200.
            prop_assert!(kept.len() == 2 || (place > 0 && kept[2..].chars().all(|c| c == '0')), "{digits}");
        }
    }
}
