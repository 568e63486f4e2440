//! What is claimed of what people write: every mistake has its words, schema and reader agree, no reader panics.

pub mod agreement;
pub mod chance;
pub mod documents;
pub mod fuzz;
pub mod mangle;
pub mod values;
