//! Reading a table key by key: required, absent, unknown ('did you mean'), and the macros that declare tables.

use super::schema::how_to_write;
use super::{Node, Notes, Written};
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// The keys of one table while it is read.
#[derive(Debug)]
pub struct Fields<'a> {
    table: &'a DeTable<'a>,
    span: Range<usize>,
    notes: &'a Notes,
    /// Known keys that an unknown key was most likely meant to be: that they are missing needs no word more.
    meant: Vec<String>,
}

impl<'a> Fields<'a> {
    /// Opens a table and notes its unknown keys.
    #[must_use]
    pub fn open(node: &Node<'a>, known: &[&str], notes: &'a Notes) -> Option<Self> {
        let DeValue::Table(table) = node.value else {
            notes.error(
                Some(node.span.clone()),
                format!("this should be a table, but it is {}", node.kind()),
                Some(format!("write a table with the keys {}", known.join(", "))),
            );
            return None;
        };
        notes.enter(known);
        let mut meant = Vec::new();
        for key in table.keys() {
            let name = key.get_ref();
            if !known.contains(&name.as_ref()) {
                notes.unknown_key(key.span(), name, suggestion(name, known));
                meant.extend(nearest(name, known).map(str::to_owned));
            }
        }
        Some(Self { table, span: node.span.clone(), notes, meant })
    }

    /// Reads a key; `fallback` is what its absence means, `None` makes it required.
    pub fn read<T: Written>(&self, key: &str, fallback: Option<T>) -> Option<T> {
        match self.table.get(key) {
            Some(value) => T::read(Node { value: value.get_ref(), span: value.span() }, self.notes),
            None => {
                if fallback.is_none() && !self.meant.iter().any(|m| m == key) {
                    let remedy = how_to_write(key, &T::schema());
                    self.notes.missing_key(self.span.clone(), key, remedy);
                }
                fallback
            }
        }
    }
}

/// 'did you mean' for the nearest known word, or the list of all.
#[must_use]
pub fn suggestion(written: &str, known: &[&str]) -> String {
    match nearest(written, known) {
        Some(word) => format!("did you mean '{word}'?"),
        None => format!("known here: {}", known.join(", ")),
    }
}

/// The known word that lies nearest, if it is near enough for a slip of the keyboard.
pub(crate) fn nearest<'a>(written: &str, known: &[&'a str]) -> Option<&'a str> {
    known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(&written.to_lowercase(), &k.to_lowercase()), *k))
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, _)| *distance <= 1 + written.chars().count() / 4)
        .map(|(_, word)| word)
}

/// Declares a table that people write: the struct, its reader, its JSON Schema and its serialisation in one.
///
/// `field: Type` is required unless the type says what absence means (`Option`); `field: Type = value` has a default.
/// `key "name"` after a field's type gives the key another name than the field.
/// `pub struct Name file "kind"` is the whole of a kind of file. `pub struct Name: Default` has a default for every field, and is that where its own key is absent.
#[macro_export]
macro_rules! written_table {
    (
        $(#[doc = $doc:literal])*
        pub struct $name:ident: Default {
            $(
                $(#[doc = $field_doc:literal])*
                pub $field:ident : $type:ty = $default:expr
            ),* $(,)?
        }
    ) => {
        $crate::written_table! {
            $(#[doc = $doc])*
            pub struct $name {
                $($(#[doc = $field_doc])* pub $field: $type = $default,)*
            }
        }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }
    };
    (
        $(#[doc = $doc:literal])*
        pub struct $name:ident $(file $file:literal)? {
            $(
                $(#[doc = $field_doc:literal])*
                pub $field:ident $(key $key:literal)? : $type:ty $(= $default:expr)?
            ),* $(,)?
        }
    ) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, PartialEq, serde::Serialize)]
        pub struct $name {
            $($(#[doc = $field_doc])* $(#[serde(rename = $key)])? pub $field: $type,)*
        }

        impl $crate::read::Written for $name {
            $(const FILE: Option<&'static str> = Some($file);)?

            fn read(node: $crate::read::Node<'_>, notes: &$crate::read::Notes) -> Option<Self> {
                let fields = $crate::read::Fields::open(&node, &[$($crate::written_table!(@key $field $($key)?)),*], notes)?;
                $(let $field = fields.read::<$type>(
                    $crate::written_table!(@key $field $($key)?),
                    $crate::written_table!(@fallback $type $(, $default)?),
                );)*
                Some(Self { $($field: $field?,)* })
            }

            fn schema() -> serde_json::Value {
                $crate::read::object_schema(
                    concat!($($doc, "\n"),*),
                    &[$((
                        $crate::written_table!(@key $field $($key)?),
                        concat!($($field_doc, "\n"),*),
                        <$type as $crate::read::Written>::schema(),
                        $crate::written_table!(@fallback $type $(, $default)?)
                            .and_then(|value: $type| serde_json::to_value(&value).ok()),
                    )),*],
                )
            }
        }
    };
    (@key $field:ident) => { stringify!($field) };
    (@key $field:ident $key:literal) => { $key };
    (@fallback $type:ty) => { <$type as $crate::read::Written>::absent() };
    (@fallback $type:ty, $default:expr) => { Some($default) };
}

/// Declares a choice between words that people write.
#[macro_export]
macro_rules! written_words {
    (
        $(#[doc = $doc:literal])*
        pub enum $name:ident { $($(#[doc = $variant_doc:literal])* $variant:ident = $word:literal),* $(,)? }
    ) => {
        $(#[doc = $doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
        pub enum $name { $($(#[doc = $variant_doc])* #[serde(rename = $word)] $variant,)* }

        impl $name {
            /// All words of this choice.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The word as it is written.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }
        }

        impl $crate::read::Written for $name {
            fn read(node: $crate::read::Node<'_>, notes: &$crate::read::Notes) -> Option<Self> {
                $crate::read::Fields::word(&node, &[$($word),*], notes).and_then(|word| match word.as_str() {
                    $($word => Some(Self::$variant),)*
                    _ => None,
                })
            }

            fn schema() -> serde_json::Value {
                serde_json::json!({
                    "description": $crate::read::prose(concat!($($doc, "\n"),*)),
                    "oneOf": [$({
                        "const": $word,
                        "description": $crate::read::prose(concat!($($variant_doc, "\n"),*)),
                    }),*],
                })
            }
        }
    };
}

impl Fields<'_> {
    /// Reads one of the known words.
    #[must_use]
    pub fn word(node: &Node<'_>, known: &[&str], notes: &Notes) -> Option<String> {
        let text = String::read(node.clone(), notes)?;
        if known.contains(&text.as_str()) {
            return Some(text);
        }
        notes.error(
            Some(node.span.clone()),
            format!("\"{text}\" is not known here"),
            Some(suggestion(&text, known)),
        );
        None
    }
}
