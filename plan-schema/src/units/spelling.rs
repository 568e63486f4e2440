//! The many ways to write one unit: superscripts, micro signs, ohm, degrees, products, blanks.
//!
//! Owns: [`normalise`], which brings what was written to the spelling of the tables, and [`pattern_of`], the regular
//! expression of exactly what [`normalise`] brings there, so that a JSON Schema and the reader accept the same.

/// Characters that stand for others.
const SAME: [(char, &str); 21] = [
    ('²', "2"),
    ('³', "3"),
    ('⁻', "-"),
    ('−', "-"),
    ('\u{b5}', "u"),
    ('\u{3bc}', "u"),
    ('\u{3a9}', "ohm"),
    ('\u{2126}', "ohm"),
    ('°', "deg"),
    ('º', "deg"),
    ('℃', "degC"),
    ('√', "sqrt"),
    ('∕', "/"),
    ('⁄', "/"),
    ('⋅', "·"),
    ('∙', "·"),
    ('*', "·"),
    ('×', "·"),
    ('.', "·"),
    ('（', "("),
    ('）', ")"),
];

/// One spelling for the many ways to write a unit. A product is marked by `·`, also where a blank parts its factors.
pub(super) fn normalise(unit: &str) -> String {
    let mut out = String::with_capacity(unit.len());
    let mut blank = false;
    for c in unit.trim().chars() {
        if c.is_whitespace() {
            blank = true;
            continue;
        }
        let same = SAME.iter().find(|(written, _)| *written == c).map(|(_, same)| *same);
        let mut utf8 = [0; 4];
        let next = same.unwrap_or_else(|| c.encode_utf8(&mut utf8));
        // A blank parts the factors of a product; beside any other sign it says nothing.
        let joins = |s: char| matches!(s, '/' | '(' | ')' | '·');
        if blank && !out.ends_with(joins) && !next.starts_with(joins) {
            out.push('·');
        }
        blank = false;
        // A caret says nothing that the digit behind it does not.
        if next != "^" {
            out.push_str(next);
        }
    }
    out.replace("sqrt(Hz)", "sqrtHz").replace("rtHz", "sqrtHz").replace("sqsqrtHz", "sqrtHz")
}

/// Whether a normalised unit is a spelling of the tables. The mark of a product may be left out.
pub(super) fn is_spelled(normalised: &str, spelling: &str) -> bool {
    normalised == spelling || (spelling.contains('·') && normalised == spelling.replace('·', ""))
}

/// Regular expression of everything that [`normalise`] brings to a spelling of the tables.
pub(super) fn pattern_of(spelling: &str) -> String {
    let mut out = String::new();
    let mut rest = spelling;
    while let Some(c) = rest.chars().next() {
        let (length, piece): (usize, &str) = if rest.starts_with("sqrtHz") {
            (6, r"(?:(?:sq)?rt|√)(?:Hz|\(Hz\))")
        } else if rest.starts_with("ohm") {
            (3, r"(?:ohm|Ω|Ω)")
        } else if rest.starts_with("degC") {
            (4, r"(?:(?:deg|°|º)C|℃)")
        } else if rest.starts_with("deg") {
            (3, r"(?:deg|°|º)")
        } else {
            let piece = match c {
                '2' => r"\^?[2²]",
                '-' => r"\^?[-−⁻]",
                'u' => "[uµμ]",
                '/' => r"\s*[/∕⁄]\s*",
                '(' => r"\s*\(\s*",
                ')' => r"\s*\)",
                '·' => r"\s*[·⋅∙*×.]?\s*",
                _ => "",
            };
            (c.len_utf8(), piece)
        };
        let (written, after) = rest.split_at(length);
        out.push_str(if piece.is_empty() { written } else { piece });
        rest = after;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_ways_are_one() {
        for (spelling, ways) in [
            ("m/s2", &["m/s²", "m/s2", "m/s^2", "m / s²", "m∕s²"][..]),
            ("m·s-2", &["m·s⁻²", "m s-2", "m*s^-2", "m⋅s⁻²", "m.s-2"]),
            ("N·m", &["N·m", "N m", "N*m", "N.m", "N ⋅ m"]),
            ("ug/sqrtHz", &["µg/√Hz", "μg/sqrt(Hz)", "ug/rtHz", "ug / √(Hz)"]),
            ("kohm", &["kΩ", "kΩ", "kohm"]),
            ("degC", &["°C", "℃", "degC", "ºC"]),
            ("V/(m/s2)", &["V/(m/s²)", "V / (m / s^2)"]),
        ] {
            for way in ways {
                assert_eq!(normalise(way), spelling, "{way}");
            }
        }
        assert!(is_spelled("Nm", "N·m") && is_spelled("N·m", "N·m"));
        // A product of metre and volt is no millivolt, and metres times seconds are no milliseconds.
        assert!(!is_spelled(&normalise("m·V"), "mV") && !is_spelled(&normalise("m s"), "ms"));
    }
}
