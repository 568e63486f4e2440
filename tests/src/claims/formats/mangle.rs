//! Valid texts with pieces removed, doubled, swapped and put in, at boundaries of characters.

use super::chance::Chance;

/// Pieces that readers are likely to stumble over.
const PIECES: [&str; 44] = [
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ".",
    ",",
    "\"",
    "'",
    "\"\"\"",
    "'''",
    "\\",
    "\\u",
    "\\uD800",
    "#",
    "\n",
    "\r\n",
    "\r",
    "\t",
    "\u{0}",
    "\u{feff}",
    "\u{2028}",
    "²",
    "µ",
    "√",
    "−",
    "°",
    "𝟙",
    "é\u{301}",
    "1e999",
    "-0",
    "nan",
    "inf",
    "0x7f",
    "1979-05-27",
    "99999999999999999999",
    "0.1.2",
    "e",
    " pk",
    " rms",
    "null",
    "true",
];

/// The text with one to four changes.
#[must_use]
pub fn mangle(text: &str, chance: &mut Chance) -> String {
    let mut out = text.to_owned();
    for _ in 0..=chance.below(4) {
        let at = boundary(&out, chance.below(out.len() + 1));
        let end = boundary(&out, (at + chance.below(24)).min(out.len()));
        match chance.below(8) {
            0 => out.replace_range(at..end, ""),
            1 => out.insert_str(at, chance.of(&PIECES)),
            2 => out.replace_range(at..end, chance.of(&PIECES)),
            3 => {
                let piece = out.get(at..end).unwrap_or("").to_owned();
                let to = boundary(&out, chance.below(out.len() + 1));
                out.insert_str(to, &piece);
            }
            4 => digit(&mut out, at, chance),
            5 => swap_lines(&mut out, chance),
            6 => out.truncate(if chance.in_percent(10) { at } else { out.len() }),
            _ => {
                let c = char::from_u32(u32::try_from(chance.below(0x3000)).unwrap_or(0)).unwrap_or('x');
                out.insert(at, c);
            }
        }
    }
    out
}

/// The boundary between characters at `at` or before it.
fn boundary(text: &str, mut at: usize) -> usize {
    at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// Another digit in the place of the next one.
fn digit(text: &mut String, at: usize, chance: &mut Chance) {
    let next = text.get(at..).and_then(|rest| rest.find(|c: char| c.is_ascii_digit())).map(|n| at + n);
    if let Some(at) = next {
        text.replace_range(at..=at, chance.of(&["0", "1", "9", "-1", "1e300", "0.000001", "4294967296"]));
    }
}

fn swap_lines(text: &mut String, chance: &mut Chance) {
    let mut lines: Vec<&str> = text.lines().collect();
    if lines.len() > 1 {
        let (a, b) = (chance.below(lines.len()), chance.below(lines.len()));
        lines.swap(a, b);
        *text = lines.join("\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_seed_makes_one_text() {
        let of = |seed| mangle("name = \"Größe ² 10 µm\"\n[a]\nb = 1\n", &mut Chance::new(seed));
        assert_eq!(of(7), of(7));
        assert!((0..50).map(of).collect::<std::collections::BTreeSet<_>>().len() > 40);
    }
}
