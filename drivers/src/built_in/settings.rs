//! Settings of an instrument, read with the same care as any other written input.
//!
//! Owns: the way from the free table in the rig file to a driver's own type (unknown keys, units, missing keys), and the
//! types that several drivers share. A mistake is said as `settings.KEY: what is wrong; what to write`.

use super::link::talk::Talk;
use crate::error::{DriverError, ErrorKind};
use crate::safe::Identity;
use plan_schema::read::{Diagnostic, Document, Node, Notes, Written};
use plan_schema::rig::Instrument;
use plan_schema::written_table;
use serde::Serialize;
use serde_json::{Value, json};
use toml::de::DeValue;

/// Reads the settings of an instrument.
///
/// # Errors
/// Everything that is wrong with them, each with its key and its remedy.
pub fn read<T: Written>(instrument: &Instrument) -> Result<T, Vec<String>> {
    let text = toml::to_string(&instrument.settings.0)
        .map_err(|e| vec![format!("settings: they can't be read: {e}; write plain keys and values")])?;
    // A table without a line has no place to point at.
    let text = if text.is_empty() { "# no settings\n".to_owned() } else { text };
    Document::<T>::read("settings", &text)
        .map(|document| document.value)
        .map_err(|report| report.0.0.iter().map(|d| sentence(&text, d)).collect())
}

/// The same where an instrument is opened.
///
/// # Errors
/// `unsupported` with everything that is wrong.
pub fn read_or_refuse<T: Written>(
    instrument: &Instrument,
    problems: impl Fn(&T) -> Vec<String>,
) -> Result<T, DriverError> {
    let found = match read::<T>(instrument) {
        Ok(settings) => match problems(&settings) {
            none if none.is_empty() => return Ok(settings),
            some => some,
        },
        Err(found) => found,
    };
    Err(DriverError::new(ErrorKind::Unsupported, &instrument.name, "open", found.join("\n")))
}

/// Everything that is wrong with an instrument's settings: as they are written, and as `problems` finds them.
#[must_use]
pub fn check<T: Written>(instrument: &Instrument, problems: impl Fn(&T) -> Vec<String>) -> Vec<String> {
    match read::<T>(instrument) {
        Ok(settings) => problems(&settings),
        Err(found) => found,
    }
}

fn sentence(text: &str, diagnostic: &Diagnostic) -> String {
    let mut place = diagnostic.span.as_ref().map_or_else(String::new, |span| path(text, span.start));
    // What is missing is missing in the table, not at the key that happens to come first.
    if diagnostic.message.ends_with(" is missing") {
        place.truncate(place.rfind('.').unwrap_or(0));
    }
    let remedy = diagnostic.remedy.as_ref().map_or_else(String::new, |remedy| format!("; {remedy}"));
    format!("settings{place}: {}{remedy}", diagnostic.message)
}

/// The key that stands at `offset`, such as `.link.tcp`.
fn path(text: &str, offset: usize) -> String {
    let mut heading = String::new();
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let end = start + line.len();
        let words = line.trim();
        let is_heading = words.starts_with('[') && words.ends_with(']');
        if is_heading {
            heading = format!(".{}", words.trim_matches(['[', ']']));
        }
        if offset < end {
            let key = words.split_once('=').filter(|_| !is_heading).map(|(key, _)| key.trim());
            return key.map_or(heading.clone(), |key| format!("{heading}.{key}"));
        }
        start = end;
    }
    String::new()
}

/// A bare number: a factor between what a register or a reply holds and the unit that its key names.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Number(pub f64);

impl Written for Number {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let value = match node.value {
            DeValue::Integer(n) => n.as_str().parse::<f64>().ok(),
            DeValue::Float(x) => x.as_str().parse::<f64>().ok(),
            _ => None,
        };
        let value = value.filter(|v| v.is_finite());
        if value.is_none() {
            let message = format!("this should be a finite number without a unit, but it is {}", node.kind());
            notes.error(Some(node.span.clone()), message, Some("write such as 0.01".to_owned()));
        }
        value.map(Self)
    }

    fn schema() -> Value {
        json!({ "type": "number" })
    }
}

written_table! {
    /// Who an instrument has to say it is; what is absent may be anything.
    pub struct WantedIdentity: Default {
        /// Maker.
        pub make: Option<String> = None,
        /// Model.
        pub model: Option<String> = None,
        /// Serial number.
        pub serial: Option<String> = None,
    }
}

impl WantedIdentity {
    /// Who an instrument says it is, once that is who is wanted; nobody in particular where it is not to be asked.
    ///
    /// # Errors
    /// As [`Self::compare`], or where it does not answer.
    pub(super) async fn ask(
        &self,
        talk: &mut Talk,
        identify: &str,
        instrument: &str,
    ) -> Result<Identity, DriverError> {
        let found = match identify {
            "" => Identity::default(),
            question => identity(&talk.identify(question).await?),
        };
        self.compare(&found, instrument)?;
        Ok(found)
    }

    /// Compares with who answers.
    ///
    /// # Errors
    /// `bad_data` for another instrument than the rig file names.
    pub(super) fn compare(&self, found: &Identity, instrument: &str) -> Result<(), DriverError> {
        let pairs = [
            ("make", &self.make, &found.make),
            ("model", &self.model, &found.model),
            ("serial", &self.serial, &found.serial),
        ];
        for (what, wanted, found) in pairs {
            if let Some(wanted) = wanted.as_ref().filter(|w| *w != found) {
                let detail = format!(
                    "another instrument answers: its {what} is '{found}', and the rig file says '{wanted}'; connect the \
                     right one, or correct settings.identity.{what}"
                );
                return Err(DriverError::new(ErrorKind::BadData, instrument, "open", detail));
            }
        }
        Ok(())
    }
}

/// Reads the four fields of an identification (IEEE 488.2, `*IDN?`: maker, model, serial number, firmware).
pub(super) fn identity(reply: &str) -> Identity {
    let mut fields = reply.splitn(4, ',').map(|f| f.trim().trim_matches('"').to_owned());
    let mut next = || fields.next().unwrap_or_default();
    Identity { make: next(), model: next(), serial: next(), firmware: next() }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use plan_schema::units::Seconds;

    /// An instrument whose settings are this TOML.
    pub(in crate::built_in) fn instrument(driver: &str, settings: &str) -> Instrument {
        let text = format!("name = \"unit\"\ndriver = \"{driver}\"\n[settings]\n{settings}");
        Document::<Instrument>::read("instrument", &text).unwrap().value
    }

    written_table! {
        /// A table of the tests.
        pub struct Inner {
            /// A time.
            pub wait: Seconds,
        }
    }

    written_table! {
        /// A table of the tests.
        pub struct Outer {
            /// A number.
            pub scale: Number = Number(1.0),
            /// A table.
            pub inner: Inner,
            /// Tables.
            pub several: Vec<Inner> = Vec::new(),
        }
    }

    #[test]
    fn mistakes_are_said_with_key_and_remedy() {
        let of = |settings: &str| read::<Outer>(&instrument("x", settings)).unwrap_err().join("\n");
        insta::assert_snapshot!(of("scal = 3\ninner = { wait = \"3 mm\" }\nseveral = [{ wait = 4 }]"));
        insta::assert_snapshot!("nothing", of(""));
        let good = read::<Outer>(&instrument("x", "scale = -2.5e-3\ninner = { wait = \"3 ms\" }")).unwrap();
        assert!((good.scale.0 + 2.5e-3).abs() < 1e-18 && (good.inner.wait.si() - 3e-3).abs() < 1e-18);
    }

    #[test]
    fn another_instrument_is_refused() {
        let found = identity("Quarrel Bench, G2 , 0071,1.02,b");
        assert_eq!((found.make.as_str(), found.serial.as_str()), ("Quarrel Bench", "0071"));
        assert_eq!(found.firmware, "1.02,b");
        let wanted =
            |serial: &str| WantedIdentity { serial: Some(serial.to_owned()), ..WantedIdentity::default() };
        assert!(wanted("0071").compare(&found, "unit").is_ok());
        let refused = wanted("0072").compare(&found, "unit").unwrap_err();
        assert_eq!(refused.kind, ErrorKind::BadData);
        assert!(WantedIdentity::default().compare(&identity(""), "unit").is_ok());
    }
}
