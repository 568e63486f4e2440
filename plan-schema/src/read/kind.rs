//! Which kind of file a text is, to say it in one sentence where another kind was wanted.
//!
//! Owns: what each kind is called, and telling them apart by the keys at their top. Must not: read any of them.

use crate::schemas::{WRITTEN_KINDS, schema};
use serde_json::Value;
use std::sync::OnceLock;
use toml::de::{DeTable, DeValue};

/// Kinds of files, what a person calls them, and what they look like.
const KINDS: [(&str, &str, &str); 7] = [
    ("plan", "a plan", "a plan lists its points in tables [[point]]"),
    (
        "job",
        "a job",
        "a job names plan, rig, sensors and references, and what is mounted in tables [[mounted]]",
    ),
    ("rig", "a rig", "a rig has shaker, amplifier, roles and channels"),
    ("sensors", "a register of sensors", "a register of sensors has a table [[sensor]] for each"),
    ("references", "a register of references", "a register of references has a table [[reference]] for each"),
    ("faults", "a file of faults", "a file of faults has a table [[fault]] for each"),
    ("settings", "a file of settings", "settings have laboratory, certificate, state_dir and log"),
];

/// Keys at the top of a settings file; they are declared where the program is.
const SETTINGS: [&str; 4] = ["laboratory", "certificate", "state_dir", "log"];

/// Keys that several kinds have, and that say nothing.
const COMMON: [&str; 2] = ["format", "name"];

/// What is wrong with a text that is another kind of file than the wanted one, and what to write; `None` where it seems to
/// be that kind, with or without mistakes.
pub(super) fn misfit(wanted: &str, table: &DeTable<'_>) -> Option<(String, String)> {
    let known = |kind: &str| hits(kind, table, &[]);
    let own = known(wanted);
    let (other, hits) = KINDS
        .iter()
        .filter(|(kind, ..)| *kind != wanted)
        .map(|kind| (kind, known(kind.0)))
        .max_by_key(|(_, hits)| *hits)?;
    let clearly = if own == 0 { hits >= 1 } else { hits >= 2 * own + 2 };
    clearly.then(|| said(wanted, other.1))
}

/// How many keys at the top of a file are those of a kind, or one of `more`.
pub(crate) fn hits(kind: &str, table: &DeTable<'_>, more: &[&str]) -> usize {
    let keys = keys_of(kind);
    let fits = |name: &str, value: &DeValue<'_>| {
        let known = more.contains(&name) || keys.iter().any(|key| key == name);
        known
            && match name {
                // A job names its registers by their paths; a register of that name is a list.
                "sensors" | "references" => matches!(value, DeValue::String(_)) == (kind == "job"),
                // A rig has one reference, a register a list of them.
                "reference" => matches!(value, DeValue::Array(_)) == (kind == "references"),
                _ => true,
            }
    };
    table.iter().filter(|(key, value)| fits(key.get_ref(), value.get_ref())).count()
}

/// The same of a text that is no TOML, judged by how it begins.
pub(super) fn no_toml(wanted: &str, text: &str) -> Option<(String, String)> {
    let head = text.trim_start();
    let found = if head.starts_with("%PDF") {
        "a PDF"
    } else if head.starts_with("PK\u{3}\u{4}") {
        "an archive, or a document of an office program"
    } else if head.starts_with("<?xml") || head.starts_with("<!") || head.starts_with("<html") {
        "XML or HTML"
    } else if head.starts_with('{') && serde_json::from_str::<Value>(head).is_ok() {
        return Some(said(wanted, json(head)));
    } else if text.contains('\0') {
        "no text file"
    } else {
        return None;
    };
    Some(said(wanted, found))
}

/// What a record of the program's own is called.
fn json(text: &str) -> &'static str {
    let value: Value = serde_json::from_str(text).unwrap_or_default();
    let schema = value.get("schema").and_then(Value::as_str).unwrap_or("");
    match schema.split('/').next() {
        Some("calwright.result") => "the result of a run",
        Some("calwright.run") => "the record of a run",
        Some("calwright.truth") => "the truth of a dry run",
        Some("calwright.check") => "the outcome of a check",
        _ if value.get("prev").is_some() && value.get("seq").is_some() => "a journal",
        _ => "a file of JSON",
    }
}

fn said(wanted: &str, found: &str) -> (String, String) {
    let (name, looks) = KINDS
        .iter()
        .find(|(kind, ..)| *kind == wanted)
        .map_or((wanted, "hand in another file"), |(_, name, looks)| (*name, *looks));
    (format!("this is {found}, but {name} is wanted here"), format!("name another file: {looks}"))
}

/// Keys at the top of a kind of file that tell it from others.
fn keys_of(kind: &str) -> &'static [String] {
    static KEYS: OnceLock<Vec<(&'static str, Vec<String>)>> = OnceLock::new();
    let all = KEYS.get_or_init(|| {
        let of = |kind: &'static str| {
            let properties = schema(kind)?.get("properties")?.as_object()?.clone();
            Some((kind, properties.keys().filter(|k| !COMMON.contains(&k.as_str())).cloned().collect()))
        };
        let settings = ("settings", SETTINGS.iter().map(ToString::to_string).collect());
        WRITTEN_KINDS.iter().filter_map(|kind| of(kind)).chain([settings]).collect()
    });
    all.iter().find(|(name, _)| *name == kind).map_or(&[], |(_, keys)| keys.as_slice())
}
