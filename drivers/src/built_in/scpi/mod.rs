//! Instruments that speak SCPI (SCPI-99, IEEE 488.2 common commands), by templates.

mod errors;
pub mod source;
