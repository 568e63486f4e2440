//! Units as D-SI writes them: backslashed names, `\metre\second\tothe{-2}`.
//!
//! Owns the strings that certificates need, and the check of any such string: the schema takes every text for a unit.
//! Names are those of the SI brochure (9th edition) as D-SI 2.2.1 spells them.

use crate::certificate::data::OwnKind;
use crate::record::words::SensitivityUnit;

pub(super) const HERTZ: &str = r"\hertz";
pub(super) const ACCELERATION: &str = r"\metre\second\tothe{-2}";
pub(super) const MILLIMETRE: &str = r"\milli\metre";
pub(super) const DEGREE: &str = r"\degree";
pub(super) const PERCENT: &str = r"\percent";
pub(super) const CELSIUS: &str = r"\degreecelsius";

/// The unit in which a sensitivity per m/s² is stated (see `stated::SensitivityScale`).
pub(super) const fn sensitivity(unit: SensitivityUnit) -> &'static str {
    match unit {
        SensitivityUnit::VoltPerMps2 => r"\milli\volt\metre\tothe{-1}\second\tothe{2}",
        SensitivityUnit::CoulombPerMps2 => r"\pico\coulomb\metre\tothe{-1}\second\tothe{2}",
        SensitivityUnit::VoltPerVoltPerMps2 => r"\milli\volt\volt\tothe{-1}\metre\tothe{-1}\second\tothe{2}",
    }
}

/// The unit in which a sensitivity per m/s² is stated of what leaves an item, where that is no voltage.
pub(super) const fn own(kind: OwnKind) -> &'static str {
    match kind {
        OwnKind::Charge => sensitivity(SensitivityUnit::CoulombPerMps2),
        OwnKind::Ratio => sensitivity(SensitivityUnit::VoltPerVoltPerMps2),
        OwnKind::Current => r"\milli\ampere\metre\tothe{-1}\second\tothe{2}",
    }
}

const PREFIXES: [&str; 20] = [
    "deca", "hecto", "kilo", "mega", "giga", "tera", "peta", "exa", "zetta", "yotta", "deci", "centi",
    "milli", "micro", "nano", "pico", "femto", "atto", "zepto", "yocto",
];

const UNITS: [&str; 34] = [
    "metre",
    "kilogram",
    "gram",
    "second",
    "ampere",
    "kelvin",
    "mole",
    "candela",
    "one",
    "hertz",
    "newton",
    "pascal",
    "joule",
    "watt",
    "coulomb",
    "volt",
    "farad",
    "ohm",
    "siemens",
    "weber",
    "tesla",
    "henry",
    "degreecelsius",
    "lumen",
    "lux",
    "radian",
    "steradian",
    "degree",
    "minute",
    "hour",
    "day",
    "percent",
    "ppm",
    "litre",
];

/// Whether a string is a unit: prefixes each before a unit, exponents each after one.
pub(super) fn is_unit(text: &str) -> bool {
    let Some(rest) = text.strip_prefix('\\') else { return false };
    let mut before = Part::Start;
    for part in rest.split('\\') {
        let kind = match part {
            unit if UNITS.contains(&unit) => Part::Unit,
            prefix if PREFIXES.contains(&prefix) => Part::Prefix,
            "per" => Part::Per,
            power if exponent(power) => Part::Exponent,
            _ => return false,
        };
        let fits = match kind {
            Part::Unit => true,
            Part::Prefix | Part::Per => before != Part::Prefix && before != Part::Per,
            Part::Exponent => before == Part::Unit,
            Part::Start => false,
        };
        if !fits {
            return false;
        }
        before = kind;
    }
    matches!(before, Part::Unit | Part::Exponent)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Part {
    Start,
    Prefix,
    Unit,
    Exponent,
    Per,
}

fn exponent(part: &str) -> bool {
    let number = part.strip_prefix("tothe{").and_then(|p| p.strip_suffix('}'));
    number.is_some_and(|n| n.parse::<f64>().is_ok_and(f64::is_finite))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ours_are_units() {
        let ours = [HERTZ, ACCELERATION, MILLIMETRE, DEGREE, PERCENT, CELSIUS];
        let all = ours.into_iter().chain(SensitivityUnit::ALL.iter().map(|u| sensitivity(*u)));
        let all = all.chain(OwnKind::ALL.iter().map(|kind| own(*kind)));
        all.for_each(|unit| assert!(is_unit(unit), "{unit}"));
    }

    #[test]
    fn other_texts_are_none() {
        for text in [
            "",
            "hertz",
            r"\",
            r"\herz",
            r"\milli",
            r"\milli\kilo\metre",
            r"\tothe{2}",
            r"\metre\tothe{x}",
            "mV",
        ] {
            assert!(!is_unit(text), "{text}");
        }
    }
}
