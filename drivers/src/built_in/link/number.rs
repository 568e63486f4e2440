//! Numbers as instruments write them, read the same whatever the language of this machine.

/// What SCPI-99 (volume 1, 7.2.1.4 and 7.2.1.5) writes for infinity and for no number; from memory.
const INFINITY: f64 = 9.9e37;

/// Reads a number: NR1, NR2 or NR3 of IEEE 488.2, with blanks about it.
///
/// # Errors
/// Where it is none, or stands for infinity or for no number.
pub(crate) fn parse(text: &str) -> Result<f64, String> {
    let word = text.trim();
    if word.contains(',') {
        return Err(format!("'{word}' has a comma where a number has a decimal point"));
    }
    let plain = word.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b'e' | b'E'));
    let number = if plain { word.parse::<f64>().ok() } else { None };
    match number {
        Some(number) if number.is_finite() && number.abs() < INFINITY => Ok(number),
        Some(_) => Err(format!("'{word}' stands for infinity or for no number")),
        None => Err(format!("'{}' is no number", shorten(word))),
    }
}

/// The beginning of a text that may be long.
pub(crate) fn shorten(text: &str) -> String {
    let most = 60;
    if text.chars().count() <= most {
        return text.escape_debug().collect();
    }
    let short: String = text.chars().take(most).collect();
    format!("{}…", short.escape_debug())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_of_instruments() {
        for (text, value) in
            [("+1.000000E+01", 10.0), (" 5\r", 5.0), ("-0.25", -0.25), (".5", 0.5), ("1e3", 1000.0)]
        {
            assert!((parse(text).unwrap() - value).abs() < 1e-12, "{text}");
        }
        for text in ["", "1,5", "nan", "inf", "9.91E37", "-9.9E37", "1 2", "0x10", "1e999", "٣", "5 V"] {
            assert!(parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn what_was_written_is_read(value in -1e30_f64..1e30) {
            let read = parse(&format!("{value:e}")).unwrap();
            prop_assert!((read - value).abs() <= 0.0);
        }

        #[test]
        fn nothing_is_read_that_is_no_number(text in "\\PC*") {
            if let Ok(value) = parse(&text) {
                prop_assert!(value.is_finite());
            }
        }
    }
}
