//! Messages about written input, as a compiler prints them: file, line, column, the line itself, what to write.

use super::Source;
use super::document::first_words;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// One thing that is wrong with what somebody wrote.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnostic {
    /// The file it is about.
    pub source: Arc<Source>,
    /// The bytes it is about; `None` if it is about the file as a whole.
    pub span: Option<Range<usize>>,
    /// What is wrong, with numbers and units.
    pub message: String,
    /// What to write instead.
    pub remedy: Option<String>,
    /// True for a remark that does not keep the work from being done.
    pub warning: bool,
}

impl Diagnostic {
    /// Line and column of the place, from 1; of the first line that says something where there is no place.
    #[must_use]
    pub fn line_column(&self) -> (usize, usize) {
        let shown = self.shown();
        (shown.number, shown.text.get(..shown.marked.start).unwrap_or("").chars().count() + 1)
    }

    /// The line that is shown and what is marked in it.
    fn shown(&self) -> ShownLine<'_> {
        let text = self.source.text.as_str();
        let span = self.span.clone().unwrap_or_else(|| first_words(text));
        let before = text.get(..span.start).unwrap_or("");
        let start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let line = text.get(start..).and_then(|rest| rest.lines().next()).unwrap_or("");
        let from = floor_boundary(line, span.start.saturating_sub(start));
        let to = floor_boundary(line, span.end.saturating_sub(start)).max(from);
        ShownLine { number: before.matches('\n').count() + 1, text: line, marked: from..to }
    }

    fn render(&self, renderer: &Renderer) -> String {
        let level = if self.warning { Level::WARNING } else { Level::ERROR };
        let shown = self.shown();
        // One line is enough, and it can't be large where the file is.
        let snippet = Snippet::source(shown.text)
            .line_start(shown.number)
            .path(self.source.name.as_str())
            .annotation(AnnotationKind::Primary.span(shown.marked));
        let title = level.primary_title(self.message.as_str());
        let mut group: Group<'_> = title.element(snippet);
        if let Some(remedy) = &self.remedy {
            group = group.element(Level::HELP.message(remedy.as_str()));
        }
        renderer.render(&[group])
    }
}

/// A line of a file as a message shows it.
struct ShownLine<'a> {
    /// Number of the line, from 1.
    number: usize,
    text: &'a str,
    /// Bytes of the line that are marked.
    marked: Range<usize>,
}

/// The last boundary between characters that is not behind `offset`.
fn floor_boundary(line: &str, offset: usize) -> usize {
    let mut offset = offset.min(line.len());
    while !line.is_char_boundary(offset) {
        offset -= 1;
    }
    offset
}

/// What was noted about one or several files, in order of place.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Diagnostics(pub Vec<Diagnostic>);

impl Diagnostics {
    /// True if nothing keeps the work from being done.
    #[must_use]
    pub fn is_usable(&self) -> bool {
        self.0.iter().all(|d| d.warning)
    }

    /// How many errors there are, warnings not counted.
    #[must_use]
    pub fn error_count(&self) -> usize {
        self.0.iter().filter(|d| !d.warning).count()
    }

    /// All messages as text; `colour` for a terminal that shows it.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for diagnostic in &self.0 {
            out.push_str(&diagnostic.render(&renderer));
            out.push_str("\n\n");
        }
        let errors = self.error_count();
        let counts = [(errors, "error"), (self.0.len() - errors, "warning")];
        let counts: Vec<String> = counts
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| format!("{count} {what}{}", if *count == 1 { "" } else { "s" }))
            .collect();
        if !counts.is_empty() {
            out.push_str(&counts.join(", "));
            out.push('\n');
        }
        out
    }
}

/// Written input that can't be used, with all that is wrong with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Report(pub Diagnostics);

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.render(false).trim_end())
    }
}

impl std::error::Error for Report {}
