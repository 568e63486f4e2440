//! What people get wrong when they write a quantity, each with words of its own and what to write instead.
//!
//! Owns: looking at a text that is no quantity. Must not: decide whether a text is one; `text` does.

use super::dimension::{Dimension, Unit};
use super::every::{belongs_to, but_for_case};
use super::spelling::{is_spelled, normalise};
use super::text::{QuantityError, STATISTIC_SPELLINGS};

/// Ways to write the kind of an amplitude that are not read, and what each means.
const KINDS_BY_MISTAKE: [(&str, &str); 22] = [
    ("peak to peak", "pk-pk"),
    ("peak-peak", "pk-pk"),
    ("pk to pk", "pk-pk"),
    ("pk-to-pk", "pk-pk"),
    ("pk/pk", "pk-pk"),
    ("pk–pk", "pk-pk"),
    ("ptp", "pk-pk"),
    ("p2p", "pk-pk"),
    ("p/p", "pk-pk"),
    ("pp", "pk-pk"),
    ("zero-peak", "pk"),
    ("zero-pk", "pk"),
    ("0-peak", "pk"),
    ("0-pk", "pk"),
    ("0-p", "pk"),
    ("amplitude", "pk"),
    ("ampl", "pk"),
    ("amp", "pk"),
    ("eff", "rms"),
    ("r.m.s.", "rms"),
    ("r.m.s", "rms"),
    ("p", "pk"),
];

/// Units that are not read, with the factor to one that is. NIST SP 811:2008, annex B.8, exact but for the torques.
const FOREIGN: [(&str, f64, &str); 24] = [
    ("in", 25.4, "mm"),
    ("inch", 25.4, "mm"),
    ("mil", 25.4, "um"),
    ("ft", 0.3048, "m"),
    ("in/s", 25.4, "mm/s"),
    ("ips", 25.4, "mm/s"),
    ("ft/s2", 0.3048, "m/s2"),
    ("in/s2", 0.0254, "m/s2"),
    ("gal", 0.01, "m/s2"),
    ("Gal", 0.01, "m/s2"),
    ("lb", 0.453_592_37, "kg"),
    ("lbs", 0.453_592_37, "kg"),
    ("oz", 28.349_523_125, "g"),
    ("kgf", 9.806_65, "N"),
    ("lbf", 4.448_222, "N"),
    ("in-lb", 0.112_985, "N·m"),
    ("in·lb", 0.112_985, "N·m"),
    ("in·lbf", 0.112_985, "N·m"),
    ("lbf·in", 0.112_985, "N·m"),
    ("ft·lb", 1.355_818, "N·m"),
    ("ft·lbf", 1.355_818, "N·m"),
    ("kgcm", 0.098_066_5, "N·m"),
    ("kg·cm", 0.098_066_5, "N·m"),
    ("kgf·cm", 0.098_066_5, "N·m"),
];

/// What is wrong with the number itself: `number` is its part of `text`, `rest` what follows.
pub(super) fn in_number<D: Dimension>(text: &str, number: &str, rest: &str) -> Option<QuantityError> {
    let behind = rest.trim_start();
    if number.is_empty() || BOTH_WAYS.iter().any(|sign| text.trim_start().starts_with(sign)) {
        return Some(without_number::<D>(text));
    }
    // Two points and more between two numbers are never digits in groups.
    if number.contains("..") {
        return Some(range::<D>(text));
    }
    if let Some(error) = separators::<D>(text, number, rest) {
        return Some(error);
    }
    if behind.starts_with('±') || behind.starts_with("+-") || behind.starts_with("+/-") {
        let remedy = format!("write the value alone, such as \"{}\"", D::example());
        return Some(QuantityError::new(format!("\"{text}\" is a value with its tolerance"), remedy));
    }
    let after_dash = behind.strip_prefix(['-', '–', '…']).or_else(|| behind.strip_prefix("to "));
    if after_dash.is_some_and(|b| b.trim_start().starts_with(|c: char| c.is_ascii_digit())) {
        return Some(range::<D>(text));
    }
    let times = behind.strip_prefix(['×', 'x', '*', '·', '⋅']).map(str::trim_start);
    if times.is_some_and(|b| b.starts_with("10")) {
        let remedy = format!("write powers of ten with e, such as \"{number}e-3\", and the unit behind");
        return Some(QuantityError::new(format!("\"{text}\" has a power of ten"), remedy));
    }
    if behind.is_empty() {
        return Some(without_unit::<D>(text, number));
    }
    normalise(behind).starts_with("dB").then(|| decibels::<D>(text, number))
}

/// Signs that stand before a value that counts both ways.
const BOTH_WAYS: [&str; 4] = ["±", "+/-", "+-", "+ -"];

/// Nothing that a number begins with: often a sign for both ways, which is what a limit or a range means anyway.
fn without_number<D: Dimension>(text: &str) -> QuantityError {
    let written = text.trim();
    if written.is_empty() {
        return QuantityError::new("nothing is written here", such_as::<D>());
    }
    let value = BOTH_WAYS.iter().find_map(|sign| written.strip_prefix(sign)).map(str::trim_start);
    let Some(value) = value.filter(|v| v.starts_with(|c: char| c.is_ascii_digit())) else {
        return QuantityError::new(format!("\"{text}\" does not begin with a number"), such_as::<D>());
    };
    // What may stand without the sign is tried, so that nothing is proposed that would be refused in turn.
    let kinds = D::STATISTICS.iter().map(|(name, _)| format!("{value} {name}"));
    let meant =
        std::iter::once(value.to_owned()).chain(kinds).find(|text| super::text::parse::<D>(text).is_ok());
    let remedy = match meant {
        Some(meant) => format!("write \"{meant}\": it counts both ways"),
        None => such_as::<D>(),
    };
    QuantityError::new(format!("\"{text}\" has a sign for both ways"), remedy)
}

fn range<D: Dimension>(text: &str) -> QuantityError {
    let remedy = format!("write one value, such as \"{}\"", D::example());
    QuantityError::new(format!("\"{text}\" is a range"), remedy)
}

fn such_as<D: Dimension>() -> String {
    format!("write {} with its unit, such as \"{}\"", D::NAME, D::example())
}

/// Commas, points and blanks that part thousands, or stand for a decimal point.
fn separators<D: Dimension>(text: &str, number: &str, rest: &str) -> Option<QuantityError> {
    let unit = match rest.trim() {
        "" => format!(" {}", D::example().split_once(' ').map_or("", |(_, unit)| unit)),
        _ => rest.to_owned(),
    };
    let write = |number: &str| match number.parse::<f64>() {
        Ok(value) if D::SI == "1" && rest.trim().is_empty() => as_percent(value),
        _ => format!("write a decimal point: \"{number}{unit}\""),
    };
    let plain = |number: &str| format!("write the digits without anything between: \"{number}{unit}\"");
    let (commas, points) = (number.matches(',').count(), number.matches('.').count());
    if commas == 1 && points == 0 {
        let point = number.replacen(',', ".", 1);
        let thousands = number.split_once(',').is_some_and(|(before, after)| {
            after.len() == 3
                && digits(after)
                && matches!(before.trim_start_matches('-').len(), 1..=3)
                && !before.trim_start_matches('-').starts_with('0')
        });
        if thousands {
            let whole = number.replace(',', "");
            return Some(QuantityError::new(
                format!("the comma in \"{text}\" can be a decimal comma or part the thousands"),
                format!("write \"{point}{unit}\" or \"{whole}{unit}\""),
            ));
        }
        return Some(QuantityError::new(format!("\"{text}\" has a comma in its number"), write(&point)));
    }
    if commas > 0 && points > 0 && number.rfind(',') > number.rfind('.') {
        let point = number.replace('.', "").replacen(',', ".", 1);
        return Some(QuantityError::new(
            format!("\"{text}\" has points between the thousands and a decimal comma"),
            write(&point),
        ));
    }
    if commas > 0 || points > 1 || number.contains('_') {
        let bare = match points {
            1 => number.replace([',', '_'], ""),
            _ => number.replace([',', '_', '.'], ""),
        };
        return Some(QuantityError::new(format!("\"{text}\" has its digits parted in groups"), plain(&bare)));
    }
    let parted = rest.trim_start_matches(['\'', '’', ' ', '\u{a0}', '\u{202f}', '\u{2009}']);
    let group: String = parted.chars().take_while(char::is_ascii_digit).collect();
    let more = parted.get(group.len()..).unwrap_or("");
    if parted.len() < rest.len() && group.len() == 3 && !more.trim_start().starts_with('/') {
        let remedy = format!("write the digits without anything between: \"{number}{group}{more}\"");
        return Some(QuantityError::new(format!("\"{text}\" has its digits parted in groups"), remedy));
    }
    None
}

fn digits(text: &str) -> bool {
    text.chars().all(|c| c.is_ascii_digit())
}

fn without_unit<D: Dimension>(text: &str, number: &str) -> QuantityError {
    let remedy = match number.parse::<f64>() {
        Ok(value) if D::SI == "1" => as_percent(value),
        _ => such_as::<D>(),
    };
    QuantityError::new(format!("\"{text}\" has no unit"), remedy)
}

/// What a number without a unit may have meant where a share is due: "0.05" is 5 % or a twentieth of that.
pub(crate) fn as_percent(value: f64) -> String {
    if value.abs() < 1.0 && value != 0.0 {
        let percent = trimmed(value * 100.0);
        return format!(
            "write \"{percent} %\" for {value} of the whole, or \"{value} %\" for {value} percent"
        );
    }
    format!("write a share in percent: \"{value} %\"")
}

/// A number for people, without what binary fractions add.
fn trimmed(value: f64) -> String {
    let shown = format!("{value:.6}");
    shown.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A level in decibels is no value; of a ratio the value can be told.
fn decibels<D: Dimension>(text: &str, number: &str) -> QuantityError {
    let message = format!("\"{text}\" is a level in decibels");
    let ratio = number.parse::<f64>().ok().map(|db| 10f64.powf(db / 20.0)).filter(|r| r.is_finite());
    let remedy = match ratio {
        Some(ratio) if D::SI == "1" || D::SI == "V/V" => {
            let shown = trimmed(ratio);
            let unit = D::example().split_once(' ').map_or(String::new(), |(_, unit)| unit.to_owned());
            match unit.as_str() {
                "%" => format!("write the ratio of amplitudes: \"{shown} 1\", or the same in percent"),
                unit => format!("write the ratio of amplitudes: \"{shown} {unit}\""),
            }
        }
        _ => format!("write the value itself with its unit, such as \"{}\"", D::example()),
    };
    QuantityError::new(message, remedy)
}

/// A unit that does not belong to `D`. `number` goes into what to write.
pub(super) fn unit<D: Dimension>(number: &str, written: &str) -> QuantityError {
    let unit = normalise(written);
    let shown = written.trim();
    if let Some(error) = foreign::<D>(number, &unit, shown) {
        return error;
    }
    if let Some((_, word)) = D::CONFUSIONS.iter().find(|(name, _)| *name == unit) {
        return QuantityError::new(format!("'{shown}' is no unit of {}", D::NAME), *word);
    }
    if let Some(meant) = but_for_case(D::UNITS, &unit) {
        let remedy = format!("large and small letters differ: did you mean \"{number} {meant}\"?");
        return QuantityError::new(format!("'{shown}' is no unit of {}", D::NAME), remedy);
    }
    let elsewhere = belongs_to(&unit).map_or(String::new(), |what| format!(": it belongs to {what}"));
    QuantityError::unknown_unit(
        format!("'{shown}' is no unit of {}{elsewhere}", D::NAME),
        format!("use one of {}, such as \"{}\"", known_units(D::UNITS), D::example()),
    )
}

/// A unit of another system, with the value in one that is read.
fn foreign<D: Dimension>(number: &str, unit: &str, shown: &str) -> Option<QuantityError> {
    let (_, factor, metric) =
        FOREIGN.iter().find(|(name, _, metric)| *name == unit && is_unit::<D>(metric))?;
    let value = number.parse::<f64>().ok()?;
    let kind = if D::STATISTICS.is_empty() { "" } else { ", with its kind behind" };
    let remedy = format!("write \"{} {metric}\"{kind}", trimmed(value * factor));
    Some(QuantityError::new(format!("'{shown}' is no unit that is read here"), remedy))
}

fn known_units(units: &[Unit]) -> String {
    let names: Vec<&str> = units.iter().filter_map(|u| u.spellings.first().copied()).collect();
    names.join(", ")
}

/// A kind of amplitude in other words than those that are read, or without a blank before it; with what to write.
pub(super) fn kind<D: Dimension>(number: &str, rest: &str) -> Option<QuantityError> {
    let rest = rest.trim();
    let small = rest.to_lowercase();
    let known = STATISTIC_SPELLINGS.iter().chain(&KINDS_BY_MISTAKE);
    let (unit, meant) = known.copied().find_map(|(alias, meant)| {
        let unit = rest.get(..small.strip_suffix(alias)?.len())?;
        // A letter alone is a kind only where a blank parts it from the unit.
        let parted = unit.ends_with(char::is_whitespace) || alias.len() > 1;
        (parted && is_unit::<D>(unit)).then_some((unit, meant))
    })?;
    let written = rest.get(unit.len()..).unwrap_or("");
    let unit = unit.trim_end();
    if !D::STATISTICS.iter().any(|(name, _)| *name == meant) {
        return Some(wrong_kind::<D>(number, unit, written));
    }
    let message = if STATISTIC_SPELLINGS.iter().any(|(spelling, _)| *spelling == written) {
        format!("a blank is missing before '{written}'")
    } else {
        format!("'{written}' is no kind of amplitude that is read here")
    };
    Some(QuantityError::new(message, format!("write \"{number} {unit} {meant}\"")))
}

fn is_unit<D: Dimension>(written: &str) -> bool {
    let unit = normalise(written);
    D::UNITS.iter().any(|u| u.spellings.iter().any(|s| is_spelled(&unit, s)))
}

/// An amplitude without its kind.
pub(super) fn no_kind<D: Dimension>(number: &str, unit: &str) -> QuantityError {
    let unit = unit.trim();
    let kinds: Vec<String> =
        D::STATISTICS.iter().map(|(name, _)| format!("\"{number} {unit} {name}\"")).collect();
    let gravity = match (normalise(unit).as_str(), D::SI) {
        ("g", "m/s2") => " ('g' is standard gravity here)",
        _ => "",
    };
    QuantityError::new(
        "the amplitude does not say whether it is peak, rms or peak-to-peak",
        format!("add its kind: {}{gravity}", kinds.join(", ")),
    )
}

/// A kind of amplitude where none belongs, or another one than noise is stated in.
pub(super) fn wrong_kind<D: Dimension>(number: &str, unit: &str, alias: &str) -> QuantityError {
    let unit = unit.trim();
    if D::STATISTICS.is_empty() {
        let message = match D::SI {
            "m" | "m/s" | "m/s2" | "V" | "A" | "N" => {
                format!("this is {} at rest or at one instant, no amplitude", D::NAME)
            }
            _ => format!("{} has no kind of amplitude", D::NAME),
        };
        return QuantityError::new(message, format!("leave out '{alias}': \"{number} {unit}\""));
    }
    QuantityError::new(
        format!("'{alias}' does not fit here"),
        format!("this is noise: say it as rms, such as \"{}\"", D::example()),
    )
}
