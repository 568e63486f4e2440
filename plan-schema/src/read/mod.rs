//! Reading TOML into plain types, with every mistake reported at its place.
//!
//! Owns: the trait [`Written`] (how a type is read and what its JSON Schema is), the macros
//! [`written_table!`](crate::written_table) and [`written_words!`](crate::written_words) that implement it, diagnostics and their rendering.
//! A reader never stops at the first mistake: it notes it, goes on, and returns `None` for what it could not read,
//! so that several errors come out at once and none is the consequence of another.

mod diagnostic;
mod document;
mod kind;
mod node;
mod schema;
mod syntax;
mod table;
mod values;

pub use diagnostic::{Diagnostic, Diagnostics, Report};
pub(crate) use document::first_words;
pub use document::{Document, Source};
pub(crate) use kind::hits;
pub use node::{Node, Notes};
pub use schema::{object_schema, prose, root_schema};
pub(crate) use table::nearest;
pub use table::{Fields, suggestion};
pub use values::Table;

/// A type that people write in TOML.
pub trait Written: Sized {
    /// The kind of file of which this is the whole; `None` for what is a part of one.
    const FILE: Option<&'static str> = None;

    /// Reads the value at `node`; notes what is wrong and returns `None` where it can't be read.
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self>;

    /// What the value is if its key is absent; `None` makes the key required.
    fn absent() -> Option<Self> {
        None
    }

    /// JSON Schema of the value.
    fn schema() -> serde_json::Value;
}

#[cfg(test)]
mod tests;
