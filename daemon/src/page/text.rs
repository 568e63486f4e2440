//! Numbers, times and words as the page shows them.

use crate::http::zone::Zone;
use crate::record::UtcTime;
use crate::serve::words::Stage;
use maud::{Markup, html};

/// What stands where there is no value.
pub(super) const NONE: &str = "–";

/// A number with so many significant digits, without an exponent as long as that can be read.
pub(super) fn digits(value: f64, significant: usize) -> String {
    if !value.is_finite() {
        return NONE.to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let magnitude = value.abs().log10().floor();
    if !(-6.0..9.0).contains(&magnitude) {
        return minus(&format!("{value:.*e}", significant.saturating_sub(1)));
    }
    #[expect(clippy::cast_possible_truncation, reason = "between -6 and 9")]
    let magnitude = magnitude as i32;
    let decimals = i32::try_from(significant).unwrap_or(4) - 1 - magnitude;
    minus(&format!("{value:.*}", usize::try_from(decimals).unwrap_or(0)))
}

/// A number with so many decimals.
pub(super) fn decimals(value: f64, decimals: usize) -> String {
    if value.is_finite() { minus(&format!("{value:.decimals$}")) } else { NONE.to_owned() }
}

/// The same, or a dash.
pub(super) fn decimals_of(value: Option<f64>, count: usize) -> String {
    value.map_or_else(|| NONE.to_owned(), |v| decimals(v, count))
}

/// The same, or a dash.
pub(super) fn digits_of(value: Option<f64>, significant: usize) -> String {
    value.map_or_else(|| NONE.to_owned(), |v| digits(v, significant))
}

/// A voltage with the prefix that leaves few digits.
pub(super) fn volts(value: f64, significant: usize) -> String {
    let (scale, unit) = match value.abs() {
        v if v >= 0.1 || v == 0.0 => (1.0, "V"),
        v if v >= 1e-4 => (1e3, "mV"),
        _ => (1e6, "µV"),
    };
    format!("{} {unit}", digits(value * scale, significant))
}

/// A frequency of a plan: as short as it was written.
pub(super) fn frequency(hertz: f64) -> String {
    let text = digits(hertz, 6);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn minus(text: &str) -> String {
    text.replace('-', "−")
}

/// A length of time.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "not negative; a float cast saturates"
)]
pub(super) fn lasts(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    let (h, min, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    match (h, min) {
        (0, 0) => format!("{s} s"),
        (0, _) => format!("{min} min {s:02} s"),
        _ => format!("{h} h {min:02} min"),
    }
}

/// An instant in the laboratory's zone. Where none is set it is UTC, and the script shows it in the zone of whoever looks.
pub(super) fn instant(time: UtcTime, zone: &Zone) -> Markup {
    html! { time datetime=(time.to_string()) title=[zone.is_set().then(|| time.to_string())] { (zone.shown(time)) } }
}

/// A word of the records as people read it.
pub(super) fn words(word: &str) -> String {
    word.replace('_', " ")
}

/// The stage of a job in words.
pub(super) fn stage(stage: Stage) -> (&'static str, &'static str) {
    match stage {
        Stage::Waiting => ("waits", "calm"),
        Stage::Held => ("held", "warn"),
        Stage::NeedsPerson => ("needs a person", "warn"),
        Stage::Running => ("runs", "good"),
        Stage::Ended => ("ended", "calm"),
        Stage::Cancelled => ("cancelled", "calm"),
    }
}

/// How a word of an outcome or decision is coloured.
pub(super) fn tone(word: &str) -> &'static str {
    match word {
        "done" | "pass" | "accepted" | "released" | "amended" => "good",
        "tripped" | "failed" | "fail" | "rejected" => "bad",
        "conditional_pass" | "conditional_fail" | "interrupted" | "not_reached" | "draft" => "warn",
        _ => "calm",
    }
}

/// A word in a small box: the word says it, the colour only helps.
pub(super) fn badge(word: &str) -> Markup {
    html! { span class={ "badge " (tone(word)) } { (words(word)) } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_their_digits_and_no_more() {
        assert_eq!(digits(0.274_586_2, 4), "0.2746");
        assert_eq!(digits(-12_345.6, 4), "−12346");
        assert_eq!(digits(1.0e-9, 3), "1.00e−9");
        assert_eq!(digits(0.0, 3), "0");
        assert_eq!(digits(f64::NAN, 3), "–");
        assert_eq!(
            [0.5, 16.0, 31.5, 100.0, 16.666_667].map(frequency),
            ["0.5", "16", "31.5", "100", "16.6667"]
        );
    }

    #[test]
    fn voltages_are_said_in_a_unit_that_fits() {
        assert_eq!([2.503, 0.003_903_7, -9.94e-5].map(|v| volts(v, 4)), ["2.503 V", "3.904 mV", "−99.40 µV"]);
    }

    #[test]
    fn lengths_of_time_are_read_at_a_glance() {
        assert_eq!([0.2, 59.6, 135.7, 7_384.0].map(lasts), ["0 s", "1 min 00 s", "2 min 16 s", "2 h 03 min"]);
    }
}
