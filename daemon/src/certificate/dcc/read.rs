//! Reads a certificate's XML back: its numbers, and what the schema does not check.
//!
//! Owns the checks beyond the schema: lists of one result are equally long, lists of uncertainties as long as their
//! values (or one for all), units are units, numbers are numbers, the identifier is there. Must not: validate against
//! the schema, which is a check from outside.

use super::units;
use roxmltree::{Document, Node};
use std::fmt;

/// What a certificate's XML says.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadCertificate {
    /// Its unique identifier.
    pub identifier: String,
    /// The headings of its statements, in order: SIMULATED and DRAFT come first.
    pub statements: Vec<String>,
    /// The quantities in lists of results.
    pub quantities: Vec<ReadQuantity>,
}

/// A list of values.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadQuantity {
    /// What kind of quantity it is: its `refType`.
    pub kind: String,
    /// Its unit.
    pub unit: String,
    /// Values as they are written.
    pub values: Vec<String>,
    /// Expanded uncertainties; empty where none is stated.
    pub uncertainties: Vec<String>,
    /// Coverage factors.
    pub coverage_factors: Vec<String>,
    /// Words, for a list of words instead of values.
    pub words: Vec<String>,
}

/// Something that is not right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line of the document, from 1.
    pub line: u32,
    /// What.
    pub what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.what)
    }
}

impl ReadCertificate {
    /// The quantity whose kinds include this one.
    #[must_use]
    pub fn quantity(&self, kind: &str) -> Option<&ReadQuantity> {
        self.quantities.iter().find(|q| q.kind.split(' ').any(|k| k == kind))
    }
}

/// Reads a document.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read(bytes: &[u8]) -> Result<ReadCertificate, Vec<Problem>> {
    let one = |line, what: String| vec![Problem { line, what }];
    let document = std::str::from_utf8(bytes).map_err(|e| one(1, format!("this is no UTF-8: {e}")))?;
    let document = Document::parse(document).map_err(|e| one(e.pos().row, format!("this is no XML: {e}")))?;
    let mut reader = Reader { document: &document, problems: Vec::new() };
    let certificate = reader.certificate();
    if reader.problems.is_empty() { Ok(certificate) } else { Err(reader.problems) }
}

struct Reader<'a> {
    document: &'a Document<'a>,
    problems: Vec<Problem>,
}

impl<'a> Reader<'a> {
    fn wrong(&mut self, node: Node<'_, '_>, what: String) {
        let line = self.document.text_pos_at(node.range().start).row;
        self.problems.push(Problem { line, what });
    }

    fn certificate(&mut self) -> ReadCertificate {
        let root = self.document.root_element();
        if root.tag_name().name() != "digitalCalibrationCertificate" {
            self.wrong(root, "the document is no calibration certificate".to_owned());
        }
        let all: Vec<Node<'a, 'a>> = root.descendants().collect();
        let named = |name: &'static str| all.iter().copied().filter(move |n| n.tag_name().name() == name);
        let identifier = named("uniqueIdentifier").next().map(words).unwrap_or_default().join(" ");
        if identifier.is_empty() {
            self.wrong(root, "the certificate has no unique identifier".to_owned());
        }
        let statements = named("statement").filter_map(heading).collect();
        for list in all.iter().copied().filter(|n| n.tag_name().name().ends_with("XMLList")) {
            self.units(list);
        }
        let mut quantities = Vec::new();
        for list in named("list") {
            let members: Vec<_> = list.children().filter(|n| n.tag_name().name() == "quantity").collect();
            let read: Vec<ReadQuantity> = members.iter().map(|q| self.quantity(*q)).collect();
            self.equally_long(list, &read);
            quantities.extend(read);
        }
        ReadCertificate { identifier, statements, quantities }
    }

    fn units(&mut self, node: Node<'a, 'a>) {
        if !node.tag_name().name().starts_with("unit") {
            return;
        }
        for unit in words(node) {
            if !units::is_unit(unit) {
                self.wrong(node, format!("`{unit}` is no unit of D-SI"));
            }
        }
    }

    fn quantity(&mut self, quantity: Node<'a, 'a>) -> ReadQuantity {
        let real = quantity.children().find(|n| n.tag_name().name() == "realListXMLList");
        let list = |name: &str| -> Vec<String> {
            let within = real.into_iter().flat_map(|r| r.descendants());
            let node = within.into_iter().find(|n| n.tag_name().name() == name);
            node.map(words).unwrap_or_default().into_iter().map(str::to_owned).collect()
        };
        let plain = quantity.children().find(|n| n.tag_name().name() == "charsXMLList");
        let read = ReadQuantity {
            kind: quantity.attribute("refType").unwrap_or_default().to_owned(),
            unit: list("unitXMLList").join(" "),
            values: list("valueXMLList"),
            uncertainties: list("valueExpandedMUXMLList"),
            coverage_factors: list("coverageFactorXMLList"),
            words: plain.map(words).unwrap_or_default().into_iter().map(str::to_owned).collect(),
        };
        let lists = [&read.values, &read.uncertainties, &read.coverage_factors];
        for number in lists.into_iter().flatten() {
            if !number.parse::<f64>().is_ok_and(f64::is_finite) {
                self.wrong(quantity, format!("`{number}` is no number"));
            }
        }
        for (what, length) in
            [("uncertainties", read.uncertainties.len()), ("coverage factors", read.coverage_factors.len())]
        {
            if length > 1 && length != read.values.len() {
                let values = read.values.len();
                self.wrong(quantity, format!("there are {length} {what} for {values} values"));
            }
        }
        read
    }

    fn equally_long(&mut self, list: Node<'a, 'a>, quantities: &[ReadQuantity]) {
        let lengths: Vec<usize> = quantities.iter().map(|q| q.values.len().max(q.words.len())).collect();
        if lengths.iter().any(|length| Some(length) != lengths.first()) {
            self.wrong(list, format!("the lists of one result have different lengths: {lengths:?}"));
        }
    }
}

fn words<'a>(node: Node<'a, 'a>) -> Vec<&'a str> {
    node.text().map(|text| text.split_whitespace().collect()).unwrap_or_default()
}

fn heading(statement: Node<'_, '_>) -> Option<String> {
    let name = statement.children().find(|n| n.tag_name().name() == "name")?;
    let content = name.children().find(|n| n.tag_name().name() == "content")?;
    content.text().map(str::to_owned)
}
