//! What a run leaves behind, as it is stored: the types of the files in a run directory.
//!
//! Owns the shape and the words of those files; they are stable once someone uses them.
//! Must not: measure, judge, or know where a file lies. The core's own types are converted by hand, so that
//! renaming something inside never changes a stored record.

pub mod assemble;
pub mod budget;
pub mod channel_ratio;
pub mod check;
pub mod convert;
pub mod directory;
pub mod earlier;
pub mod estimators;
pub mod journal;
pub mod problems;
pub mod raw;
pub mod result;
pub mod run;
pub mod substitution;
pub mod time;
pub mod truth;
pub mod words;

pub use directory::RunDirectory;
pub use result::ResultRecord;
pub use run::RunRecord;
pub use time::UtcTime;
pub use truth::TruthRecord;

/// JSON Schema of a record as it is written: every field is required, and null where nothing exists.
#[must_use]
pub fn schema_of<T: schemars::JsonSchema>() -> schemars::Schema {
    schemars::generate::SchemaSettings::draft2020_12()
        .for_serialize()
        .into_generator()
        .into_root_schema_for::<T>()
}
