//! What a person reads or sets by hand and types into the rig file, with name and time.

pub mod ambient;
pub mod amplifier;
