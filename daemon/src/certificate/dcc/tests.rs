//! Documents as a whole: what they say is what paper says, and what is wrong is found.

use super::super::fixture;
use super::super::messages::Language;
use super::super::stated::StatedPoint;
use super::*;

fn document(request: &CertificateRequest) -> String {
    String::from_utf8(write(request).unwrap_or_else(|e| panic!("{e}"))).unwrap()
}

#[test]
fn a_certificate_as_data() {
    insta::assert_snapshot!(document(&fixture::released()));
}

#[test]
fn numbers_are_those_of_the_paper() {
    for request in [fixture::request(), fixture::released(), fixture::long()] {
        let read = read(document(&request).as_bytes()).unwrap();
        let points = &request.checked_sensor().unwrap().points;
        let stated: Vec<_> = points.iter().map(StatedPoint::of).collect();
        let results: Vec<_> = stated.iter().filter_map(|p| p.result.as_ref()).collect();
        let magnitude = read.quantity("calwright_magnitude").unwrap();
        let printed: Vec<_> = results.iter().map(|r| r.per_mps2.as_ref().unwrap()).collect();
        assert_eq!(magnitude.values, printed.iter().map(|s| s.value.clone()).collect::<Vec<_>>());
        let uncertainties: Vec<_> = printed.iter().map(|s| s.uncertainty.clone().unwrap()).collect();
        assert_eq!(magnitude.uncertainties, uncertainties);
        let frequencies: Vec<_> =
            stated.iter().filter(|p| p.result.is_some()).map(|p| &p.frequency).collect();
        assert_eq!(
            read.quantity("calwright_frequency").unwrap().values.iter().collect::<Vec<_>>(),
            frequencies
        );
    }
}

#[test]
fn simulated_and_draft_are_said_first() {
    let read = read(document(&fixture::request()).as_bytes()).unwrap();
    assert_eq!(read.statements[..2], ["SIMULATED", "DRAFT"]);
    assert!(read.identifier.starts_with("SIMULATED-DRAFT-"), "{}", read.identifier);
    let released = super::read(document(&fixture::released()).as_bytes()).unwrap();
    assert_eq!(released.identifier, "XL-2000-0042");
    assert!(!released.statements.iter().any(|s| s == "SIMULATED" || s == "DRAFT"));
}

#[test]
fn what_is_not_known_makes_no_empty_element() {
    let text = document(&fixture::bare());
    assert!(!text.contains("></"), "{text}");
}

#[test]
fn other_languages_say_so() {
    let text = document(&CertificateRequest { language: Language::German, ..fixture::released() });
    assert!(text.contains("lang=\"de\"") && !text.contains("lang=\"en\""));
    assert!(text.contains("Kalibriert") || text.contains("Bezugsnormal"));
}

/// The schema takes each of these; we must not.
#[test]
fn what_the_schema_lets_pass_is_found() {
    let right = document(&fixture::released());
    let wrong = |from: &str, to: &str| -> String {
        assert!(right.contains(from), "{from}");
        let problems = read(right.replacen(from, to, 1).as_bytes()).unwrap_err();
        problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
    };
    let values = right.split("<si:valueXMLList>").nth(3).and_then(|t| t.split("</").next()).unwrap();
    let shorter = values.rsplit_once(' ').unwrap().0;
    assert!(wrong(&format!(">{values}<"), &format!(">{shorter}<")).contains("different lengths"));
    assert!(wrong(r"\hertz", r"\herz").contains("no unit"));
    assert!(wrong("2.00 2.00", "2.00").contains("coverage factors for"));
    assert!(wrong("2.00 2.00", "2.00 two").contains("no number"));
}

#[test]
fn results_as_found_are_a_result_of_their_own() {
    let request = fixture::as_left();
    let certificate = read(&write(&request).unwrap()).unwrap();
    let magnitudes: Vec<_> =
        certificate.quantities.iter().filter(|q| q.kind.contains("calwright_magnitude")).collect();
    let values = |sensor: &crate::record::result::SensorRecord| -> Vec<String> {
        let stated = sensor.points.iter().filter_map(|p| StatedPoint::of(p).result);
        stated.filter_map(|r| r.per_mps2).map(|s| s.value).collect()
    };
    let sides = [&request.result.sensors[0], &request.as_found.as_ref().unwrap().sensor];
    assert_eq!(magnitudes.iter().map(|q| q.values.clone()).collect::<Vec<_>>(), sides.map(values));
}
