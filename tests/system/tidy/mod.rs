//! The rules of the house, held by tests: which crate sees which, what the pure ones may not use, size and shape of
//! files, units in names, what lies where.

mod arrows;
mod names;
mod protocol;
mod shape;
mod source;
mod tree;
