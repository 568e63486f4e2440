//! Finds the words of a TOML text that a step changes: every key with the tables around it, wherever and however it is
//! written: in headings, dotted, in tables of one line.

use super::steps::{Rename, Step};
use super::{Edit, mistake};
use crate::read::{Report, first_words};
use std::ops::Range;
use toml_parser::Source;
use toml_parser::parser::{Event, EventKind, parse_document};

/// A key as it is written, and the keys of the tables around it, by the names that the text has.
struct Key {
    path: Vec<String>,
    span: Range<usize>,
}

/// The keys that a step calls otherwise.
pub(super) fn renames(name: &str, text: &str, kind: &str, step: &Step) -> Result<Vec<Edit>, Report> {
    let keys = keys(text);
    let mut edits = Vec::new();
    for Rename { path, to } in step.renames(kind) {
        let is_old = |key: &&Key| key.path.iter().map(String::as_str).eq(path.iter().copied());
        let mut new_path: Vec<&str> = path.to_vec();
        if let Some(last) = new_path.last_mut() {
            *last = to;
        }
        let new = keys.iter().find(|key| key.path.iter().map(String::as_str).eq(new_path.iter().copied()));
        let mut old = keys.iter().filter(is_old).peekable();
        if let (Some(first), Some(new)) = (old.peek(), new)
            && first.path.len() == new.path.len()
        {
            let old_name = path.last().copied().unwrap_or_default();
            return Err(mistake(
                name,
                text,
                new.span.clone(),
                format!("'{to}' stands beside '{old_name}', its name in format {}", step.from),
                "keep one of the two names",
            ));
        }
        edits.extend(old.map(|key| Edit {
            span: key.span.clone(),
            text: (*to).to_owned(),
            what: format!("'{}' is called '{to}'", path.join(".")),
        }));
    }
    Ok(edits)
}

/// The line that says the format: a new one above the first that says something, or another number in the one there is.
pub(super) fn format_line(text: &str, format: u32) -> Edit {
    let what = format!("format = {format}");
    let written =
        toml::de::DeTable::parse(text).ok().and_then(|t| t.get_ref().get("format").map(toml::Spanned::span));
    match written {
        Some(span) => Edit { span, text: format.to_string(), what },
        None => {
            let at = first_words(text).start;
            let end = if text.contains("\r\n") { "\r\n" } else { "\n" };
            // A file that begins with a heading has its format in a paragraph of its own.
            let gap = if text.get(at..).is_some_and(|t| t.starts_with('[')) { end } else { "" };
            Edit { span: at..at, text: format!("format = {format}{end}{gap}"), what }
        }
    }
}

/// Every key of a text that parses, in order.
fn keys(text: &str) -> Vec<Key> {
    let source = Source::new(text);
    let tokens = source.lex().into_vec();
    let mut events: Vec<Event> = Vec::new();
    parse_document(&tokens, &mut events, &mut ());
    let mut walk =
        Walk { text, heading: Vec::new(), stack: Vec::new(), current: Vec::new(), keys: Vec::new() };
    for event in &events {
        walk.take(event);
    }
    walk.keys
}

/// Where the parser is.
struct Walk<'a> {
    text: &'a str,
    /// The keys of the heading above.
    heading: Vec<String>,
    /// Around each open bracket or brace of a value: the keys that lead there.
    stack: Vec<Vec<String>>,
    /// Of the key that is read now or whose value is: its parts.
    current: Vec<String>,
    keys: Vec<Key>,
}

impl Walk<'_> {
    fn take(&mut self, event: &Event) {
        let span = event.span().start()..event.span().end();
        match event.kind() {
            EventKind::StdTableOpen | EventKind::ArrayTableOpen => {
                self.heading.clear();
                self.stack.clear();
                self.current.clear();
            }
            EventKind::StdTableClose | EventKind::ArrayTableClose => {
                self.heading = std::mem::take(&mut self.current);
            }
            EventKind::InlineTableOpen | EventKind::ArrayOpen => {
                let here = std::mem::take(&mut self.current);
                let mut around = self.around();
                around.extend(here);
                self.stack.push(around);
            }
            EventKind::InlineTableClose | EventKind::ArrayClose => {
                self.stack.pop();
                self.current.clear();
            }
            EventKind::SimpleKey => {
                let raw = self.text.get(span.clone()).unwrap_or("");
                let name = raw.trim_matches(['"', '\'']).to_owned();
                self.current.push(name);
                let mut path = self.around();
                path.extend(self.current.iter().cloned());
                self.keys.push(Key { path, span });
            }
            EventKind::Scalar | EventKind::Newline | EventKind::ValueSep => self.current.clear(),
            _ => {}
        }
    }

    /// The keys that lead to where a new key would be read.
    fn around(&self) -> Vec<String> {
        self.stack.last().unwrap_or(&self.heading).clone()
    }
}
