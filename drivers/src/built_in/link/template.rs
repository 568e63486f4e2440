//! Commands as templates: `"SOUR1:FREQ {hz:.6}"`, so that an instrument nobody here knows needs no code.
//!
//! Owns: placeholders and their formats. `{name}` is the shortest number that reads back the same, `{name:.6}` has six
//! decimals, `{name:.4e}` an exponent, `{name:.0}` is whole; `{{` and `}}` are braces. The decimal mark is a point.
//! Invariant: a number that is a limit (see [`Template::render`]) is never rounded up.

use plan_schema::read::{Node, Notes, Written};
use serde::Serialize;
use serde_json::{Value, json};

/// A command with places for numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    text: String,
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, PartialEq)]
enum Piece {
    Text(String),
    Number { name: String, format: Format },
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Format {
    Shortest,
    Fixed(u8),
    Exponent(u8),
}

/// Most decimals: more than an `f64` has.
const DECIMALS_MAX: u8 = 17;

/// A number with its name in templates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Given {
    /// Name of the placeholder.
    pub(crate) name: &'static str,
    /// The number.
    pub(crate) value: f64,
    /// True where what is sent must not be larger in magnitude.
    pub(crate) limit: bool,
}

impl Template {
    /// A command without a place for a number.
    pub(crate) fn plain(text: &str) -> Self {
        Self { text: text.to_owned(), pieces: vec![Piece::Text(text.to_owned())] }
    }

    /// Reads a template.
    ///
    /// # Errors
    /// What is wrong and what to write.
    pub fn parse(text: &str) -> Result<Self, (String, String)> {
        let mut pieces = Vec::new();
        let mut plain = String::new();
        let mut chars = text.chars().peekable();
        while let Some(c) = chars.next() {
            match c {
                '{' | '}' if chars.peek() == Some(&c) => {
                    chars.next();
                    plain.push(c);
                }
                '{' => {
                    let mut inside = String::new();
                    let closed = loop {
                        match chars.next() {
                            Some('}') => break true,
                            Some(c) => inside.push(c),
                            None => break false,
                        }
                    };
                    if !closed {
                        return Err((
                            format!("the brace before '{inside}' is not closed"),
                            "write } behind the name, or {{ for a brace".to_owned(),
                        ));
                    }
                    if !plain.is_empty() {
                        pieces.push(Piece::Text(std::mem::take(&mut plain)));
                    }
                    pieces.push(placeholder(&inside)?);
                }
                '}' => {
                    return Err((
                        "a brace is closed that was not opened".to_owned(),
                        "write }} for a brace".to_owned(),
                    ));
                }
                c if c.is_control() => {
                    return Err((
                        "a command has a control character in it".to_owned(),
                        "leave it out; what ends a line is the link's 'ending'".to_owned(),
                    ));
                }
                c => plain.push(c),
            }
        }
        if !plain.is_empty() {
            pieces.push(Piece::Text(plain));
        }
        Ok(Self { text: text.to_owned(), pieces })
    }

    /// What is wrong about its placeholders where only `known` ones have a number; `key` is its place in the settings.
    pub(crate) fn problems(&self, key: &str, known: &[&str]) -> Vec<String> {
        let unknown = self.names().filter(|name| !known.contains(name));
        unknown
            .map(|name| {
                let there = if known.is_empty() { "no placeholder".to_owned() } else { known.join(", ") };
                format!("settings.{key}: there is no number for {{{name}}}; known here: {there}")
            })
            .collect()
    }

    /// True if one of these has a place in it.
    pub(crate) fn has_any(&self, names: &[&str]) -> bool {
        self.names().any(|name| names.contains(&name))
    }

    fn names(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().filter_map(|p| match p {
            Piece::Number { name, .. } => Some(name.as_str()),
            Piece::Text(_) => None,
        })
    }

    /// The command with its numbers in place, and each number as it was written, by its placeholder.
    ///
    /// # Errors
    /// Where a placeholder has no number, or a number is not finite.
    pub(crate) fn render(&self, given: &[Given]) -> Result<(String, Vec<(String, f64)>), String> {
        let mut out = String::with_capacity(self.text.len() + 16);
        let mut written = Vec::new();
        for piece in &self.pieces {
            match piece {
                Piece::Text(text) => out.push_str(text),
                Piece::Number { name, format } => {
                    let number = given
                        .iter()
                        .find(|g| g.name == name)
                        .ok_or_else(|| format!("there is no number for {{{name}}}"))?;
                    if !number.value.is_finite() {
                        return Err(format!("the number for {{{name}}} is not finite"));
                    }
                    let (text, value) = format.write(number)?;
                    out.push_str(&text);
                    written.push((name.clone(), value));
                }
            }
        }
        Ok((out, written))
    }
}

impl Format {
    /// The number as text and as that text reads.
    fn write(self, number: &Given) -> Result<(String, f64), String> {
        let read = |text: String| super::number::parse(&text).map(|value| (text, value));
        let text = |value: f64| match self {
            Self::Shortest => format!("{value}"),
            Self::Fixed(decimals) => format!("{value:.*}", usize::from(decimals)),
            Self::Exponent(decimals) => format!("{value:.*e}", usize::from(decimals)),
        };
        let (first, value) = read(text(number.value))?;
        // A hair above is the rounding of the number itself, not of its text.
        if !number.limit || value.abs() <= number.value.abs() * (1.0 + 1e-12) {
            return Ok((first, value));
        }
        let step = match self {
            Self::Shortest => 0.0,
            Self::Fixed(decimals) => 10_f64.powi(-i32::from(decimals)),
            Self::Exponent(decimals) => 10_f64.powf(number.value.abs().log10().floor() - f64::from(decimals)),
        };
        read(text(value - step * value.signum()))
    }
}

fn placeholder(inside: &str) -> Result<Piece, (String, String)> {
    let (name, format) = inside.split_once(':').unwrap_or((inside, ""));
    let wrong = || {
        (
            format!("'{{{inside}}}' is no placeholder"),
            "write such as {hz}, {hz:.6} or {v_peak:.4e}, and {{ for a brace".to_owned(),
        )
    };
    if name.is_empty() || !name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_') {
        return Err(wrong());
    }
    let decimals = |text: &str| text.parse::<u8>().ok().filter(|d| *d <= DECIMALS_MAX).ok_or_else(wrong);
    let format = match format.strip_prefix('.') {
        None if format.is_empty() => Format::Shortest,
        None => return Err(wrong()),
        Some(rest) => match rest.strip_suffix('e') {
            Some(digits) => Format::Exponent(decimals(digits)?),
            None => Format::Fixed(decimals(rest)?),
        },
    };
    Ok(Piece::Number { name: name.to_owned(), format })
}

impl Written for Template {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let span = node.span.clone();
        let text = String::read(node, notes)?;
        match Self::parse(&text) {
            Ok(template) => Some(template),
            Err((message, remedy)) => {
                notes.error(Some(span), message, Some(remedy));
                None
            }
        }
    }

    fn schema() -> Value {
        json!({ "type": "string", "examples": ["SOUR1:FREQ {hz:.6}"] })
    }
}

impl Serialize for Template {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn given(value: f64, limit: bool) -> [Given; 1] {
        [Given { name: "v", value, limit }]
    }

    fn render(template: &str, value: f64) -> String {
        Template::parse(template).unwrap().render(&given(value, false)).unwrap().0
    }

    #[test]
    fn numbers_take_their_places() {
        assert_eq!(render("SOUR1:FREQ {v:.6}", 16.0), "SOUR1:FREQ 16.000000");
        assert_eq!(render("{v}", 0.1), "0.1");
        assert_eq!(render("A{{{v:.3e}}}B", 1234.5), "A{1.234e3}B");
        assert_eq!(render("{v:.0}", 51_200.0), "51200");
        for bad in ["{", "{v", "}", "{}", "{V}", "{v:3}", "{v:.18}", "{v:.x}", "a\nb"] {
            assert!(Template::parse(bad).is_err(), "{bad}");
        }
        assert!(Template::parse("{v}").unwrap().render(&[]).is_err());
        assert!(Template::parse("{v}").unwrap().render(&given(f64::NAN, false)).is_err());
        assert_eq!(Template::parse("{v} {w}").unwrap().problems("amplitude", &["v"]).len(), 1);
    }

    #[test]
    fn a_limit_is_not_rounded_up() {
        let written = |template: &str, value: f64| {
            Template::parse(template).unwrap().render(&given(value, true)).unwrap().1[0].1
        };
        assert!((written("{v:.1}", 0.3) - 0.3).abs() < 1e-15);
        assert!((written("{v:.1}", 0.299) - 0.2).abs() < 1e-15);
        assert!((written("{v:.1e}", 0.0299) - 0.029).abs() < 1e-15);
        assert!(written("{v:.3}", 0.000_9).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn what_is_written_is_within_the_limit(value in 0.0_f64..1e3, decimals in 0_u8..9) {
            for template in [format!("{{v:.{decimals}}}"), format!("{{v:.{decimals}e}}"), "{v}".to_owned()] {
                let written = Template::parse(&template).unwrap().render(&given(value, true)).unwrap().1[0].1;
                prop_assert!(written <= value * (1.0 + 1e-11), "{} {} {}", template, value, written);
                prop_assert!(written >= 0.0);
            }
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC*") {
            let _ = Template::parse(&text);
        }
    }
}
