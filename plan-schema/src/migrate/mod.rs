//! Older formats rewritten as the present one, with every comment and the layout kept.
//!
//! Owns: the list of steps, each from one format to the next, and [`migrate`], which takes as many as it needs. A step
//! changes words of the text and nothing else, so that a person finds the file again as it was. Must not: touch files, or
//! judge what the file says; the reader does.
//!
//! Format 0 is the draft from before the formats had numbers: a file without a `format` line (or with `format = 0`) whose
//! lists have the plural names in `steps`. No release wrote it. It is read so that notes of that time can be taken over, and
//! so that the way from one format to the next exists before it is needed.

mod steps;
mod words;

use crate::faults::Faults;
use crate::job::Job;
use crate::plan::{FORMAT, Plan};
use crate::read::{Diagnostic, Diagnostics, Document, Report, Source, Table, Written};
use crate::registers::{ReferenceRegister, SensorRegister};
use crate::rig::Rig;
use std::ops::Range;
use std::sync::Arc;
use steps::STEPS;
use toml::de::{DeTable, DeValue};

/// A file in the present format.
#[derive(Debug, Clone, PartialEq)]
pub struct Migrated {
    /// Its text.
    pub text: String,
    /// Which kind of file it is: one of [`WRITTEN_KINDS`](crate::WRITTEN_KINDS).
    pub kind: &'static str,
    /// The format that it had.
    pub from: u32,
    /// What was changed, a line each; empty where it was in the present format.
    pub changes: Vec<String>,
    /// What still keeps it from being used, of the new text.
    pub remaining: Diagnostics,
}

/// One place of the text and what it says from now on.
#[derive(Debug, Clone, PartialEq)]
struct Edit {
    span: Range<usize>,
    text: String,
    /// What it is, for a person.
    what: String,
}

/// Rewrites a file in the present format. A file that is in it comes back as it is.
///
/// # Errors
/// Broken syntax, a file of no known kind, a format that this program does not know, or old and new names side by side.
pub fn migrate(name: &str, text: &str) -> Result<Migrated, Report> {
    let (mark, body) = match text.strip_prefix('\u{feff}') {
        Some(body) => ("\u{feff}", body),
        None => ("", text),
    };
    let document = Document::<Table>::read(name, body)?;
    let (kind, from) = {
        let table = DeTable::parse(body).map_err(|_| unknown_kind(&document))?;
        let kind = kind_of(table.get_ref()).ok_or_else(|| unknown_kind(&document))?;
        (kind, format_of(&document, table.get_ref())?)
    };
    let mut body = body.to_owned();
    let mut changes = Vec::new();
    for step in STEPS.iter().filter(|step| step.from >= from) {
        let mut edits = words::renames(name, &body, kind, step)?;
        edits.push(words::format_line(&body, step.from + 1));
        changes.extend(
            edits.iter().map(|edit| format!("line {}: {}", line_of(&body, edit.span.start), edit.what)),
        );
        body = apply(&body, edits);
    }
    let remaining = remaining(kind, name, &body);
    Ok(Migrated { text: format!("{mark}{body}"), kind, from, changes, remaining })
}

/// The format that a file says it has; 0 where it says none.
fn format_of(document: &Document<Table>, table: &DeTable<'_>) -> Result<u32, Report> {
    let error = |message: String, remedy: String| Report(document.error("format", message, remedy).into());
    let Some(value) = table.get("format") else { return Ok(0) };
    let format = match value.get_ref() {
        DeValue::Integer(n) if n.radix() == 10 => n.as_str().parse::<u32>().ok(),
        _ => None,
    };
    match format {
        Some(format) if format <= FORMAT => Ok(format),
        Some(format) => Err(error(
            format!("{} is of format {format}, which this program does not know", document.source.name),
            format!("it writes format {FORMAT}: use a newer calwright"),
        )),
        None => Err(error("a format is a whole number".to_owned(), format!("write format = {FORMAT}"))),
    }
}

fn unknown_kind(document: &Document<Table>) -> Report {
    let diagnostic = Diagnostic {
        source: document.source.clone(),
        span: None,
        message: "this is none of the files that calwright reads".to_owned(),
        remedy: Some("name a plan, a job, a rig, a register of sensors or references, or faults".to_owned()),
        warning: false,
    };
    Report(diagnostic.into())
}

/// The kind whose keys the file has, in any format.
fn kind_of(table: &DeTable<'_>) -> Option<&'static str> {
    let hits = |kind: &str| {
        let old = STEPS.iter().flat_map(|step| step.renames(kind));
        let old: Vec<&str> =
            old.filter(|r| r.path.len() == 1).filter_map(|r| r.path.first().copied()).collect();
        crate::read::hits(kind, table, &old)
    };
    let kinds = crate::WRITTEN_KINDS.iter().map(|kind| (*kind, hits(kind)));
    kinds.rev().max_by_key(|(_, hits)| *hits).filter(|(_, hits)| *hits > 0).map(|(kind, _)| kind)
}

/// The text with all edits made; they do not overlap.
fn apply(text: &str, mut edits: Vec<Edit>) -> String {
    edits.sort_by_key(|edit| edit.span.start);
    let mut out = String::with_capacity(text.len() + 32);
    let mut done = 0;
    for edit in edits {
        out.push_str(text.get(done..edit.span.start).unwrap_or(""));
        out.push_str(&edit.text);
        done = edit.span.end;
    }
    out.push_str(text.get(done..).unwrap_or(""));
    out
}

fn line_of(text: &str, offset: usize) -> usize {
    text.get(..offset).map_or(0, |before| before.matches('\n').count()) + 1
}

/// What the reader of a kind says of a text.
fn remaining(kind: &str, name: &str, text: &str) -> Diagnostics {
    fn of<T: Written>(name: &str, text: &str) -> Diagnostics {
        Document::<T>::read(name, text).err().map_or_else(Diagnostics::default, |report| report.0)
    }
    match kind {
        "plan" => of::<Plan>(name, text),
        "job" => of::<Job>(name, text),
        "rig" => of::<Rig>(name, text),
        "sensors" => of::<SensorRegister>(name, text),
        "references" => of::<ReferenceRegister>(name, text),
        _ => of::<Faults>(name, text),
    }
}

/// A mistake that only the way from one format to the next can have.
fn mistake(name: &str, text: &str, span: Range<usize>, message: String, remedy: &str) -> Report {
    let source = Arc::new(Source { name: name.to_owned(), text: text.to_owned() });
    Report(
        Diagnostic { source, span: Some(span), message, remedy: Some(remedy.to_owned()), warning: false }
            .into(),
    )
}

#[cfg(test)]
mod tests;
