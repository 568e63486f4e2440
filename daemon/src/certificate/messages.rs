//! The certificate's fixed strings, by language.
//!
//! Owns looking up and filling in. Must not hold text itself: that is in `messages-LANGUAGE.toml`.

use std::collections::BTreeMap;
use std::fmt;

/// A string that a language lacks: a defect of the program, but it must not print a certificate with a hole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MissingMessage {
    place: String,
}

impl fmt::Display for MissingMessage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the certificate's messages lack `{}`: a defect of the program, please report it",
            self.place
        )
    }
}

impl std::error::Error for MissingMessage {}

/// The strings of one language.
#[derive(Debug)]
pub struct Messages {
    sections: BTreeMap<String, BTreeMap<String, String>>,
}

impl Messages {
    /// English.
    ///
    /// # Errors
    /// If the file in the program is damaged.
    pub fn english() -> Result<Self, MissingMessage> {
        let text = include_str!("messages-en.toml");
        toml::from_str(text)
            .map(|sections| Self { sections })
            .map_err(|error| MissingMessage { place: format!("messages-en.toml ({error})") })
    }

    /// One string.
    ///
    /// # Errors
    /// If this language lacks it.
    pub fn text(&self, section: &str, key: &str) -> Result<&str, MissingMessage> {
        self.section(section)?
            .get(key)
            .map(String::as_str)
            .ok_or_else(|| MissingMessage { place: format!("{section}.{key}") })
    }

    /// One string with its braces filled in.
    ///
    /// # Errors
    /// If this language lacks it, or a brace is left over.
    pub fn filled(
        &self,
        section: &str,
        key: &str,
        values: &[(&str, &str)],
    ) -> Result<String, MissingMessage> {
        let mut rest = self.text(section, key)?;
        let mut text = String::new();
        // One pass, so that braces within a value stay what they are.
        while let Some((before, after)) = rest.split_once('{') {
            let filled = after.split_once('}').and_then(|(name, rest)| {
                values.iter().find(|(known, _)| *known == name).map(|(_, value)| (*value, rest))
            });
            let Some((value, after)) = filled else {
                return Err(MissingMessage { place: format!("{section}.{key}, value for `{{{after}`") });
            };
            text.push_str(before);
            text.push_str(value);
            rest = after;
        }
        text.push_str(rest);
        Ok(text)
    }

    /// All strings of a section, for the template.
    ///
    /// # Errors
    /// If this language lacks it.
    pub fn section(&self, section: &str) -> Result<&BTreeMap<String, String>, MissingMessage> {
        self.sections.get(section).ok_or_else(|| MissingMessage { place: format!("[{section}]") })
    }
}

#[cfg(test)]
mod tests {
    use super::super::data::{Condition, DeviationFrom, Mounting, Rule, SensorKind};
    use super::*;
    use crate::record::words::{Decision, Method, Outcome, PointStatus, Polarity};

    #[test]
    fn every_word_of_every_vocabulary_has_its_text() {
        let messages = Messages::english().unwrap();
        let mut needed: Vec<(&str, &str)> = Vec::new();
        needed.extend(SensorKind::ALL.iter().map(|w| ("kind", w.word())));
        needed.extend(Condition::ALL.iter().map(|w| ("condition", w.word())));
        needed.extend(Mounting::ALL.iter().map(|w| ("mounting", w.word())));
        needed.extend(Rule::ALL.iter().map(|w| ("rule", w.word())));
        needed.extend(DeviationFrom::ALL.iter().map(|w| ("base", w.word())));
        needed.extend(Decision::ALL.iter().flat_map(|w| [("decision", w.word()), ("statement", w.word())]));
        needed.extend(Method::ALL.iter().map(|w| ("method", w.word())));
        needed.extend(Polarity::ALL.iter().map(|w| ("polarity", w.word())));
        let unfinished = Outcome::ALL.iter().filter(|w| **w != Outcome::Done);
        needed.extend(unfinished.map(|w| ("outcome", w.word())));
        let without_result = PointStatus::ALL.iter().filter(|w| **w != PointStatus::Accepted);
        needed.extend(without_result.map(|w| ("status", w.word())));
        for (section, key) in needed {
            assert!(messages.text(section, key).is_ok(), "{section}.{key}");
        }
    }

    #[test]
    fn fills_in_and_leaves_values_alone() {
        let messages = Messages::english().unwrap();
        let text = messages.filled("base", "reference_frequency", &[("frequency", "{16}")]).unwrap();
        assert_eq!(text, "sensitivity at {16} Hz");
        let error = messages.filled("base", "reference_frequency", &[]).unwrap_err();
        assert!(error.to_string().contains("base.reference_frequency"), "{error}");
        assert!(messages.text("base", "no such").is_err());
    }
}
