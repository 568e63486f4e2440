//! A place in a parsed document, and the notes that readers take about it.

use super::document::first_line;
use super::{Diagnostic, Diagnostics, Source};
use std::cell::RefCell;
use std::ops::Range;
use std::sync::Arc;
use toml::de::DeValue;

/// A value of the document and where it stands.
#[derive(Debug, Clone)]
pub struct Node<'a> {
    /// The value.
    pub value: &'a DeValue<'a>,
    /// Its bytes in the text.
    pub span: Range<usize>,
}

impl Node<'_> {
    /// What kind of value stands here, in words.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self.value {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number with a decimal point",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        }
    }
}

/// Collects what is wrong while a document is read.
#[derive(Debug)]
pub struct Notes {
    source: Arc<Source>,
    noted: RefCell<Vec<Diagnostic>>,
    /// The one error that makes all others meaningless.
    overriding: RefCell<Option<Diagnostic>>,
}

impl Notes {
    /// No notes yet about `source`.
    #[must_use]
    pub fn new(source: Arc<Source>) -> Self {
        Self { source, noted: RefCell::default(), overriding: RefCell::default() }
    }

    /// Notes an error at a place.
    pub fn error(&self, span: Option<Range<usize>>, message: impl Into<String>, remedy: Option<String>) {
        self.noted.borrow_mut().push(self.diagnostic(span, message.into(), remedy));
    }

    /// Notes an error beside which no other counts: a file of another format is not read by the rules of this one.
    pub fn overriding_error(&self, span: Range<usize>, message: impl Into<String>, remedy: String) {
        *self.overriding.borrow_mut() = Some(self.diagnostic(Some(span), message.into(), Some(remedy)));
    }

    fn diagnostic(&self, span: Option<Range<usize>>, message: String, remedy: Option<String>) -> Diagnostic {
        let span = span.map(|s| first_line(&self.source.text, s));
        Diagnostic { source: self.source.clone(), span, message, remedy, warning: false }
    }

    /// True if an error was noted.
    #[must_use]
    pub fn has_errors(&self) -> bool {
        !self.noted.borrow().is_empty() || self.overriding.borrow().is_some()
    }

    /// All notes, in order of place.
    #[must_use]
    pub fn into_diagnostics(self) -> Diagnostics {
        if let Some(only) = self.overriding.into_inner() {
            return only.into();
        }
        let mut noted = self.noted.into_inner();
        noted.sort_by_key(|d| d.span.as_ref().map_or(0, |s| s.start));
        Diagnostics(noted)
    }
}
