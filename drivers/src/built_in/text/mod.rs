//! Amplifiers, contacts and ambient sensors that take lines of text: commands and questions from the rig file.

pub mod ambient;
pub mod amplifier;
pub mod contacts;

use super::link::number::{self, shorten};
use super::link::talk::Talk;
use super::settings::Number;
use crate::error::{DriverError, ErrorKind};
use plan_schema::written_table;

written_table! {
    /// A question that is answered by one of two words.
    pub struct State {
        /// The question.
        pub ask: String,
        /// Answers that mean yes.
        pub yes: Vec<String> = vec!["1".to_owned(), "ON".to_owned()],
        /// Answers that mean no.
        pub no: Vec<String> = vec!["0".to_owned(), "OFF".to_owned()],
    }
}

impl State {
    /// Asks it.
    ///
    /// # Errors
    /// `bad_data` for an answer that is neither.
    pub(in crate::built_in) async fn ask(
        &self,
        talk: &mut Talk,
        op: &'static str,
    ) -> Result<bool, DriverError> {
        let answer = talk.ask(op, &self.ask).await?;
        let is_in = |words: &[String]| words.iter().any(|w| answer.eq_ignore_ascii_case(w));
        match (is_in(&self.yes), is_in(&self.no)) {
            (true, false) => Ok(true),
            (false, true) => Ok(false),
            _ => {
                let detail = format!(
                    "'{}' is answered by '{}', which is neither of yes ('{}') nor of no ('{}')",
                    self.ask,
                    shorten(&answer),
                    self.yes.join("', '"),
                    self.no.join("', '")
                );
                Err(talk.wrong(ErrorKind::BadData, op, detail))
            }
        }
    }
}

written_table! {
    /// A question that is answered by a number: `scale` times it, plus `offset`.
    pub struct Figure {
        /// The question.
        pub ask: String,
        /// What stands before the number in the answer.
        pub before: String = String::new(),
        /// What stands behind it.
        pub after: String = String::new(),
        /// What the number is multiplied by.
        pub scale: Number = Number(1.0),
        /// What is added.
        pub offset: Number = Number(0.0),
    }
}

impl Figure {
    /// Asks it.
    ///
    /// # Errors
    /// `bad_data` for an answer that is no number between what stands about it.
    async fn ask(&self, talk: &mut Talk, op: &'static str) -> Result<f64, DriverError> {
        let answer = talk.ask(op, &self.ask).await?;
        let inner =
            answer.strip_prefix(self.before.as_str()).and_then(|a| a.strip_suffix(self.after.as_str()));
        let number = match inner {
            Some(inner) => number::parse(inner),
            None => Err(format!(
                "'{}' does not begin with '{}' and end with '{}'",
                shorten(&answer),
                self.before,
                self.after
            )),
        };
        match number {
            Ok(number) => Ok(number * self.scale.0 + self.offset.0),
            Err(detail) => Err(talk.wrong(ErrorKind::BadData, op, format!("asked '{}': {detail}", self.ask))),
        }
    }
}

#[cfg(test)]
mod tests;
