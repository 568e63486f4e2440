//! One source of settings by itself: a file, the environment, a flag; and what is wrong with what it says.
//!
//! Owns: finding everything that is wrong in a source, not only the first of it, and naming file and line, variable or flag.

use super::sense::{self, Nonsense};
use super::{PREFIX, Settings};
use figment::error::{Actual, Kind};
use figment::providers::{Env, Format, Serialized, Toml};
use figment::value::{Dict, Value};
use figment::{Figment, Profile, Provider};
use plan_schema::read::{
    Diagnostic, Document, Fields, Node, Notes, Report, Source, Table, Written, suggestion,
};
use std::path::Path;
use std::sync::Arc;
use tracing_subscriber::EnvFilter;

/// Variables that begin like settings and are none: the settings file itself, and the schema that tests validate against.
const NO_SETTING: [&str; 2] = ["CALWRIGHT_SETTINGS", "CALWRIGHT_DCC_XSD"];

/// So many mistakes of one source are told at most.
const MOST: usize = 50;

/// What one source says.
#[derive(Debug)]
pub(super) struct Layer {
    kind: LayerKind,
    source: Arc<Source>,
    pub(super) says: Dict,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LayerKind {
    File,
    /// One variable.
    Variable,
    Flag,
}

impl Layer {
    /// A file's text; what is wrong with its syntax, or that it is another kind of file, is said at once.
    pub(super) fn of_text(name: &str, text: &str) -> Result<Self, Report> {
        // A byte-order mark is no part of what somebody wrote.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        if let Err(Report(found)) = Document::<Top>::read(name, text)
            && found.0.iter().any(|d| d.message.ends_with("is wanted here"))
        {
            return Err(Report(found));
        }
        Document::<Table>::read(name, text)?;
        let source = Arc::new(Source { name: name.to_owned(), text: text.to_owned() });
        match dict(&Toml::string(text)) {
            Ok(says) => Ok(Self { kind: LayerKind::File, source, says }),
            Err(message) => {
                let remedy = Some("see `calwright schema settings`".to_owned());
                Err(Report(Diagnostic { source, span: None, message, remedy, warning: false }.into()))
            }
        }
    }

    /// Each variable of the environment that is a setting.
    pub(super) fn of_environment() -> Vec<Self> {
        let ours = |name: &str| {
            name.to_uppercase().starts_with(PREFIX)
                && !NO_SETTING.iter().any(|n| name.eq_ignore_ascii_case(n))
        };
        let variables = std::env::vars_os().filter_map(|(name, value)| {
            let name = name.into_string().ok().filter(|name| ours(name))?;
            Some((name, value.to_string_lossy().into_owned()))
        });
        let mut layers: Vec<Self> = variables
            .filter_map(|(name, value)| {
                let key = name.get(PREFIX.len()..)?.to_owned();
                let only = Env::prefixed(PREFIX).only(&[key.as_str()]).split("__");
                Some(Self {
                    kind: LayerKind::Variable,
                    says: dict(&only).ok()?,
                    source: Arc::new(Source {
                        text: format!("{name}={value}"),
                        name: "the environment".to_owned(),
                    }),
                })
            })
            .collect();
        layers.sort_by(|a, b| a.source.text.cmp(&b.source.text));
        layers
    }

    /// A flag of the command line that sets `key`.
    pub(super) fn of_flag(flag: &str, key: &str, value: &Path) -> Self {
        let value = value.to_string_lossy().into_owned();
        let source = Source { name: "the command line".to_owned(), text: format!("{flag} {value}") };
        let says = Dict::from([(key.to_owned(), Value::from(value))]);
        Self { kind: LayerKind::Flag, source: Arc::new(source), says }
    }

    /// Everything that is wrong with what it says: each mistake found is struck out, and the rest looked at again.
    pub(super) fn mistakes(&self) -> Vec<Diagnostic> {
        let mut says = self.says.clone();
        let mut found = Vec::new();
        while found.len() < MOST {
            let figment = Figment::from(Serialized::defaults(Settings::default()));
            let Err(errors) = figment.merge(Serialized::globals(&says)).extract::<Settings>() else { break };
            let Some(error) = errors.into_iter().next() else { break };
            let path = path_of(&error);
            let (message, remedy) = self.in_words(&path.join("."), &error.kind);
            let unknown = matches!(error.kind, Kind::UnknownField(..));
            found.push(self.diagnostic(&path.join("."), unknown, message, remedy));
            if !strike(&mut says, &path) {
                break;
            }
        }
        if let Some(Value::String(_, levels)) = says.get("log")
            && let Err(error) = log_levels(levels)
        {
            let remedy = "write off, error, warn, info, debug or trace, or levels by module, such as \"info,drivers=debug\"";
            let message = format!("log can't be \"{levels}\": {error}");
            found.push(self.diagnostic("log", false, message, remedy.to_owned()));
        }
        found.extend(self.told(sense::words(&self.says)));
        found.sort_by_key(|d| d.span.as_ref().map_or(0, |s| s.start));
        found
    }

    /// Files that it names and that are not there.
    pub(super) fn absent(&self) -> Vec<Diagnostic> {
        self.told(sense::files(&self.says)).collect()
    }

    fn told(&self, found: Vec<Nonsense>) -> impl Iterator<Item = Diagnostic> {
        found.into_iter().map(|n| self.diagnostic(n.key, false, n.message, n.remedy.to_owned()))
    }

    fn diagnostic(&self, path: &str, at_key: bool, message: String, remedy: String) -> Diagnostic {
        let span = match self.kind {
            LayerKind::File => {
                let document = Document { source: self.source.clone(), value: () };
                if at_key { document.place_of_key(path) } else { document.place(path) }
            }
            LayerKind::Variable | LayerKind::Flag => Some(0..self.source.text.len()),
        };
        // The first line of what is marked is enough.
        let first_line = |s: std::ops::Range<usize>| {
            let marked = self.source.text.get(s.clone()).unwrap_or("");
            s.start..s.start + marked.lines().next().map_or(0, str::len)
        };
        Diagnostic {
            source: self.source.clone(),
            span: span.map(first_line),
            message,
            remedy: Some(remedy),
            warning: false,
        }
    }

    /// What is wrong, and what to write.
    fn in_words(&self, key: &str, kind: &Kind) -> (String, String) {
        let key = match self.kind {
            LayerKind::File => key.to_owned(),
            LayerKind::Variable => {
                format!(
                    "environment variable {}: {key}",
                    self.source.text.split('=').next().unwrap_or_default()
                )
            }
            LayerKind::Flag => {
                format!("flag {}: {key}", self.source.text.split(' ').next().unwrap_or_default())
            }
        };
        match kind {
            Kind::UnknownField(name, known) => {
                let message = match self.kind {
                    LayerKind::File => format!("unknown key '{name}'"),
                    _ => format!("{key} is no setting"),
                };
                (message, suggestion(name, known))
            }
            Kind::InvalidType(found, wanted) => {
                let (wanted, remedy) = self.due(wanted);
                (format!("{key} should be {wanted}, but it is {}", actual(found)), remedy)
            }
            Kind::InvalidValue(found, wanted) => {
                let (wanted, _) = self.due(wanted);
                let remedy = match wanted {
                    "a whole number" => format!("write a whole number from 0 to {}", u32::MAX),
                    other => format!("write {other}"),
                };
                (format!("{key} can't be {}", actual(found)), remedy)
            }
            other => (format!("{key}: {other}"), "see `calwright schema settings`".to_owned()),
        }
    }

    /// What serde calls a type in the words of a person, and what to write.
    fn due(&self, wanted: &str) -> (&'static str, String) {
        let (what, example) = match wanted {
            "a string" | "path string" | "a borrowed string" => ("a text", "\"text\""),
            "a boolean" => ("true or false", "true"),
            w if w.starts_with("a sequence") => ("a list", "[\"first line\", \"second line\"]"),
            w if w.starts_with("struct") || w == "a map" => {
                ("a table", "a heading [table] and its keys below")
            }
            w if w.starts_with(['u', 'i']) => ("a whole number", "60"),
            w if w.starts_with('f') => ("a number", "0.5"),
            _ => ("something else", "what `calwright schema settings` describes"),
        };
        let remedy = match (self.kind, what) {
            (LayerKind::Variable, "a text") => "put it in quotes within the variable: '\"…\"'".to_owned(),
            (LayerKind::File, "a text") => "write it in quotes".to_owned(),
            _ => format!("write {what}, such as {example}"),
        };
        (what, remedy)
    }
}

/// What stands there, in the words of a person.
fn actual(found: &Actual) -> String {
    match found {
        Actual::Bool(value) => value.to_string(),
        Actual::Unsigned(number) => format!("the whole number {number}"),
        Actual::Signed(number) => format!("the whole number {number}"),
        Actual::Float(number) => format!("the number {number}"),
        Actual::Str(text) => format!("the text {text:?}"),
        Actual::Seq => "a list".to_owned(),
        Actual::Map => "a table".to_owned(),
        other => other.to_string(),
    }
}

/// The values of a provider, whatever its profile.
fn dict(provider: &dyn Provider) -> Result<Dict, String> {
    let mut data = provider.data().map_err(|e| e.kind.to_string())?;
    Ok(data.remove(&Profile::Default).or_else(|| data.remove(&Profile::Global)).unwrap_or_default())
}

/// The keys down to what an error is about; an unknown key included.
fn path_of(error: &figment::Error) -> Vec<String> {
    let mut path = error.path.clone();
    if let Kind::UnknownField(name, _) = &error.kind
        && path.last() != Some(name)
    {
        path.push(name.clone());
    }
    path
}

/// Takes out what a path leads to; an item of a list with its list. False where it leads nowhere.
fn strike(dict: &mut Dict, path: &[String]) -> bool {
    let Some((key, rest)) = path.split_first() else { return false };
    match dict.get_mut(key) {
        Some(Value::Dict(_, inner)) if !rest.is_empty() => strike(inner, rest) || dict.remove(key).is_some(),
        Some(_) => dict.remove(key).is_some(),
        None => false,
    }
}

/// A settings file as far as its top: to see whether it is one at all.
struct Top;

impl Written for Top {
    const FILE: Option<&'static str> = Some("settings");

    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let schema = <Self as Written>::schema();
        let known = schema.get("properties").and_then(serde_json::Value::as_object)?;
        let known: Vec<&str> = known.keys().map(String::as_str).collect();
        Fields::open(&node, &known, notes).map(|_| Self)
    }

    fn schema() -> serde_json::Value {
        schemars::schema_for!(Settings).to_value()
    }
}

/// Whether these are levels. A word alone is one, and no name of a module: that would show all it says, and nothing else.
fn log_levels(levels: &str) -> Result<(), String> {
    let word = |part: &&str| !part.is_empty() && !part.contains(['=', '[', ':']);
    let mut words = levels.split(',').map(str::trim).filter(word);
    if let Some(other) = words.find(|word| word.parse::<tracing::level_filters::LevelFilter>().is_err()) {
        return Err(format!("'{other}' is no level"));
    }
    EnvFilter::try_new(levels).map(|_| ()).map_err(|error| error.to_string())
}
