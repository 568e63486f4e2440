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

/// What a note is about, as far as another note may follow from it.
#[derive(Debug, Clone, PartialEq, Eq)]
enum About {
    /// A key that its table does not know.
    UnknownKey(String),
    /// A key that its table lacks.
    MissingKey(String),
    Other,
}

/// Collects what is wrong while a document is read.
#[derive(Debug)]
pub struct Notes {
    source: Arc<Source>,
    noted: RefCell<Vec<(About, Diagnostic)>>,
    /// The keys of the file's own table, once it was opened.
    top: RefCell<Option<Vec<String>>>,
    /// The one error that makes all others meaningless.
    overriding: RefCell<Option<Diagnostic>>,
}

impl Notes {
    /// No notes yet about `source`.
    #[must_use]
    pub fn new(source: Arc<Source>) -> Self {
        Self { source, noted: RefCell::default(), top: RefCell::default(), overriding: RefCell::default() }
    }

    /// What the file is called in messages.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.source.name
    }

    /// Notes an error at a place.
    pub fn error(&self, span: Option<Range<usize>>, message: impl Into<String>, remedy: Option<String>) {
        let diagnostic = self.diagnostic(span, message.into(), remedy);
        self.noted.borrow_mut().push((About::Other, diagnostic));
    }

    /// A table with these keys is read now. The first one is the file's own.
    pub(super) fn enter(&self, known: &[&str]) {
        self.top.borrow_mut().get_or_insert_with(|| known.iter().map(ToString::to_string).collect());
    }

    /// Notes a key that its table does not know.
    pub(super) fn unknown_key(&self, span: Range<usize>, name: &str, remedy: String) {
        // In TOML a key that is written below a heading belongs to that table: the commonest slip of all.
        let at_top = self.top.borrow().as_ref().is_some_and(|top| top.iter().any(|key| key == name));
        let remedy = match at_top {
            true => format!("'{name}' belongs to the file as a whole: write it above the first heading"),
            false => remedy,
        };
        let diagnostic = self.diagnostic(Some(span), format!("unknown key '{name}'"), Some(remedy));
        self.noted.borrow_mut().push((About::UnknownKey(name.to_owned()), diagnostic));
    }

    /// Notes a key that the table at `span` lacks.
    pub(super) fn missing_key(&self, span: Range<usize>, key: &str, remedy: String) {
        let diagnostic = self.diagnostic(Some(span), format!("'{key}' is missing"), Some(remedy));
        self.noted.borrow_mut().push((About::MissingKey(key.to_owned()), diagnostic));
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
        let mut noted = without_consequences(self.noted.into_inner());
        noted.sort_by_key(|d| d.span.as_ref().map_or(0, |s| s.start));
        Diagnostics(noted)
    }
}

/// A key that one table lacks and another does not know stands at the wrong place: one mistake, said once.
fn without_consequences(mut noted: Vec<(About, Diagnostic)>) -> Vec<Diagnostic> {
    let unknown: Vec<String> = noted
        .iter()
        .filter_map(|(about, _)| match about {
            About::UnknownKey(name) => Some(name.clone()),
            _ => None,
        })
        .collect();
    for name in unknown {
        let lacks = noted.iter().position(|(about, _)| *about == About::MissingKey(name.clone()));
        let Some((_, missing)) = lacks.map(|at| noted.remove(at)) else { continue };
        let about = About::UnknownKey(name.clone());
        let here = noted.iter_mut().find(|(this, _)| *this == about);
        if let Some((about, unknown)) = here {
            // Said; another one of this name is looked at by itself.
            *about = About::Other;
            if !unknown.remedy.as_ref().is_some_and(|r| r.contains("as a whole")) {
                let line = missing.line_column().0;
                unknown.remedy =
                    Some(format!("'{name}' is missing from the table in line {line}: move it there"));
            }
        }
    }
    noted.into_iter().map(|(_, diagnostic)| diagnostic).collect()
}
