//! Instruments that speak SCPI (SCPI-99, IEEE 488.2 common commands), by templates.

pub mod acquisition;
mod errors;
mod samples;
pub mod source;
