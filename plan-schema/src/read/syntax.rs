//! Mistakes of TOML syntax in the words of the person who made them.
//!
//! Owns: which of the parser's complaints are worth showing, what they are called here, and what to write instead.
//! A complaint that is not known here keeps the parser's words.

use std::ops::Range;

/// A mistake of syntax: where, what, and what to write.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SyntaxError {
    pub(super) span: Option<Range<usize>>,
    pub(super) message: String,
    pub(super) remedy: String,
}

/// What the parser found, without what only follows from an earlier mistake: one mistake a line, and nothing after
/// a list that is not closed.
pub(super) fn explain(text: &str, errors: &[toml::de::Error]) -> Vec<SyntaxError> {
    let mut errors: Vec<&toml::de::Error> = errors.iter().collect();
    errors.sort_by_key(|e| e.span().map_or(0, |s| s.start));
    let is_list = |m: &str| m.contains("array") && !m.contains("array table");
    let unclosed_list =
        errors.iter().any(|e| e.message().starts_with("unclosed array") && is_list(e.message()));
    let mut explained: Vec<SyntaxError> = Vec::new();
    let mut last_line = None;
    let mut twice: Vec<&str> = Vec::new();
    for error in errors {
        if error.message().starts_with("duplicate key") {
            let name = error.span().and_then(|s| text.get(s)).unwrap_or("");
            // The third time says no more than the second.
            if twice.contains(&name) {
                continue;
            }
            twice.push(name);
        }
        let line = error.span().map(|s| line_of(text, s.start));
        if line.is_some() && line == last_line {
            continue;
        }
        last_line = line;
        let in_list = is_list(error.message());
        if unclosed_list && in_list {
            explained.push(SyntaxError {
                span: error.span(),
                message: "a list before this is not closed".to_owned(),
                remedy: "put a comma between its items and ] at its end".to_owned(),
            });
            break;
        }
        let place = Place::new(text, error.span());
        let (message, remedy) = explain_one(error.message(), &place);
        explained.push(SyntaxError { span: error.span(), message, remedy });
    }
    explained
}

/// The surroundings of a mistake.
struct Place<'a> {
    /// What the parser points at.
    marked: &'a str,
    /// The line up to there.
    before: &'a str,
    /// The line from there.
    rest: &'a str,
}

impl<'a> Place<'a> {
    fn new(text: &'a str, span: Option<Range<usize>>) -> Self {
        let span = span.unwrap_or(0..0);
        let head = text.get(..span.start).unwrap_or("");
        let tail = text.get(span.start..).unwrap_or("");
        Self {
            marked: text.get(span).unwrap_or("").trim(),
            before: head.rsplit('\n').next().unwrap_or(""),
            rest: tail.lines().next().unwrap_or(""),
        }
    }

    /// Typographic quotation marks and the like, which word processors put in.
    fn has_typographic_quotes(&self) -> bool {
        self.rest.contains(['“', '”', '„', '‘', '’', '«', '»'])
    }

    fn is_decimal_comma(&self) -> bool {
        let mut rest = self.rest.chars();
        self.before.ends_with(|c: char| c.is_ascii_digit())
            && rest.next() == Some(',')
            && rest.next().is_some_and(|c| c.is_ascii_digit())
    }
}

fn explain_one(parser_says: &str, place: &Place<'_>) -> (String, String) {
    let say = |message: &str, remedy: &str| (message.to_owned(), remedy.to_owned());
    let begins = |start: &str| parser_says.starts_with(start);
    if begins("string values must be quoted") {
        return missing_quotes(place);
    }
    if begins("unexpected key or value") && place.is_decimal_comma() {
        return say(
            "this number has a decimal comma",
            "write a decimal point; a quantity with its unit stands in quotes: \"0.5 Hz\"",
        );
    }
    if begins("unexpected key or value") {
        return say("something follows the value", "begin a new line after each value");
    }
    if begins("invalid basic string") || begins("invalid literal string") {
        return say(
            "the quotation mark is not closed",
            "end the text with the quotation mark it begins with",
        );
    }
    if begins("missing escaped value") || begins("invalid escape") {
        return say(
            "a backslash in double quotes begins a special character",
            "write paths with / or put the text in single quotes: 'C:\\plans'",
        );
    }
    if begins("unclosed table") || begins("unclosed array table") {
        return say("the heading of the table is not closed", "end it with as many ] as it has [");
    }
    if begins("unclosed inline table") {
        return say("the table is not closed", "end it with }");
    }
    if begins("duplicate key") && place.before.trim_end().ends_with("[[") {
        let name = place.marked;
        return (
            format!("'{name}' is a list here, and a single table further up"),
            format!("write every heading of it in double brackets: [[{name}]]"),
        );
    }
    if begins("duplicate key") {
        return (format!("'{}' is here for the second time", place.marked), "keep one of the two".to_owned());
    }
    key_mistake(parser_says, place)
}

fn missing_quotes(place: &Place<'_>) -> (String, String) {
    if place.has_typographic_quotes() {
        let bare = place.marked.trim_matches(['“', '”', '„', '‘', '’', '«', '»']);
        return (
            "these are typographic quotation marks".to_owned(),
            format!("write straight ones: \"{bare}\""),
        );
    }
    if place.marked.is_empty() {
        return ("the value is missing".to_owned(), "write a value behind the equals sign".to_owned());
    }
    let marked = place.marked.replace('"', "");
    ("texts and quantities stand in quotes".to_owned(), format!("write \"{marked}\""))
}

fn key_mistake(parser_says: &str, place: &Place<'_>) -> (String, String) {
    let pattern = "write key = value, the key in letters a to z, digits and _";
    if place.rest.starts_with(':') {
        return ("a colon stands where an equals sign is due".to_owned(), "write key = value".to_owned());
    }
    if parser_says.starts_with("key with no value") {
        let name = place.before.trim();
        return match place.rest.split_once('=') {
            Some((more, _)) if !name.is_empty() => {
                let joined =
                    format!("{name} {}", more.trim()).split_whitespace().collect::<Vec<_>>().join("_");
                ("a key has no blanks in it".to_owned(), format!("write {joined} = …"))
            }
            _ => ("this is a key without a value".to_owned(), pattern.to_owned()),
        };
    }
    if parser_says.starts_with("invalid unquoted key") {
        return ("this can't be part of a key".to_owned(), pattern.to_owned());
    }
    (parser_says.lines().collect::<Vec<_>>().join("; "), pattern.to_owned())
}

fn line_of(text: &str, offset: usize) -> usize {
    text.get(..offset).map_or(0, |before| before.matches('\n').count())
}
