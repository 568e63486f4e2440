//! The certificate's fixed strings, by language.
//!
//! Owns looking up and filling in. Must not hold text itself: that is in `messages-LANGUAGE.toml`.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

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

/// A language that certificates are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub enum Language {
    /// English.
    #[default]
    #[serde(rename = "en")]
    English,
    /// German.
    #[serde(rename = "de")]
    German,
}

impl Language {
    /// Every language there is.
    pub const ALL: [Self; 2] = [Self::English, Self::German];

    /// Its code of ISO 639-1.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::German => "de",
        }
    }
}

/// The strings of one language.
#[derive(Debug)]
pub struct Messages {
    language: Language,
    sections: BTreeMap<String, BTreeMap<String, String>>,
}

impl Messages {
    /// The strings of a language.
    ///
    /// # Errors
    /// If the file in the program is damaged.
    pub fn of(language: Language) -> Result<Self, MissingMessage> {
        let text = match language {
            Language::English => include_str!("messages-en.toml"),
            Language::German => include_str!("messages-de.toml"),
        };
        toml::from_str(text)
            .map(|sections| Self { language, sections })
            .map_err(|error| MissingMessage { place: format!("messages-{}.toml ({error})", language.code()) })
    }

    /// Which language it is.
    #[must_use]
    pub fn language(&self) -> Language {
        self.language
    }

    /// Whether this is the language in which records are kept, so that their messages can be printed as they are.
    #[must_use]
    pub fn tells_as_recorded(&self) -> bool {
        self.language == Language::English
    }

    /// The mark between whole numbers and decimals.
    ///
    /// # Errors
    /// If this language lacks it.
    pub fn decimal_mark(&self) -> Result<char, MissingMessage> {
        let mark = self.text("words", "decimal_mark")?;
        mark.chars().next().ok_or_else(|| MissingMessage { place: "words.decimal_mark".to_owned() })
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

    /// The name of a component of a budget in this language; as recorded where the language has none of its own.
    #[must_use]
    pub fn component(&self, recorded: &str) -> String {
        let known = |name: &str| self.sections.get("component")?.get(name).cloned();
        if let Some(name) = known(recorded) {
            return name;
        }
        let at = " (reference frequency)";
        match recorded
            .strip_suffix(at)
            .map(|name| (self.component(name), self.text("component", "at_reference")))
        {
            Some((name, Ok(there))) => format!("{name} {there}"),
            _ => recorded.to_owned(),
        }
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
    use super::super::data::{Arrow, Condition, DeviationFrom, EquipmentRole, Mounting, Rule, SensorKind};
    use super::*;
    use crate::record::words::{Decision, FindingKind, Method, Outcome, PointStatus, Polarity, TripReason};

    /// A language may neither lack a string of English nor have one more, nor fill in other values.
    #[test]
    fn every_language_has_the_same_strings() {
        let english = Messages::of(Language::English).unwrap();
        let braces = |text: &str| -> Vec<String> {
            let mut names: Vec<_> =
                text.split('{').skip(1).filter_map(|t| Some(t.split_once('}')?.0.to_owned())).collect();
            names.sort();
            names
        };
        for language in Language::ALL {
            let messages = Messages::of(language).unwrap();
            let keys = |m: &Messages| -> Vec<(String, String, Vec<String>)> {
                let sections = m.sections.iter();
                sections
                    .flat_map(|(s, texts)| texts.iter().map(|(k, t)| (s.clone(), k.clone(), braces(t))))
                    .collect()
            };
            assert_eq!(keys(&messages), keys(&english), "{language:?}");
            assert_eq!(messages.text("words", "language").unwrap(), language.code());
        }
    }

    #[test]
    fn every_word_of_every_vocabulary_has_its_text() {
        let messages = Messages::of(Language::English).unwrap();
        let mut needed: Vec<(&str, &str)> = Vec::new();
        needed.extend(SensorKind::ALL.iter().map(|w| ("kind", w.word())));
        needed.extend(Condition::ALL.iter().map(|w| ("condition", w.word())));
        needed.extend(Mounting::ALL.iter().map(|w| ("mounting", w.word())));
        needed.extend(Arrow::ALL.iter().map(|w| ("arrow", w.word())));
        needed.extend(EquipmentRole::ALL.iter().map(|w| ("equipment", w.word())));
        needed.extend(Rule::ALL.iter().map(|w| ("rule", w.word())));
        needed.extend(DeviationFrom::ALL.iter().map(|w| ("base", w.word())));
        needed.extend(Decision::ALL.iter().flat_map(|w| [("decision", w.word()), ("statement", w.word())]));
        needed.extend(Method::ALL.iter().map(|w| ("method", w.word())));
        needed.extend(Polarity::ALL.iter().map(|w| ("polarity", w.word())));
        needed.extend(FindingKind::ALL.iter().map(|w| ("finding", w.word())));
        needed.extend(TripReason::ALL.iter().map(|w| ("trip", w.word())));
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
        let messages = Messages::of(Language::English).unwrap();
        let text = messages.filled("base", "reference_frequency", &[("frequency", "{16}")]).unwrap();
        assert_eq!(text, "sensitivity at {16} Hz");
        let error = messages.filled("base", "reference_frequency", &[]).unwrap_err();
        assert!(error.to_string().contains("base.reference_frequency"), "{error}");
        assert!(messages.text("base", "no such").is_err());
    }
}
