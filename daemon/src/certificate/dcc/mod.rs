//! Certificates as data: XML in the open schema of Digital Calibration Certificates, DCC 3.3.0 with D-SI 2.2.1.
//!
//! ```text
//!   request ──► admin   who, what, when          tree   elements and escaping
//!           ──► results numbers as stated        units  D-SI's spelling, and its check
//!   bytes   ──► read    the numbers back, and what the schema does not check
//! ```
//!
//! Owns the mapping from a request to that schema. Invariant: a document is read back and checked before it is handed
//! out, so none leaves whose lists differ in length or whose units are none. Must not: round (that is `stated`'s), or
//! sign. SIMULATED and DRAFT stand in the identifier and in a statement of their own.

mod admin;
mod read;
mod results;
mod tree;
mod units;

#[cfg(test)]
mod tests;

use super::content::{Content, ContentError};
use super::data::CertificateRequest;
use super::messages::{Messages, MissingMessage};
use crate::record::result::SensorRecord;
use std::fmt;
use tree::{Element, element, text};

pub use read::{Problem, ReadCertificate, ReadQuantity, read};

/// Version of the schema that documents state.
pub const SCHEMA_VERSION: &str = "3.3.0";

/// Why there is no XML of a certificate.
#[derive(Debug)]
pub enum DccError {
    /// The request is incomplete, or the language lacks a string.
    Content(ContentError),
    /// The document could not be written.
    Write(std::io::Error),
    /// The document that was written is not right: a defect of the program.
    Wrong(Vec<Problem>),
}

impl fmt::Display for DccError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Content(error) => error.fmt(f),
            Self::Write(error) => write!(f, "the XML of a certificate could not be written: {error}"),
            Self::Wrong(problems) => {
                f.write_str("the XML of a certificate is not right, a defect of the program:")?;
                problems.iter().try_for_each(|problem| write!(f, "\n  {problem}"))
            }
        }
    }
}

impl std::error::Error for DccError {}

impl From<MissingMessage> for DccError {
    fn from(missing: MissingMessage) -> Self {
        Self::Content(missing.into())
    }
}

/// What the parts are written from.
struct Source<'a> {
    request: &'a CertificateRequest,
    sensor: &'a SensorRecord,
    content: Content,
    messages: Messages,
}

/// A certificate as XML in UTF-8.
///
/// # Errors
/// See [`DccError`].
pub fn write(request: &CertificateRequest) -> Result<Vec<u8>, DccError> {
    let messages = Messages::of(request.language)?;
    let content = Content::of(request, &messages).map_err(DccError::Content)?;
    let sensor =
        request.checked_sensor().map_err(|problem| DccError::Content(ContentError::Request(problem)))?;
    let source = Source { request, sensor, content, messages };
    let root = element("dcc:digitalCalibrationCertificate")
        .with("xmlns:dcc", "https://ptb.de/dcc")
        .with("xmlns:si", "https://ptb.de/si")
        .with("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance")
        .with("xsi:schemaLocation", "https://ptb.de/dcc https://ptb.de/dcc/v3.3.0/dcc.xsd")
        .with("schemaVersion", SCHEMA_VERSION)
        .holding(admin::data(&source)?)
        .holding(results::all(&source)?);
    let bytes = root.document().map_err(DccError::Write)?;
    read(&bytes).map_err(DccError::Wrong)?;
    Ok(bytes)
}

impl Source<'_> {
    /// An element that names something in the certificate's language.
    fn said(&self, name: &'static str, said: impl AsRef<str>) -> Element {
        let content = text("dcc:content", said).with("lang", self.messages.language().code());
        element(name).holding(content)
    }

    fn word(&self, section: &str, key: &str) -> Result<&str, MissingMessage> {
        self.messages.text(section, key)
    }
}
