//! Certificates as a whole: what stands on the pages, the same bytes each time, and templates that misbehave.

use std::path::{Path, PathBuf};
use std::time::Duration;

use typst_layout::PagedDocument;

use super::content::Content;
use super::data::RequestProblem;
use super::fixture;
use super::job::{Failure, Limits};
use super::messages::{Language, Messages};
use super::typeset::{each_text, typeset};
use super::*;
use crate::record::words::Decision;

const CHILD: &str = "calwright-render-child";

/// What each page says, run after run, with a space between runs.
fn pages(document: &PagedDocument) -> Vec<String> {
    let text_of = |page: &typst_layout::Page| {
        let mut text = String::new();
        each_text(&page.frame, &mut |item| {
            text.push_str(&item.text);
            text.push(' ');
        });
        text
    };
    document.pages().iter().map(text_of).collect()
}

fn set(request: &CertificateRequest) -> (Vec<String>, Vec<String>) {
    let typeset = typeset(request).unwrap_or_else(|failure| panic!("{failure}"));
    (pages(&typeset.document), typeset.warnings)
}

/// This test binary as the rendering child: it runs [`acts_as_child`] alone, told apart by one more filter.
fn child() -> Program {
    let filter = concat!(module_path!(), "::acts_as_child");
    let (_, filter) = filter.split_once("::").unwrap();
    // Two threads, for with one the harness writes the name of the test in front of the reply.
    let arguments = ["--exact", filter, CHILD, "--nocapture", "--test-threads=2"];
    Program { path: std::env::current_exe().unwrap(), arguments: arguments.map(Into::into).to_vec() }
}

/// No test by itself: what [`child`] starts. The tests below fail if it does not do its work.
#[test]
fn acts_as_child() {
    if std::env::args().any(|argument| argument == CHILD) {
        let status = super::child::main(std::io::stdin(), std::io::stdout());
        std::process::exit(i32::from(status));
    }
}

fn with_template(folder: &Path, text: &str) -> CertificateRequest {
    let path = folder.join("own.typ");
    std::fs::write(&path, text).unwrap();
    CertificateRequest { template_path: Some(path), ..fixture::request() }
}

/// The complaint of a template that must not compile.
fn complaint(folder: &Path, text: &str) -> String {
    typeset(&with_template(folder, text)).err().expect("the template must be refused").to_string()
}

#[test]
fn content_is_ready_to_print() {
    let content = Content::of(&fixture::request(), &Messages::of(Language::English).unwrap()).unwrap();
    insta::assert_json_snapshot!(content);
}

#[test]
fn simulated_and_draft_are_said_on_every_page() {
    for request in [fixture::request(), fixture::long(), fixture::bare()] {
        let (pages, _) = set(&request);
        for page in &pages {
            // Twice: in the band and across the page.
            assert!(page.matches("SIMULATED").count() >= 2, "{page}");
            assert!(page.contains("DRAFT"), "{page}");
        }
    }
    let (pages, _) = set(&fixture::released());
    assert!(!pages.concat().contains("SIMULATED") && !pages.concat().contains("DRAFT"));
    assert!(pages.iter().all(|page| page.contains("XL-2000-0042")));
}

#[test]
fn pages_are_counted_and_the_end_is_marked() {
    let (pages, warnings) = set(&fixture::long());
    assert_eq!(warnings, Vec::<String>::new(), "Greek, Cyrillic and Latin letters are in the embedded fonts");
    let count = pages.len();
    for (n, page) in pages.iter().enumerate() {
        assert!(page.contains(&format!("Page {} of {count}", n + 1)), "{page}");
        assert_eq!(page.contains("End of certificate"), n + 1 == count);
    }
}

#[test]
fn the_head_of_the_table_repeats_on_each_of_its_pages() {
    let mut request = fixture::request();
    request.judgement.tolerance_percent.clear();
    request.result.sensors[0].points = (1..=90).map(|n| fixture::point(f64::from(n), 10.0)).collect();
    let (pages, _) = set(&request);
    let with_rows = pages.iter().filter(|page| page.matches(" 2.00 ").count() > 1).count();
    let with_head = pages.iter().filter(|page| page.contains("m/s² peak")).count();
    assert!(with_rows >= 2, "ninety points need two pages at least");
    assert_eq!(with_head, with_rows);
}

#[test]
fn points_without_result_show_why_and_no_value() {
    let (pages, _) = set(&fixture::request());
    let text = pages.concat();
    assert!(text.contains("rejected: distortion of the acceleration 14.2 %, allowed 10 %"), "{text}");
    let rejected = &fixture::request().result.sensors[0].points[1];
    let value = format!("{:.2}", rejected.sensitivity_mv_per_g.unwrap());
    assert!(!text.contains(&value), "the rejected value {value} must not be printed");
    assert!(set(&fixture::long()).0.concat().contains("not reached"));
}

#[test]
fn what_is_not_known_leaves_no_hole() {
    let (pages, warnings) = set(&fixture::bare());
    let text = pages.concat();
    assert_eq!(warnings, Vec::<String>::new());
    assert!(text.contains("pC/g") && text.contains("10.0"), "{text}");
    assert!(!text.contains("none") && !text.contains("Decision rule"), "{text}");
    assert!(text.contains("The run was interrupted"), "{text}");
}

#[test]
fn tolerances_are_told_in_numbers() {
    assert!(set(&fixture::request()).0.concat().contains("±3 % at all points."));
    let text = set(&fixture::long()).0.concat().replace("  ", " ");
    assert!(text.contains("±3 % from 0.32 Hz to 7.94 Hz; ±5 % from 10 Hz to 251.19 Hz."), "{text}");
    let mut unjudged = fixture::request();
    unjudged.judgement.tolerance_percent.clear();
    unjudged.result.sensors[0].points.iter_mut().for_each(|point| point.decision = Decision::None);
    assert!(!set(&unjudged).0.concat().contains("Decision rule"));
}

#[test]
fn letters_that_no_font_has_are_reported() {
    let mut request = fixture::request();
    request.customer.as_mut().unwrap().name = "振動 Company".into();
    let (pages, warnings) = set(&request);
    assert!(warnings.iter().any(|w| w.contains('振') && w.contains('動')), "{warnings:?}");
    let text = pages.concat();
    assert!(text.contains("?? Company") && text.contains("U+52D5 U+632F"), "{text}");
}

#[test]
fn the_same_request_gives_the_same_bytes_in_any_process() {
    let folder = tempfile::tempdir().unwrap();
    let request = fixture::request();
    let rendered =
        render_with(&child(), std::slice::from_ref(&request), folder.path(), &Limits::default()).unwrap();
    let path = folder.path().join(format!("certificate-{}.pdf", fixture::SERIAL));
    assert_eq!(rendered, [Rendered { path: path.clone(), warnings: vec![] }]);
    let bytes = std::fs::read(&path).unwrap();
    assert!(bytes.starts_with(b"%PDF-"));
    assert!(bytes == typeset(&request).unwrap().pdf, "bytes differ between processes");
    let left: Vec<_> =
        std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 1, "nothing unfinished stays behind: {left:?}");
}

#[test]
fn the_title_is_in_the_metadata() {
    let info =
        |request| typst::model::Document::info(&typeset(&request).unwrap().document).title.clone().unwrap();
    assert_eq!(info(fixture::released()), "Calibration certificate XL-2000-0042");
    assert_eq!(info(fixture::request()), "Calibration certificate DRAFT – no number (SIMULATED)");
}

#[test]
fn a_template_reads_its_own_folder_and_nothing_else() {
    let outside = tempfile::tempdir().unwrap();
    std::fs::write(outside.path().join("secret.txt"), "secret").unwrap();
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("motto.txt"), "Festina lente").unwrap();
    let (pages, _) = set(&with_template(folder.path(), "#read(\"motto.txt\")"));
    assert!(pages.concat().contains("Festina lente"));

    let secret = outside.path().join("secret.txt");
    let absolute = format!("#read(\"{}\")", secret.display());
    assert!(
        complaint(folder.path(), &absolute).contains("own.typ:1:"),
        "a path from the root is one in the folder"
    );
    std::os::unix::fs::symlink(&secret, folder.path().join("link.txt")).unwrap();
    let linked = complaint(folder.path(), "\n#read(\"link.txt\")");
    assert!(linked.contains("own.typ:2:") && linked.contains("access denied"), "{linked}");
    let name = outside.path().file_name().unwrap().to_str().unwrap();
    let climbing = complaint(folder.path(), &format!("#read(\"../{name}/secret.txt\")"));
    assert!(climbing.contains("own.typ:1:"), "{climbing}");
    let package = complaint(folder.path(), "#import \"@preview/example:0.1.0\": *");
    assert!(package.contains("packages"), "{package}");
}

#[test]
fn the_built_in_template_has_no_folder() {
    let world =
        super::world::CertificateWorld::new(None, None, std::collections::BTreeMap::new(), None).unwrap();
    let place = typst::syntax::VirtualPath::new("/etc/hostname").unwrap();
    let id = typst::syntax::RootedPath::new(typst::syntax::VirtualRoot::Project, place).intern();
    assert!(typst::World::file(&world, id).is_err());
}

#[test]
fn a_template_without_end_is_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let endless =
        "#for a in range(9999) { for b in range(9999) { for c in range(9999) { let d = a + b + c } } }";
    let limits = Limits { time: Duration::from_millis(700), ..Limits::default() };
    let error =
        render_with(&child(), &[with_template(folder.path(), endless)], folder.path(), &limits).unwrap_err();
    assert_eq!(error, RenderError::TimedOut(limits.time));
    assert!(!folder.path().join(fixture::request().file_name()).exists());
}

#[test]
fn a_template_without_measure_is_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let greedy = "#(\"0123456789\" * 400000000).len()";
    let limits = Limits { memory_bytes: 1 << 30, ..Limits::default() };
    let error =
        render_with(&child(), &[with_template(folder.path(), greedy)], folder.path(), &limits).unwrap_err();
    assert_eq!(error, RenderError::OutOfMemory { allowed_bytes: 1 << 30 });
}

#[test]
fn errors_of_the_child_name_sensor_and_place() {
    let folder = tempfile::tempdir().unwrap();
    let request = with_template(folder.path(), "fine\n#unknown");
    let error = render_with(&child(), &[request], folder.path(), &Limits::default()).unwrap_err().to_string();
    assert!(error.contains(fixture::SERIAL) && error.contains("own.typ:2:2"), "{error}");

    let twice = [fixture::request(), fixture::request()];
    let error = render_with(&child(), &twice, folder.path(), &Limits::default()).unwrap_err();
    let RenderError::Failed { failure: Failure::Request(problem), .. } = error else { panic!("{error}") };
    assert_eq!(problem, RequestProblem::SameFile("certificate-INV-0417.pdf".into()));

    let nowhere = folder.path().join("no such folder");
    let error = render_with(&child(), &twice[..1], &nowhere, &Limits::default()).unwrap_err();
    let RenderError::Failed { failure: Failure::Write { path, .. }, .. } = error else { panic!("{error}") };
    assert_eq!(path.parent(), Some(nowhere.as_path()));
}

#[test]
fn a_program_that_does_not_render_is_reported() {
    let folder = tempfile::tempdir().unwrap();
    let render = |path: &str, arguments: &[&str]| {
        let arguments = arguments.iter().map(Into::into).collect();
        let program = Program { path: PathBuf::from(path), arguments };
        render_with(&program, &[fixture::request()], folder.path(), &Limits::default()).unwrap_err()
    };
    assert!(matches!(render("/no/such/program", &[]), RenderError::Start { .. }));
    let RenderError::Died { detail } = render("/bin/sh", &["-c", "echo broken >&2; exit 3"]) else {
        panic!()
    };
    assert!(detail.contains('3') && detail.contains("broken"), "{detail}");
}

/// What falls under the accreditation, as ISO/IEC 17025 (7.1.3, 8.1) and the rules of accreditation bodies for their marks ask:
/// the number where a result falls under it, a mark at each that doesn't, and nothing where there is none.
#[test]
fn what_is_accredited_is_said_and_what_is_not() {
    let text = |request: &CertificateRequest| {
        set(request).0.concat().split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let mut request = fixture::accredited();
    let english = text(&request);
    for words in [
        "Accreditation XL-00000, Example Accreditation Body (invented)",
        "† not within the scope of accreditation",
        "‡ the phase is not within the scope of accreditation",
        "Not within the scope of accreditation: the results at 0.5 Hz.",
        "Not within the scope of accreditation: the phase at 100 Hz.",
        "Results without a mark are within the scope of accreditation XL-00000",
    ] {
        assert!(english.contains(words), "{words} is not in {english}");
    }
    assert_eq!(
        (english.matches('†').count(), english.matches('‡').count()),
        (2, 2),
        "a row and the legend each"
    );
    request.language = Language::German;
    let german = text(&request);
    assert!(german.contains("Nicht im Umfang der Akkreditierung: die Ergebnisse bei 0,5 Hz."), "{german}");
    request.language = Language::English;
    let scope = request.result.scope.as_mut().unwrap();
    scope.in_force = false;
    let points = &mut request.result.sensors[0].points;
    points.iter_mut().for_each(|p| (p.accredited, p.phase_accredited) = (Some(false), Some(false)));
    let expired = text(&request);
    assert!(
        expired.contains("accreditation was valid until 2001-06-30") && !expired.contains("XL-00000"),
        "{expired}"
    );
    assert_eq!(expired.matches('†').count(), 13, "twelve rows and the legend");
    let mut without = fixture::released();
    without.reference.accreditation = None;
    assert!(!text(&without).contains("ccredit"), "where no scope is named, nothing is said");
}

#[test]
fn what_leaves_the_item_is_stated_in_its_own_unit() {
    let (pages, _) = set(&fixture::charge());
    let text = pages.concat().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("conditioner INV-C-12 with a gain of 10 mV/pC") && text.contains("pC/(m/s²)"),
        "{text}"
    );
    // 100 mV/g through 10 mV/pC are 10 pC/g (elementary).
    assert!(text.contains("10.000 pC/g"), "{text}");
    let (nominal, _) = set(&CertificateRequest {
        result: {
            let mut result = fixture::released().result;
            result.sensors[0].excitation_v = None;
            result
        },
        ..fixture::released()
    });
    assert!(nominal.concat().contains("nominal, not measured"), "{}", nominal.concat());
}

#[test]
fn a_mark_stands_at_the_head() {
    let folder = tempfile::tempdir().unwrap();
    let mark = folder.path().join("mark.svg");
    let drawn =
        "<svg xmlns='http://www.w3.org/2000/svg' width='20' height='10'><rect width='20' height='10'/></svg>";
    std::fs::write(&mark, drawn).unwrap();
    let mut request = fixture::released();
    let plain = typeset(&request).unwrap().pdf;
    request.laboratory.mark = Some(mark);
    assert!(typeset(&request).unwrap().pdf != plain);
    request.laboratory.mark = Some(folder.path().join("none.png"));
    let missing = typeset(&request).err().unwrap().to_string();
    assert!(missing.contains("mark (laboratory.mark)") && missing.contains("none.png"), "{missing}");
}

#[test]
fn a_point_taken_out_is_called_excluded_in_the_language_of_the_certificate() {
    let mut request = fixture::released();
    let point = &mut request.result.sensors[0].points[2];
    point.status = crate::record::words::PointStatus::Excluded;
    point.decision = Decision::None;
    point.reason = Some("B. Nobody: the cable was touched".into());
    assert!(set(&request).0.concat().contains("excluded by B. Nobody: the cable was touched"));
    request.language = Language::German;
    assert!(set(&request).0.concat().contains("ausgeschlossen durch B. Nobody: the cable was touched"));
}

/// What ISO/IEC 17025:2017 wants in a calibration certificate, clause by clause (7.8.2.1, 7.8.2.2, 7.8.4.1, 7.8.6.2, 7.8.8; the
/// words of the clauses are ours), and where it stands in the text of the pages.
#[test]
fn the_clauses_of_17025_are_walked() {
    let mut request = fixture::as_left();
    request.replaces = Some("XL-2000-0040".into());
    request.amendment = Some("the serial was misread".into());
    request.received = Some("2000-01-01".into());
    let (pages, _) = set(&request);
    let text = pages.concat().split_whitespace().collect::<Vec<_>>().join(" ");
    let on_a_page = [
        ("7.8.2.1 a, title", "Calibration certificate"),
        ("7.8.2.1 b, name of the laboratory", "Example Laboratory for Vibration (invented)"),
        ("7.8.2.1 b, address of the laboratory", "1 Nowhere Lane"),
        ("7.8.2.1 c, place of the work", "Place at the address of the laboratory"),
        ("7.8.2.1 d, end of the report", "End of certificate"),
        ("7.8.2.1 e, customer", "Bridgewatch Example Company (invented)"),
        ("7.8.2.1 e, address of the customer", "7 Fiction Quay"),
        ("7.8.2.1 f, method", "compared with a reference transducer"),
        ("7.8.2.1 g, item", "Serial number INV-0417"),
        ("7.8.2.1 g, maker and model", "Mock 100 DC"),
        ("7.8.2.1 g, condition", "as left, after adjustment or repair"),
        ("7.8.2.1 h, receipt", "Received 2000-01-01"),
        ("7.8.2.1 i, dates of the work", "Start 2000-01-01"),
        ("7.8.2.1 j, issue", "2000-01-03 Date of issue"),
        ("7.8.2.1 l, only these items", "concern only the item described above"),
        ("7.8.2.1 m, units", "mV/(m/s²)"),
        ("7.8.2.1 n, deviations from the method", "no deviations from the method, additions or exclusions"),
        ("7.8.2.1 o, who authorises", "B. Nobody Authorised by"),
        ("7.8.2.1 p, external providers", "obtained by the laboratory itself"),
        ("7.8.2.2, data of the customer", "as the customer gave them"),
        ("7.8.4.1 a, uncertainty", "expanded uncertainties U are standard uncertainties multiplied"),
        ("7.8.4.1 b, conditions", "22.9 °C to 23.3 °C"),
        ("7.8.4.1 b, mounting", "screws through the housing"),
        ("7.8.4.1 c, traceability", "certificate XC-1999-0312"),
        ("7.8.4.1 c, by whom, accredited as", "(invented) (accreditation XP-00001)"),
        (
            "7.8.4.1 c, conditioner",
            "Conditioner of the reference serial number INV-C-11, gain 9.982 mV/pC (U = 0.1 %, k = 2)",
        ),
        ("7.8.4.1 c, acquisition", "Acquisition serial number INV-D-01"),
        ("7.8.4.1 d, before adjustment", "As found: run R-19991230-0007 of 1999-12-30"),
        ("7.8.4.1 e, conformity", "Every point was accepted, and every point passes"),
        ("7.8.6.2 a, which results", "±3 % at all points"),
        ("7.8.6.2 b, specification", "Tolerance of the deviation"),
        ("7.8.6.2 c, rule", "reduced by the expanded uncertainty of the deviation"),
        ("7.8.8, what is replaced", "Replaces XL-2000-0040"),
        (
            "7.8.8.3, why",
            "replaces certificate XL-2000-0040. Reason for the amendment: the serial was misread",
        ),
    ];
    let lacking: Vec<_> = on_a_page.iter().filter(|(_, words)| !text.contains(words)).collect();
    assert!(lacking.is_empty(), "{lacking:#?} in\n{text}");
    // 7.8.2.1 d: every page belongs to this report.
    let count = pages.len();
    for (n, page) in pages.iter().enumerate() {
        let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            page.contains("XL-2000-0042") && page.contains(&format!("Page {} of {count}", n + 1)),
            "{page}"
        );
    }
    // 7.8.4.3: no word on when to calibrate the item again.
    assert!(!text.to_lowercase().contains("recalibrat") && text.matches("Next due").count() == 1);
}

#[test]
fn budgets_are_an_annex_where_they_are_asked_for() {
    let mut request = fixture::released();
    assert!(!set(&request).0.concat().contains("Annex"));
    request.with_budgets = true;
    let text = set(&request).0.concat();
    for words in [
        "Annex: uncertainty budgets",
        "reference sensitivity",
        "this run",
        "type A",
        "law of propagation to first order",
    ] {
        assert!(text.contains(words), "{words} is not in {text}");
    }
    assert!(text.find("Annex").unwrap() < text.find("End of certificate").unwrap());
}

#[test]
fn a_kind_of_finding_is_told_once() {
    let mut request = fixture::request();
    let point = &mut request.result.sensors[0].points[1];
    let mut worse = point.findings[0].clone();
    worse.message = "distortion of the acceleration 15.1 %, allowed 10 %.".into();
    worse.value = Some(15.1);
    point.findings.push(worse);
    let text = set(&request).0.concat();
    assert!(text.contains("15.1 %") && !text.contains("14.2 %"), "{text}");
}
