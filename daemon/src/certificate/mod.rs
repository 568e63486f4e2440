//! Certificates as PDF.
//!
//! ```text
//! daemon                                   child process, limited in time and memory
//! ------                                   -----------------------------------------
//! CertificateRequest  --render()-->  JSON  --child::main-->  Content --> Typst template --> PDF, renamed in place
//!                     <-- Rendered --JSON--
//! ```
//!
//! Owns everything between a result and its PDF: what is said ([`content`]), how numbers are rounded
//! ([`rounding`]), how it looks (`template.typ`), in which words (`messages-en.toml`).
//! Invariant: a template is the user's and not trusted. It is run in a child process only, and reads nothing
//! but what it is handed and what lies in its own folder; no packages, no network, no clock.
//! Invariant: the same request gives the same bytes.

pub mod child;
pub mod content;
pub mod csv;
pub mod data;
pub mod dcc;
pub mod issue;
pub mod job;
pub mod messages;
pub mod plot;
mod problem;
pub mod render;
pub mod rounding;
pub mod stated;
#[cfg(feature = "certificates")]
mod typeset;
#[cfg(feature = "certificates")]
mod world;

#[cfg(test)]
pub(crate) mod fixture;
#[cfg(test)]
#[cfg(feature = "certificates")]
mod tests;

pub use data::{CertificateRequest, file_name};
pub use job::{Limits, Rendered};
pub use render::{Program, RenderError, render, render_with};
