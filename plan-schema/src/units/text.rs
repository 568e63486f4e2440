//! Reading and printing quantities: "0.5 Hz", "1 g pk", "10 m/s² rms", "8 mm pk-pk", "5 %".

use super::dimension::{Dimension, Unit};
use super::mistake;
use super::spelling::{is_spelled, normalise, pattern_of};
use std::fmt;

/// Why a text is no quantity of the wanted dimension: what is wrong, and what to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QuantityError {
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub remedy: String,
    unknown_unit: bool,
}

impl QuantityError {
    pub(super) fn new(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { message: message.into(), remedy: remedy.into(), unknown_unit: false }
    }

    pub(super) fn unknown_unit(message: String, remedy: String) -> Self {
        Self { message, remedy, unknown_unit: true }
    }

    /// True where only the unit does not belong to the dimension, so that another dimension may fit.
    #[must_use]
    pub fn is_unknown_unit(&self) -> bool {
        self.unknown_unit
    }
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message, self.remedy)
    }
}

impl std::error::Error for QuantityError {}

/// Splits the number from what follows it. The unit starts at the first character that no number has.
fn split_number(text: &str) -> (&str, &str) {
    let bytes = text.as_bytes();
    let mut end = 0;
    while let Some(&byte) = bytes.get(end) {
        let exponent = matches!(byte, b'e' | b'E')
            && end > 0
            && bytes.get(end + 1).is_some_and(|next| {
                next.is_ascii_digit()
                    || (matches!(next, b'+' | b'-') && bytes.get(end + 2).is_some_and(u8::is_ascii_digit))
            });
        let sign =
            matches!(byte, b'+' | b'-') && (end == 0 || matches!(bytes.get(end - 1), Some(b'e' | b'E')));
        if byte.is_ascii_digit() || matches!(byte, b'.' | b',' | b'_') || exponent || sign {
            end += 1;
        } else {
            break;
        }
    }
    text.split_at(end)
}

/// The ways to write the statistic of an amplitude, and which one each is.
pub(super) const STATISTIC_SPELLINGS: [(&str, &str); 7] = [
    ("pk-pk", "pk-pk"),
    ("p-p", "pk-pk"),
    ("pkpk", "pk-pk"),
    ("peak-to-peak", "pk-pk"),
    ("pk", "pk"),
    ("peak", "pk"),
    ("rms", "rms"),
];

/// Parts the kind of an amplitude from the unit before it: the unit, and the factor to the stored kind.
fn parse_statistic<'a, D: Dimension>(number: &str, rest: &'a str) -> Result<(&'a str, f64), QuantityError> {
    let rest = rest.trim_end();
    for (alias, statistic) in STATISTIC_SPELLINGS {
        if let Some(unit) = rest.strip_suffix(alias)
            && unit.ends_with(char::is_whitespace)
        {
            // A unit that does not belong here at all is the more useful thing to say.
            if let Err(error) = find_unit::<D>(number, unit) {
                return Err(mistake::kind::<D>(number, rest).unwrap_or(error));
            }
            return match D::STATISTICS.iter().find(|(name, _)| *name == statistic) {
                Some((_, factor)) => Ok((unit, *factor)),
                None => Err(mistake::wrong_kind::<D>(number, unit, alias)),
            };
        }
    }
    if let Some(error) = mistake::kind::<D>(number, rest).filter(|_| find_unit::<D>(number, rest).is_err()) {
        return Err(error);
    }
    if D::STATISTICS.is_empty() {
        return Ok((rest, 1.0));
    }
    find_unit::<D>(number, rest)?;
    Err(mistake::no_kind::<D>(number, rest))
}

fn find_unit<D: Dimension>(number: &str, written: &str) -> Result<Unit, QuantityError> {
    let unit = normalise(written);
    let found = D::UNITS.iter().find(|u| u.spellings.iter().any(|s| is_spelled(&unit, s)));
    found.copied().ok_or_else(|| mistake::unit::<D>(number, written))
}

/// Reads a number with its unit into the SI value of `D`.
pub(super) fn parse<D: Dimension>(text: &str) -> Result<f64, QuantityError> {
    let tidy = text.trim().replace('−', "-");
    let (number, rest) = split_number(&tidy);
    if let Some(error) = mistake::in_number::<D>(text, number, rest) {
        return Err(error);
    }
    let (unit_text, statistic) = parse_statistic::<D>(number, rest)?;
    let unit = find_unit::<D>(number, unit_text)?;
    let (mantissa, exponent) = match number.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()),
        None => (number, Some(0)),
    };
    let value: Option<f64> = exponent
        .and_then(|e| e.checked_add(unit.exponent))
        .and_then(|e| format!("{mantissa}e{e}").parse().ok());
    match value {
        Some(value) if (value * unit.factor * statistic).is_finite() => Ok(value * unit.factor * statistic),
        _ => Err(QuantityError::new(
            format!("'{number}' is no number that can be used"),
            format!("write {} with its unit, such as \"{}\"", D::NAME, D::example()),
        )),
    }
}

/// Regular expression of exactly what is read as a number with one of these units and, for an amplitude, one of the kinds;
/// numbers that no program can hold apart.
pub(crate) fn pattern(units: &[&[Unit]], statistics: &[(&str, f64)]) -> String {
    let number = r"^\s*[-+−]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+−]?[0-9]+)?";
    let spellings = units.iter().flat_map(|units| units.iter()).flat_map(|u| u.spellings);
    // A unit that begins with a digit ("1/K") has a blank before it.
    let (after_blank, others): (Vec<&str>, Vec<&str>) =
        spellings.partition(|s| s.starts_with(|c: char| c.is_ascii_digit()));
    let either = |spellings: &[&str]| spellings.iter().map(|s| pattern_of(s)).collect::<Vec<_>>().join("|");
    let unit = match (others.is_empty(), after_blank.is_empty()) {
        (_, true) => format!(r"\s*(?:{})", either(&others)),
        (true, false) => format!(r"\s+(?:{})", either(&after_blank)),
        (false, false) => format!(r"(?:\s*(?:{})|\s+(?:{}))", either(&others), either(&after_blank)),
    };
    let known = |name: &str| statistics.iter().any(|(written, _)| *written == name);
    let kinds: Vec<&str> =
        STATISTIC_SPELLINGS.iter().filter(|(_, name)| known(name)).map(|(spelling, _)| *spelling).collect();
    match kinds.join("|") {
        none if none.is_empty() => format!(r"{number}{unit}\s*$"),
        kinds => format!(r"{number}{unit}\s+(?:{kinds})\s*$"),
    }
}

/// Prints the SI value with the shortest digits that read back to the same bits.
pub(super) fn write_exact<D: Dimension>(si: f64, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    if D::SI == "1" {
        return write!(f, "{}", percent(si));
    }
    write!(f, "{si} {}", D::SI)?;
    match D::STATISTICS.first() {
        Some((statistic, _)) => write!(f, " {statistic}"),
        None => Ok(()),
    }
}

/// A share as people write it. The decimal point is moved, not the number multiplied, so that no bit is lost.
fn percent(share: f64) -> String {
    let plain = format!("{} %", share * 100.0);
    if parse::<super::Share>(&plain).is_ok_and(|read| read.to_bits() == share.to_bits()) {
        return plain;
    }
    let scientific = format!("{share:e}");
    match scientific.split_once('e').and_then(|(mantissa, e)| Some((mantissa, e.parse::<i32>().ok()?))) {
        Some((mantissa, exponent)) => format!("{mantissa}e{} %", exponent + 2),
        None => format!("{scientific} 1"),
    }
}

/// A number with four significant digits and an SI prefix, for people: `engineering(0.0248, "m")` is "24.8 mm".
#[must_use]
pub fn engineering(value: f64, unit: &str) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    const PREFIXES: [(&str, i32); 7] =
        [("n", -9), ("µ", -6), ("m", -3), ("", 0), ("k", 3), ("M", 6), ("G", 9)];
    let magnitude = value.abs();
    let mut chosen = ("n", -9);
    for (prefix, exponent) in PREFIXES {
        // A hair below the step counts as the step, so that 999.96 m is not printed as 1000 m.
        if magnitude >= 0.99995 * 10f64.powi(exponent) {
            chosen = (prefix, exponent);
        }
    }
    let scaled = value / 10f64.powi(chosen.1);
    let decimals = match scaled.abs() {
        s if s >= 99.995 => 1,
        s if s >= 9.9995 => 2,
        _ => 3,
    };
    let mut digits = format!("{scaled:.decimals$}");
    while digits.contains('.') && digits.ends_with('0') {
        digits.pop();
    }
    let digits = digits.trim_end_matches('.');
    format!("{digits} {}{unit}", chosen.0)
}
