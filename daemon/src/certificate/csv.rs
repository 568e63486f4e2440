//! Certificates as CSV: one row a point, for spreadsheets and databases.
//!
//! Owns columns and their order. RFC 4180: a header, CRLF, quotes where they are needed; UTF-8. Numbers are those that are
//! stated on paper. Every row says whose it is and what it is worth (SIMULATED, DRAFT), since rows get copied apart.

use super::content::ContentError;
use super::data::{CertificateRequest, RequestProblem};
use super::stated::{SensitivityScale, Stated, StatedPoint};
use crate::record::result::PointRecord;
use crate::record::words::State;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How numbers and columns are parted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum CsvLocale {
    /// Commas between columns, a decimal point: what RFC 4180 and programs expect.
    #[default]
    Point,
    /// Semicolons between columns, a decimal comma: what spreadsheets of many countries expect.
    Comma,
}

const COLUMNS: [&str; 42] = [
    "worth",
    "certificate",
    "run",
    "laboratory",
    "make",
    "model",
    "serial",
    "reference",
    "started_utc",
    "ended_utc",
    "frequency_hz",
    "status",
    "target_mps2_peak",
    "acceleration_mps2_peak",
    "displacement_mm_peak",
    "sensitivity_per_g",
    "sensitivity_per_g_unit",
    "sensitivity_per_mps2",
    "u_sensitivity_per_mps2",
    "sensitivity_per_mps2_unit",
    "u_rel_percent",
    "phase_deg",
    "u_phase_deg",
    "deviation_percent",
    "u_deviation_percent",
    "coverage_factor",
    "coverage_factor_phase",
    "coverage_factor_deviation",
    "tolerance_percent",
    "decision",
    "accreditation",
    "accredited",
    "phase_accredited",
    "sensitivity_own_per_g",
    "sensitivity_own_per_g_unit",
    "sensitivity_own_per_mps2",
    "u_sensitivity_own_per_mps2",
    "sensitivity_own_per_mps2_unit",
    "thd_percent",
    "temperature_degc",
    "cycles_measured",
    "findings",
];

/// A certificate as CSV in UTF-8.
///
/// # Errors
/// If the request contradicts itself.
pub fn write(request: &CertificateRequest, locale: CsvLocale) -> Result<Vec<u8>, ContentError> {
    let sensor = request.checked_sensor()?;
    let delimiter = match locale {
        CsvLocale::Point => b',',
        CsvLocale::Comma => b';',
    };
    let mut writer = csv::WriterBuilder::new()
        .delimiter(delimiter)
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let failed = |error: csv::Error| ContentError::Request(RequestProblem::Csv(error.to_string()));
    writer.write_record(COLUMNS).map_err(failed)?;
    for (n, point) in sensor.points.iter().enumerate() {
        let tolerance = request.judgement.tolerance_percent.get(n).copied().flatten();
        let row = row(request, point, tolerance).map(|cell| cell.print(locale));
        writer.write_record(row).map_err(failed)?;
    }
    writer.into_inner().map_err(|error| ContentError::Request(RequestProblem::Csv(error.to_string())))
}

/// A cell. Numbers know the decimal mark, words don't.
enum Cell {
    Words(String),
    Number(Option<String>),
}

impl Cell {
    fn print(self, locale: CsvLocale) -> String {
        match (self, locale) {
            (Self::Words(words), _) => inert(words),
            (Self::Number(number), CsvLocale::Point) => number.unwrap_or_default(),
            (Self::Number(number), CsvLocale::Comma) => number.unwrap_or_default().replace('.', ","),
        }
    }
}

/// Words that a spreadsheet would take for a formula get an apostrophe in front: names and findings come from files.
fn inert(words: String) -> String {
    if words.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{words}") } else { words }
}

fn row(request: &CertificateRequest, point: &PointRecord, tolerance: Option<f64>) -> [Cell; COLUMNS.len()] {
    let result = &request.result;
    let output = request.item.own.as_ref();
    let (stated, scale) = (StatedPoint::of_item(point, output), SensitivityScale::of(point.sensitivity_unit));
    let own_scale = output.map(|own| SensitivityScale::own(own.kind));
    let words = |text: &str| Cell::Words(text.to_owned());
    let number = |value: Option<f64>| Cell::Number(value.map(|v| v.to_string()));
    let given = |text: Option<&String>| Cell::Number(text.cloned());
    let value = |stated: Option<&Stated>| Cell::Number(stated.map(|s| s.value.clone()));
    let uncertainty = |stated: Option<&Stated>| Cell::Number(stated.and_then(|s| s.uncertainty.clone()));
    let outcome = stated.result.as_ref();
    let magnitude = outcome.and_then(|r| r.per_mps2.as_ref());
    let phase = outcome.and_then(|r| r.phase_deg.as_ref());
    let deviation = outcome.and_then(|r| r.deviation_percent.as_ref());
    let own = outcome.filter(|_| own_scale.is_some());
    let reason = point.reason.iter().map(String::as_str);
    let findings: Vec<&str> = reason.chain(point.findings.iter().map(|f| f.message.as_str())).collect();
    [
        words(&worth(request)),
        words(request.number.as_deref().unwrap_or_default()),
        words(&result.run),
        words(&request.laboratory.name),
        words(&request.item.make),
        words(&request.item.model),
        words(&request.item.serial),
        words(&request.reference.serial),
        words(&result.started.to_string()),
        words(&result.ended.map(|t| t.to_string()).unwrap_or_default()),
        Cell::Number(Some(stated.frequency.clone())),
        words(point.status.word()),
        number(Some(point.target_mps2_peak)),
        given(stated.acceleration.as_ref()),
        given(stated.displacement.as_ref()),
        value(outcome.and_then(|r| r.per_g.as_ref())),
        words(scale.unit_per_g),
        value(magnitude),
        uncertainty(magnitude),
        words(scale.unit_per_mps2),
        given(outcome.and_then(|r| r.u_rel_percent.as_ref())),
        value(phase),
        uncertainty(phase),
        value(deviation),
        uncertainty(deviation),
        given(outcome.and_then(|r| r.coverage_factor.as_ref())),
        given(phase.and(outcome).and_then(|r| r.coverage_factor_phase.as_ref())),
        given(deviation.and(outcome).and_then(|r| r.coverage_factor_deviation.as_ref())),
        number(tolerance),
        words(point.decision.word()),
        words(request.accreditation().map_or("", |scope| &scope.accreditation)),
        words(yes(point.accredited.filter(|_| outcome.is_some()))),
        words(yes(point.phase_accredited.filter(|_| outcome.is_some()))),
        value(own.and_then(|r| r.own_per_g.as_ref())),
        words(own_scale.map_or("", |s| s.unit_per_g)),
        value(own.and_then(|r| r.own_per_mps2.as_ref())),
        uncertainty(own.and_then(|r| r.own_per_mps2.as_ref())),
        words(own_scale.map_or("", |s| s.unit_per_mps2)),
        number(point.thd_percent),
        number(point.temperature_degc),
        number(point.cycles_measured),
        words(&findings.join(" ")),
    ]
}

/// The accreditation of the laboratory, where it is in force and some point falls under it.
fn yes(accredited: Option<bool>) -> &'static str {
    match accredited {
        Some(true) => "yes",
        Some(false) => "no",
        None => "",
    }
}

/// What the numbers are worth: empty for a released certificate of a real object.
fn worth(request: &CertificateRequest) -> String {
    let simulated = request.result.simulated.then_some("SIMULATED");
    let draft = (request.result.state == State::Draft).then_some("DRAFT");
    simulated.into_iter().chain(draft).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::super::fixture;
    use super::*;

    fn rows(bytes: &[u8], delimiter: u8) -> Vec<csv::StringRecord> {
        let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).from_reader(bytes);
        reader.records().map(Result::unwrap).collect()
    }

    #[test]
    fn a_certificate_as_rows() {
        let text = String::from_utf8(write(&fixture::request(), CsvLocale::Point).unwrap()).unwrap();
        assert!(text.lines().count() == 13 && text.split("\r\n").count() == 14);
        insta::assert_snapshot!(text);
    }

    #[test]
    fn every_row_says_what_it_is_worth() {
        let column = |request: &CertificateRequest| -> Vec<String> {
            let bytes = write(request, CsvLocale::Point).unwrap();
            rows(&bytes, b',').iter().map(|r| r[0].to_owned()).collect()
        };
        assert!(column(&fixture::request()).iter().all(|w| w == "SIMULATED DRAFT"));
        assert!(column(&fixture::released()).iter().all(String::is_empty));
    }

    #[test]
    fn a_decimal_comma_changes_numbers_and_nothing_else() {
        let point = write(&fixture::long(), CsvLocale::Point).unwrap();
        let comma = write(&fixture::long(), CsvLocale::Comma).unwrap();
        for (with_point, with_comma) in rows(&point, b',').iter().zip(&rows(&comma, b';')) {
            for (n, (a, b)) in with_point.iter().zip(with_comma).enumerate() {
                let number = a.parse::<f64>().is_ok() && COLUMNS[n] != "serial";
                assert_eq!(if number { b.replace(',', ".") } else { b.to_owned() }, a, "{}", COLUMNS[n]);
            }
        }
    }

    #[test]
    fn a_name_is_no_formula() {
        let mut request = fixture::request();
        request.laboratory.name = "=cmd|' /C calc'!A0".into();
        request.item.model = "a,\"b\"\r\nc".into();
        let bytes = write(&request, CsvLocale::Point).unwrap();
        let rows = rows(&bytes, b',');
        assert!(rows.iter().all(|r| r[3].starts_with("'=") && &r[5] == "a,\"b\"\r\nc"));
    }
}
