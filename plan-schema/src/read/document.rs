//! A file of written input together with the value read from it, so that later checks can still point at places.

use super::{Diagnostic, Diagnostics, Node, Notes, Report, Written};
use std::ops::Range;
use std::sync::Arc;
use toml::de::{DeTable, DeValue};

/// A piece of written input: what it is called in messages, and its text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Name shown in messages: the path as the person gave it.
    pub name: String,
    /// The text.
    pub text: String,
}

/// A value and the text it was read from.
#[derive(Debug, Clone)]
pub struct Document<T> {
    /// The text.
    pub source: Arc<Source>,
    /// What it says.
    pub value: T,
}

impl<T: Written> Document<T> {
    /// Reads a whole file.
    ///
    /// # Errors
    /// Everything that is wrong with the text, at once.
    pub fn read(name: &str, text: &str) -> Result<Self, Report> {
        // A byte-order mark is invisible to people and no part of what they wrote.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let source = Arc::new(Source { name: name.to_owned(), text: text.to_owned() });
        let notes = Notes::new(source.clone());
        if let Some((message, remedy)) = T::FILE.and_then(|wanted| super::kind::no_toml(wanted, text)) {
            notes.overriding_error(0..0, message, remedy);
            return Err(Report(notes.into_diagnostics()));
        }
        let (table, syntax) = DeTable::parse_recoverable(text);
        for error in super::syntax::explain(text, &syntax) {
            notes.error(error.span, error.message, Some(error.remedy));
        }
        if notes.has_errors() {
            // What follows from broken syntax would only be noise.
            return Err(Report(notes.into_diagnostics()));
        }
        let span = first_words(text);
        let root = DeValue::Table(table.into_inner());
        let value = T::read(Node { value: &root, span: span.clone() }, &notes);
        if notes.has_errors()
            && let (Some(wanted), DeValue::Table(table)) = (T::FILE, &root)
            && let Some((message, remedy)) = super::kind::misfit(wanted, table)
        {
            notes.overriding_error(span, message, remedy);
        }
        let diagnostics = notes.into_diagnostics();
        match value {
            Some(value) if diagnostics.is_usable() => Ok(Self { source, value }),
            _ => Err(Report(diagnostics)),
        }
    }
}

impl<T> Document<T> {
    /// The place of a value by its key, such as `point[2].amplitude`; the nearest enclosing place that exists.
    #[must_use]
    pub fn place(&self, path: &str) -> Option<Range<usize>> {
        self.places(path).map(|(_, value)| value)
    }

    /// The place of the key itself; the nearest enclosing one that exists.
    #[must_use]
    pub fn place_of_key(&self, path: &str) -> Option<Range<usize>> {
        self.places(path).map(|(key, _)| key)
    }

    /// The places of key and value.
    fn places(&self, path: &str) -> Option<(Range<usize>, Range<usize>)> {
        let table = DeTable::parse(&self.source.text).ok()?;
        let mut place = None;
        let root = DeValue::Table(table.into_inner());
        let mut here = &root;
        for step in path.split('.') {
            let (key, index) = match step.split_once('[') {
                Some((key, rest)) => (key, rest.trim_end_matches(']').parse::<usize>().ok()),
                None => (step, None),
            };
            let Some((key, next)) = here.as_table().and_then(|t| t.get_key_value(key)) else {
                break;
            };
            place = Some((key.span(), next.span()));
            here = next.get_ref();
            if let Some(index) = index {
                let Some(item) = here.as_array().and_then(|a| a.get(index)) else {
                    break;
                };
                place = Some((item.span(), item.span()));
                here = item.get_ref();
            }
        }
        place
    }

    /// An error about the key at `path`.
    #[must_use]
    pub fn error(&self, path: &str, message: impl Into<String>, remedy: impl Into<String>) -> Diagnostic {
        self.diagnostic(path, message.into(), remedy.into(), false)
    }

    /// A remark about the key at `path`.
    #[must_use]
    pub fn warning(&self, path: &str, message: impl Into<String>, remedy: impl Into<String>) -> Diagnostic {
        self.diagnostic(path, message.into(), remedy.into(), true)
    }

    fn diagnostic(&self, path: &str, message: String, remedy: String, warning: bool) -> Diagnostic {
        let span = self.place(path).map(|s| first_line(&self.source.text, s));
        Diagnostic { source: self.source.clone(), span, message, remedy: Some(remedy), warning }
    }
}

/// A place that spans many lines (a table) is shown by its first line.
pub(super) fn first_line(text: &str, span: Range<usize>) -> Range<usize> {
    let length =
        text.get(span.clone()).and_then(|s| s.lines().next()).map_or(0, |line| line.trim_end().len());
    span.start..span.start + length
}

/// The first line that is more than a remark: what stands for a file as a whole.
pub(crate) fn first_words(text: &str) -> Range<usize> {
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let words = line.trim();
        if !words.is_empty() && !words.starts_with('#') {
            let indent = line.len() - line.trim_start().len();
            return start + indent..start + indent + words.len();
        }
        start += line.len();
    }
    0..0
}

impl From<Diagnostic> for Diagnostics {
    fn from(diagnostic: Diagnostic) -> Self {
        Self(vec![diagnostic])
    }
}
