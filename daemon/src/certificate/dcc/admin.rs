//! Administrative data: software, dates, item, laboratory, people, customer, statements.
//!
//! Owns who, what and when. Must not: hold results.

use super::tree::{Element, element, text};
use super::{MissingMessage, Source};
use crate::record::UtcTime;
use crate::record::words::State;

pub(super) fn data(source: &Source<'_>) -> Result<Element, MissingMessage> {
    Ok(element("dcc:administrativeData")
        .holding(element("dcc:dccSoftware").holding(software(source)))
        .holding(core(source))
        .holding(element("dcc:items").holding(item(source)?))
        .holding(laboratory(source))
        .holding(people(source)?)
        .holding(customer(source)?)
        .holding(statements(source)?))
}

/// The program, as the DCC's own and as the one that measured.
pub(super) fn software(source: &Source<'_>) -> Element {
    let software = &source.request.result.software;
    let hash = software.hash.as_ref().map(|hash| format!("SHA-256 {hash}"));
    element("dcc:software")
        .holding(source.said("dcc:name", "calwright"))
        .holding(text("dcc:release", &software.version))
        .holding(text("dcc:type", "application"))
        .holding_all(hash.map(|hash| source.said("dcc:description", hash)))
}

/// A name that no other certificate bears: its number, or for a draft what it is a draft of.
pub(super) fn identifier(source: &Source<'_>) -> String {
    let request = source.request;
    let marks: String = source.content.marks.iter().map(|m| m.kind.to_uppercase() + "-").collect();
    match &request.number {
        Some(number) if source.content.marks.is_empty() => number.clone(),
        Some(number) => format!("{marks}{number}"),
        None => format!("{marks}{}-{}", request.result.run, request.item.serial),
    }
}

fn core(source: &Source<'_>) -> Element {
    let request = source.request;
    let result = &request.result;
    let language = source.messages.language().code();
    let day = |time: UtcTime| time.civil().date().to_string();
    let received: Option<jiff::civil::Date> = request.received.as_ref().and_then(|r| r.parse().ok());
    let identifications = element("dcc:identifications")
        .holding(identification(source, "calibrationLaboratory", &result.run, "run"))
        .holding_all(request.order.as_ref().map(|order| identification(source, "customer", order, "order")));
    let place = if request.laboratory.place_of_work.is_some() { "other" } else { "laboratory" };
    let amended = request.replaces.as_ref().map(|number| {
        element("dcc:reportAmendedSubstituted")
            .holding(text("dcc:typeOfChange", "amended"))
            .holding(text("dcc:replacedUniqueIdentifier", number))
    });
    element("dcc:coreData")
        .holding(text("dcc:countryCodeISO3166_1", country(source)))
        .holding(text("dcc:usedLangCodeISO639_1", language))
        .holding(text("dcc:mandatoryLangCodeISO639_1", language))
        .holding(text("dcc:uniqueIdentifier", identifier(source)))
        .holding(identifications)
        .holding_all(received.map(|date| text("dcc:receiptDate", date.to_string())))
        .holding(text("dcc:beginPerformanceDate", day(result.started)))
        .holding(text("dcc:endPerformanceDate", day(result.ended.unwrap_or(result.started))))
        .holding(text("dcc:performanceLocation", place))
        .holding_all(request.issued.map(|time| text("dcc:issueDate", day(time))))
        .holding_all(amended)
}

/// The laboratory's country, or the code that ISO 3166-1 leaves to users where the settings name none.
fn country<'a>(source: &Source<'a>) -> &'a str {
    source.request.laboratory.country.as_deref().unwrap_or("ZZ")
}

fn identification(source: &Source<'_>, issuer: &'static str, value: &str, name: &str) -> Element {
    element("dcc:identification")
        .holding(text("dcc:issuer", issuer))
        .holding(text("dcc:value", value))
        .holding(source.said("dcc:name", name))
}

fn item(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let item = &source.request.item;
    let condition = source.word("condition", item.condition.word())?;
    Ok(element("dcc:item")
        .holding(source.said("dcc:name", source.word("kind", item.kind.word())?))
        .holding(source.said("dcc:description", condition))
        .holding(element("dcc:manufacturer").holding(source.said("dcc:name", &item.make)))
        .holding(text("dcc:model", &item.model))
        .holding(serial(source, &item.serial)?))
}

/// A serial number as the maker's identification.
pub(super) fn serial(source: &Source<'_>, serial: &str) -> Result<Element, MissingMessage> {
    let name = source.word("fact", "serial")?;
    Ok(element("dcc:identifications").holding(identification(source, "manufacturer", serial, name)))
}

fn laboratory(source: &Source<'_>) -> Element {
    let laboratory = &source.request.laboratory;
    let address = laboratory.address.iter().chain(&laboratory.contact).chain(&laboratory.place_of_work);
    let lines: Vec<&str> = address.map(String::as_str).collect();
    let location = element("dcc:location")
        .holding(text("dcc:countryCode", country(source)))
        .holding(source.said("dcc:further", lines.join(", ")));
    let contact = element("dcc:contact").holding(source.said("dcc:name", &laboratory.name)).holding(location);
    let code = source.content.accreditation_code.as_ref();
    element("dcc:calibrationLaboratory")
        .holding_all(code.map(|code| text("dcc:calibrationLaboratoryCode", code)))
        .holding(contact)
}

fn people(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let person = |name: &str, role: &str, signs: bool| {
        element("dcc:respPerson")
            .holding(element("dcc:person").holding(source.said("dcc:name", name)))
            .holding(text("dcc:role", role))
            .holding(text("dcc:mainSigner", if signs { "true" } else { "false" }))
    };
    let request = source.request;
    let operator = request.operator.as_deref();
    let nobody = operator.is_none() && request.authorised_by.is_none();
    let unknown = nobody.then(|| source.word("phrase", "not_known")).transpose()?;
    Ok(element("dcc:respPersons")
        .holding_all(operator.or(unknown).map(|name| person(name, "operator", false)))
        .holding_all(request.authorised_by.as_ref().map(|name| person(name, "approver", true))))
}

fn customer(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let unknown = source.word("phrase", "not_known")?;
    let customer = source.request.customer.as_ref();
    let name = customer.map_or(unknown, |c| c.name.as_str());
    let address = customer.map(|c| c.address.join(", ")).filter(|a| !a.trim().is_empty());
    let location = element("dcc:location")
        .holding(source.said("dcc:further", address.unwrap_or_else(|| unknown.to_owned())));
    Ok(element("dcc:customer").holding(source.said("dcc:name", name)).holding(location))
}

/// What must be seen first, then what a reader has to know of the results as a whole.
fn statements(source: &Source<'_>) -> Result<Element, MissingMessage> {
    let content = &source.content;
    let statement = |name: &str, declaration: &str| {
        element("dcc:statement")
            .holding(source.said("dcc:name", name))
            .holding(source.said("dcc:declaration", declaration))
    };
    let marks = content.marks.iter().map(|mark| statement(&mark.word, &mark.text));
    let sections = content.before.iter().chain(&content.after);
    let told = sections.map(|section| statement(&section.heading, &section.paragraphs.join(" ")));
    let remarks = source.word("words", "remarks")?;
    let remarked = content.remarks.iter().chain(&content.notes).map(|remark| statement(remarks, remark));
    debug_assert!(source.request.result.state != State::Draft || !content.marks.is_empty());
    Ok(element("dcc:statements").holding_all(marks).holding_all(told).holding_all(remarked))
}
