//! A request as it will be read: every label, number and sentence ready to print.
//!
//! Owns the choice of what a certificate says. The template gets the result as `/calwright/certificate.json`
//! and decides only where things stand. Pure. Must not: compute results, or name fonts, sizes or colours.

mod accreditation;
mod annex;
mod equipment;
mod facts;
mod figures;
mod judgement;
mod numbers;
mod own_unit;
mod side_by_side;
mod table;
mod texts;

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use super::data::{CertificateRequest, RequestProblem};
use super::messages::{Messages, MissingMessage};
use crate::record::result::SensorRecord;
use crate::record::words::{Decision, State};

pub use annex::{Annex, BudgetTable};
pub use equipment::Instrument;
pub use facts::{Block, Fact};
pub use figures::{Figures, PlacedFigure};
pub use own_unit::OwnUnit;
pub use side_by_side::{Pair, SideBySide};
pub use table::{Column, Row, Table};
pub use texts::Section;

/// Everything that the template prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Content {
    /// Fixed words of the template: title, page, of, …
    pub words: BTreeMap<String, String>,
    /// Number of the certificate; null for a draft.
    pub number: Option<String>,
    /// Name of the run.
    pub run: String,
    /// What must be seen on every page: simulated, draft. Empty for a released certificate.
    pub marks: Vec<Marking>,
    /// Name of the laboratory.
    pub laboratory: String,
    /// Address and contact, line by line.
    pub letterhead: Vec<String>,
    /// The accreditation that results fall under, as printed at the head; null where none does.
    pub accreditation: Option<String>,
    /// Its bare number, for data.
    #[serde(skip)]
    pub accreditation_code: Option<String>,
    /// File of the laboratory's mark among those handed in; null where it has none.
    pub mark: Option<String>,
    /// Facts in blocks, by name: item, customer, calibration, conditions, mounting, reference.
    pub blocks: BTreeMap<&'static str, Block>,
    /// The instruments between motion and numbers.
    pub equipment: Vec<Instrument>,
    /// Method and traceability: what stands before the results.
    pub before: Vec<Section>,
    /// The results.
    pub table: Table,
    /// The results in the item's own unit; null where that is a voltage.
    pub own_unit: Option<OwnUnit>,
    /// The results before an adjustment beside those after it; null where there are none.
    pub side_by_side: Option<SideBySide>,
    /// What was noticed about accepted points.
    pub notes: Vec<String>,
    /// Captions of the figures that exist; their SVG is handed in beside.
    pub figures: Figures,
    /// Uncertainty, decision rule, statement, validity: what stands after the results.
    pub after: Vec<Section>,
    /// Judgement of the item as a whole, as a word for the template to colour.
    pub decision: Decision,
    /// Budgets; null where the settings don't ask for them.
    pub annex: Option<Annex>,
    /// Remarks.
    pub remarks: Vec<String>,
    /// Labels and names for the signature lines; a name is null where a person shall write.
    pub signatures: Vec<Signature>,
}

/// Something that must be seen on every page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Marking {
    /// Which: `simulated`, `draft`.
    pub kind: &'static str,
    /// The word, in large.
    pub word: String,
    /// What it means.
    pub text: String,
}

/// A line to sign, or a date.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Signature {
    /// What stands under the line.
    pub label: String,
    /// The name or date.
    pub name: Option<String>,
}

/// Why a request has no content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ContentError {
    /// The request is incomplete or contradicts itself.
    Request(RequestProblem),
    /// The language lacks a string.
    Message(MissingMessage),
}

impl fmt::Display for ContentError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Request(problem) => problem.fmt(f),
            Self::Message(missing) => missing.fmt(f),
        }
    }
}

impl std::error::Error for ContentError {}

impl From<RequestProblem> for ContentError {
    fn from(problem: RequestProblem) -> Self {
        Self::Request(problem)
    }
}

impl From<MissingMessage> for ContentError {
    fn from(missing: MissingMessage) -> Self {
        Self::Message(missing)
    }
}

/// What the parts of the content are written from.
struct Source<'a> {
    request: &'a CertificateRequest,
    sensor: &'a SensorRecord,
    messages: &'a Messages,
    print: numbers::Print,
}

impl Content {
    /// Puts a request into words.
    ///
    /// # Errors
    /// If the request contradicts itself, or the language lacks a string.
    pub fn of(request: &CertificateRequest, messages: &Messages) -> Result<Self, ContentError> {
        let print = numbers::Print { decimal_mark: messages.decimal_mark()? };
        let source = Source { request, sensor: request.checked_sensor()?, messages, print };
        let laboratory = &request.laboratory;
        Ok(Self {
            words: messages.section("words")?.clone(),
            number: request.number.clone(),
            run: request.result.run.clone(),
            marks: marks(&source)?,
            laboratory: laboratory.name.clone(),
            letterhead: laboratory.address.iter().chain(&laboratory.contact).cloned().collect(),
            accreditation: accreditation::number(&source)?,
            accreditation_code: accreditation::code(&source),
            mark: laboratory.mark.as_deref().map(super::data::mark_file),
            blocks: facts::blocks(&source)?,
            equipment: equipment::instruments(&source)?,
            before: texts::before(&source)?,
            table: table::table(&source)?,
            own_unit: own_unit::own_unit(&source)?,
            side_by_side: side_by_side::side_by_side(&source)?,
            notes: table::notes(&source)?,
            figures: figures::figures(&source)?,
            after: texts::after(&source)?,
            decision: source.sensor.decision,
            annex: annex::annex(&source)?,
            remarks: texts::remarks(&source)?,
            signatures: signatures(&source)?,
        })
    }
}

fn marks(source: &Source<'_>) -> Result<Vec<Marking>, MissingMessage> {
    let result = &source.request.result;
    let mut marks = Vec::new();
    if result.simulated {
        marks.push(("simulated", "simulated_text"));
    }
    if result.state == State::Draft {
        marks.push(("draft", "draft_text"));
    }
    marks
        .into_iter()
        .map(|(kind, text)| {
            let word = source.messages.text("mark", kind)?.to_owned();
            Ok(Marking { kind, word, text: source.messages.text("mark", text)?.to_owned() })
        })
        .collect()
}

fn signatures(source: &Source<'_>) -> Result<Vec<Signature>, MissingMessage> {
    let request = source.request;
    let line = |key: &str, name: Option<String>| -> Result<Signature, MissingMessage> {
        Ok(Signature { label: source.messages.text("words", key)?.to_owned(), name })
    };
    Ok(vec![
        line("operator", request.operator.clone())?,
        line("authorised", request.authorised_by.clone())?,
        line("issued", request.issued.map(|time| time.civil().date().to_string()))?,
    ])
}
