//! From a request to the bytes of a PDF, in this process.
//!
//! Owns the call of the typesetter. Must only be reached in the child process, or with a template that is
//! trusted: a template can use up time and memory without end.

use std::collections::{BTreeMap, BTreeSet};

use typst::diag::SourceDiagnostic;
use typst::foundations::{Bytes, Datetime, Smart};
use typst::layout::{Frame, FrameItem};
use typst::text::TextItem;
use typst::{World, WorldExt};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

use super::content::{Content, ContentError};
use super::data::{CertificateRequest, mark_file};
use super::dcc;
use super::job::{Failure, TemplateProblem};
use super::messages::Messages;
use super::world::CertificateWorld;

/// Where a template finds what it prints.
const CONTENT: &str = "/calwright/certificate.json";

/// A certificate in memory.
pub(super) struct Typeset {
    /// The pages, for those who want to look at them.
    #[cfg_attr(not(test), expect(dead_code, reason = "tests read the text of the pages"))]
    pub(super) document: PagedDocument,
    /// The file.
    pub(super) pdf: Vec<u8>,
    /// What a person should look at.
    pub(super) warnings: Vec<String>,
}

/// Sets one certificate. The same request gives the same bytes.
pub(super) fn typeset(request: &CertificateRequest) -> Result<Typeset, Failure> {
    let program = |error: String| Failure::Program(error);
    let messages = Messages::of(request.language).map_err(|error| program(error.to_string()))?;
    let content = Content::of(request, &messages).map_err(|error| match error {
        ContentError::Request(problem) => Failure::Request(problem),
        ContentError::Message(missing) => program(missing.to_string()),
    })?;
    let moment = moment(request);
    let xml = dcc::write(request).map_err(|error| program(error.to_string()))?;
    let handed = hand_over(&content, xml).map_err(|error| program(error.to_string()))?;
    let (template, fonts) = (request.template_path.as_deref(), request.fonts_path.as_deref());
    let mut world = CertificateWorld::new(template, fonts, handed, moment)?;
    if let Some(mark) = &request.laboratory.mark {
        world.hand_file(&mark_file(mark), mark)?;
    }
    let unprintable = say_what_is_unprintable(&mut world, content, &messages).map_err(program)?;
    let compiled = typst::compile::<PagedDocument>(&world);
    let problems =
        |list: &[SourceDiagnostic]| list.iter().map(|one| problem(&world, one)).collect::<Vec<_>>();
    let document = compiled.output.map_err(|errors| Failure::Template(problems(&errors)))?;
    let options = PdfOptions {
        ident: Smart::Custom(identity(request)),
        creator: Smart::Custom(Some("calwright".to_owned())),
        timestamp: moment.map(Timestamp::new_utc),
        standards: standards(request)?,
        ..PdfOptions::default()
    };
    let mut warnings: Vec<_> = problems(&compiled.warnings).iter().map(ToString::to_string).collect();
    let pdf = match typst_pdf::pdf(&document, &options) {
        Ok(pdf) => pdf,
        // A name in letters that no font has, or a template of a laboratory's own, must not keep it from its certificate.
        Err(why) => {
            let plain = PdfOptions { standards: PdfStandards::default(), ..options };
            let pdf =
                typst_pdf::pdf(&document, &plain).map_err(|errors| Failure::Template(problems(&errors)))?;
            let why: Vec<_> = problems(&why).iter().map(ToString::to_string).collect();
            warnings.push(format!("the PDF is not made for archives (PDF/A-3): {}", why.join("; ")));
            pdf
        }
    };
    warnings.extend(unprintable);
    warnings.extend(missing_letters(&document));
    Ok(Typeset { document, pdf, warnings })
}

/// Letters that no font has would be printed as empty boxes, and nobody could tell what they were: each is printed as a
/// question mark, and a remark says which they are. The data inside the document keep them.
fn say_what_is_unprintable(
    world: &mut CertificateWorld,
    mut content: Content,
    messages: &Messages,
) -> Result<Option<String>, String> {
    let mut missing = BTreeSet::new();
    let mut json = serde_json::to_value(&content).map_err(|error| error.to_string())?;
    each_string(&mut json, &mut |text| missing.extend(text.chars().filter(|&c| !world.can_print(c))));
    if missing.is_empty() {
        return Ok(None);
    }
    let codes: Vec<String> = missing.iter().map(|&c| format!("U+{:04X}", u32::from(c))).collect();
    let remark = messages.filled("phrase", "letters", &[("list", &codes.join(" "))]);
    content.remarks.push(remark.map_err(|error| error.to_string())?);
    json = serde_json::to_value(&content).map_err(|error| error.to_string())?;
    each_string(&mut json, &mut |text| {
        *text = text.chars().map(|c| if missing.contains(&c) { '?' } else { c }).collect();
    });
    world.hand(CONTENT, Bytes::new(serde_json::to_vec(&json).map_err(|error| error.to_string())?));
    let letters: Vec<String> = missing.iter().map(char::to_string).collect();
    Ok(Some(format!(
        "no font has the letters {}: they are printed as question marks, and a remark says so. Name a folder with a font \
         that has them with the setting certificate.fonts",
        letters.join(" ")
    )))
}

fn each_string(value: &mut serde_json::Value, visit: &mut impl FnMut(&mut String)) {
    match value {
        serde_json::Value::String(text) => visit(text),
        serde_json::Value::Array(items) => items.iter_mut().for_each(|item| each_string(item, visit)),
        serde_json::Value::Object(map) => map.values_mut().for_each(|item| each_string(item, visit)),
        _ => {}
    }
}

/// The files that a template is handed.
fn hand_over(content: &Content, xml: Vec<u8>) -> Result<BTreeMap<String, Bytes>, serde_json::Error> {
    let json = serde_json::to_vec(content)?;
    let mut handed = BTreeMap::from([
        (CONTENT.to_owned(), Bytes::new(json)),
        ("/calwright/certificate.xml".to_owned(), Bytes::new(xml)),
    ]);
    for figure in [&content.figures.deviation, &content.figures.phase].into_iter().flatten() {
        handed.insert(figure.file.to_owned(), Bytes::from_string(figure.svg.clone()));
    }
    Ok(handed)
}

/// For the archive, with the XML inside: PDF/A-3. The built-in template is accessible too (level A); one of a
/// laboratory's own need not be (level B).
fn standards(request: &CertificateRequest) -> Result<PdfStandards, Failure> {
    let level = if request.template_path.is_none() { PdfStandard::A_3a } else { PdfStandard::A_3b };
    PdfStandards::new(&[level]).map_err(|error| Failure::Program(format!("{error:?}")))
}

/// The moment that the PDF bears: the end of the run, never the time of rendering.
fn moment(request: &CertificateRequest) -> Option<Datetime> {
    let civil = request.result.ended.unwrap_or(request.result.started).civil();
    let unsigned = |part: i8| u8::try_from(part).ok();
    Datetime::from_ymd_hms(
        i32::from(civil.year()),
        unsigned(civil.month())?,
        unsigned(civil.day())?,
        unsigned(civil.hour())?,
        unsigned(civil.minute())?,
        unsigned(civil.second())?,
    )
}

fn identity(request: &CertificateRequest) -> String {
    let number = request.number.as_deref().unwrap_or("draft");
    format!("calwright certificate {number} {} {}", request.result.run, request.item.serial)
}

fn problem(world: &CertificateWorld, diagnostic: &SourceDiagnostic) -> TemplateProblem {
    let place = diagnostic.span.id().and_then(|id| {
        let source = world.source(id).ok()?;
        let start = world.range(diagnostic.span)?.start;
        let (line, column) = source.lines().byte_to_line_column(start)?;
        Some((id.vpath().get_without_slash().to_owned(), line + 1, column + 1))
    });
    TemplateProblem {
        place,
        message: diagnostic.message.to_string(),
        hints: diagnostic.hints.iter().map(|hint| hint.v.to_string()).collect(),
    }
}

/// Letters that no font has: they are printed as empty boxes, which must not go unnoticed.
fn missing_letters(document: &PagedDocument) -> Option<String> {
    let mut missing = BTreeSet::new();
    for page in document.pages() {
        each_text(&page.frame, &mut |item| {
            let boxes = item.glyphs.iter().filter(|glyph| glyph.id == 0);
            missing.extend(boxes.filter_map(|glyph| item.text.get(glyph.range())).map(str::to_owned));
        });
    }
    let letters: Vec<_> = missing.into_iter().collect();
    (!letters.is_empty()).then(|| {
        format!(
            "no font has the letters {}: they are printed as boxes. Put a font file that has them beside a \
             template of your own",
            letters.join(" ")
        )
    })
}

/// Visits each run of text on a page.
pub(super) fn each_text(frame: &Frame, visit: &mut impl FnMut(&TextItem)) {
    for (_, item) in frame.items() {
        match item {
            FrameItem::Group(group) => each_text(&group.frame, visit),
            FrameItem::Text(text) => visit(text),
            _ => {}
        }
    }
}
