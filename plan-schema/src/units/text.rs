//! Reading and printing quantities: "0.5 Hz", "1 g pk", "10 m/s² rms", "8 mm pk-pk", "5 %".

use super::dimension::{Dimension, Unit};
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
    fn new(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { message: message.into(), remedy: remedy.into(), unknown_unit: false }
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

/// One spelling for the many ways to write a unit: superscripts, micro signs, ohm, degree, dots, blanks.
fn normalise(unit: &str) -> String {
    let mut out = String::with_capacity(unit.len());
    for c in unit.chars() {
        match c {
            '²' => out.push('2'),
            '\u{b5}' | '\u{3bc}' => out.push('u'),
            '\u{3a9}' | '\u{2126}' => out.push_str("ohm"),
            '°' => out.push_str("deg"),
            '√' => out.push_str("sqrt"),
            '⁻' => out.push('-'),
            '·' | '⋅' | '^' | '*' => {}
            c if c.is_whitespace() => {}
            c => out.push(c),
        }
    }
    out.replace("sqrt(Hz)", "sqrtHz").replace("rtHz", "sqrtHz").replace("sqsqrtHz", "sqrtHz")
}

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
pub(crate) const STATISTIC_SPELLINGS: [(&str, &str); 7] = [
    ("pk-pk", "pk-pk"),
    ("p-p", "pk-pk"),
    ("pkpk", "pk-pk"),
    ("peak-to-peak", "pk-pk"),
    ("pk", "pk"),
    ("peak", "pk"),
    ("rms", "rms"),
];

fn known_units(units: &[Unit]) -> String {
    let names: Vec<&str> = units.iter().filter_map(|u| u.spellings.first().copied()).collect();
    names.join(", ")
}

fn parse_statistic<D: Dimension>(rest: &str) -> Result<(&str, f64), QuantityError> {
    let rest = rest.trim_end();
    for (alias, statistic) in STATISTIC_SPELLINGS {
        if let Some(unit) = rest.strip_suffix(alias)
            && unit.ends_with(char::is_whitespace)
        {
            if D::STATISTICS.is_empty() {
                return Err(QuantityError::new(
                    format!("this is {} at rest or at one instant, no amplitude", D::NAME),
                    format!("leave out '{alias}', as in \"{}\"", D::example()),
                ));
            }
            return match D::STATISTICS.iter().find(|(name, _)| *name == statistic) {
                Some((_, factor)) => Ok((unit, *factor)),
                None => Err(QuantityError::new(
                    format!("'{alias}' does not fit here"),
                    format!("this is noise: say it as rms, such as \"{}\"", D::example()),
                )),
            };
        }
    }
    if D::STATISTICS.is_empty() {
        return Ok((rest, 1.0));
    }
    let kinds: Vec<&str> = D::STATISTICS.iter().map(|(name, _)| *name).collect();
    let remedy =
        format!("add the kind of the amplitude ({}), such as \"{}\"", kinds.join(", "), D::example());
    // A unit that does not belong here at all is the more useful thing to say.
    find_unit::<D>(rest)?;
    Err(QuantityError::new("the amplitude does not say whether it is peak, rms or peak-to-peak", remedy))
}

fn find_unit<D: Dimension>(written: &str) -> Result<Unit, QuantityError> {
    let unit = normalise(written);
    if let Some(found) = D::UNITS.iter().find(|u| u.spellings.contains(&unit.as_str())) {
        return Ok(*found);
    }
    let confusion = D::CONFUSIONS.iter().find(|(name, _)| *name == unit);
    let remedy = match confusion {
        Some((_, word)) => (*word).to_owned(),
        None => format!("use one of {}, such as \"{}\"", known_units(D::UNITS), D::example()),
    };
    let message = format!("'{}' is no unit of {}", written.trim(), D::NAME);
    Err(QuantityError { message, remedy, unknown_unit: confusion.is_none() })
}

/// Reads a number with its unit into the SI value of `D`.
pub(super) fn parse<D: Dimension>(text: &str) -> Result<f64, QuantityError> {
    let tidy = text.trim().replace('−', "-");
    let (number, rest) = split_number(&tidy);
    let such_as = || format!("write {} with its unit, such as \"{}\"", D::NAME, D::example());
    if number.is_empty() {
        return Err(QuantityError::new(format!("\"{text}\" does not begin with a number"), such_as()));
    }
    if number.contains(',') {
        let remedy = match rest.trim() {
            "" => format!("write a decimal point and the unit, such as \"{}\"", D::example()),
            _ => format!("write a decimal point: \"{}{rest}\"", number.replacen(',', ".", 1)),
        };
        return Err(QuantityError::new(format!("\"{text}\" has a comma in its number"), remedy));
    }
    if rest.trim().is_empty() {
        return Err(QuantityError::new(format!("\"{text}\" has no unit"), such_as()));
    }
    let (unit_text, statistic) = parse_statistic::<D>(rest)?;
    let unit = find_unit::<D>(unit_text)?;
    let (mantissa, exponent) = match number.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()),
        None => (number, Some(0)),
    };
    let value: Option<f64> = exponent
        .and_then(|e| e.checked_add(unit.exponent))
        .and_then(|e| format!("{mantissa}e{e}").parse().ok());
    match value {
        Some(value) if (value * unit.factor * statistic).is_finite() => Ok(value * unit.factor * statistic),
        _ => Err(QuantityError::new(format!("'{number}' is no number that can be used"), such_as())),
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
