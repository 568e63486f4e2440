//! Certificates as pages: every shape that one takes, set from a simulated run, and looked at word by word.
//!
//! Owns the variants and what is a fault of a page: a word outside the margins, or one that lies on another. The pages are left
//! as PDF and as pictures for a person to look at, since beauty has no figure. The changes to results (a failure, a rejected
//! point) are made here: they show how a page looks, and say nothing about a sensor.

use crate::figure::Figure;
use crate::program::{path_of_calwright, root};
use crate::quick;
use anyhow::{Context, Result, anyhow, ensure};
use calibration::sequence::Setup;
use calwright::certificate::data::{AsFound, CertificateRequest, Condition};
use calwright::certificate::messages::Language;
use calwright::certificate::{Limits, Program, issue, render_with};
use calwright::record::result::{Finding, PointRecord};
use calwright::record::words::{Decision, FindingKind, PointStatus, State};
use calwright::settings::Settings;
use plan_schema::faults::Faults;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Margins of a page, in points: the template's 18 mm at the sides, less what punctuation hangs out.
const SIDE: f64 = 47.0;
/// Nothing is printed nearer to the upper and lower edge than this.
const EDGE: f64 = 20.0;
/// Words taller than this are the mark across the page, which lies under everything.
const MARK: f64 = 40.0;
/// Share of the smaller word by which two may overlap: letters reach a little beyond their box.
const OVERLAP: f64 = 0.15;

/// Sets every variant and counts words that are where they must not be.
///
/// # Errors
/// If a run, a certificate or one of the tools `pdftotext` and `pdftoppm` fails.
pub fn pages() -> Result<Figure> {
    let folder = root().join("target/certificate-pages");
    if folder.exists() {
        std::fs::remove_dir_all(&folder)?;
    }
    let program = Program { path: path_of_calwright()?.to_owned(), arguments: vec!["render".into()] };
    let (mut faults, mut pages, mut sample) = (Vec::new(), 0, String::new());
    let variants = variants()?;
    for (name, request) in &variants {
        let out = folder.join(name);
        std::fs::create_dir_all(&out)?;
        let rendered = render_with(&program, std::slice::from_ref(request), &out, &Limits::default())
            .map_err(|e| anyhow!("{name}: {e}"))?;
        let pdf = &rendered.first().context("nothing was rendered")?.path;
        let words = words(pdf)?;
        pages += words.len();
        sample.push_str(&format!("\n  {name}: {} pages", words.len()));
        for (page, words) in words.iter().enumerate() {
            faults.extend(faults_of(words).map(|fault| format!("{name}, page {}: {fault}", page + 1)));
        }
        run("pdftoppm", &["-r", "80", "-png"], &[pdf, &out.join("page")])?;
    }
    for fault in &faults {
        sample.push_str(&format!("\n  FAULT {fault}"));
    }
    Ok(Figure {
        what: "words outside the margins or on top of another".to_owned(),
        value: faults.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} certificates, {pages} pages, left with pictures in target/certificate-pages{sample}",
            variants.len()
        ),
        seeds: vec![1, 2],
    })
}

/// A certificate of 31 points with its budgets.
///
/// # Errors
/// If the run that it is made from fails.
pub fn thirty_one() -> Result<CertificateRequest> {
    let mut request = of_run(1)?;
    points(&mut request, 31);
    Ok(request)
}

/// The requests of the first sensor of a simulated run.
fn of_run(seed: u64) -> Result<CertificateRequest> {
    let job =
        calwright::load::job(&root().join("examples/low-frequency.toml")).map_err(|e| anyhow!("{e}"))?.job;
    let folder = tempfile::tempdir()?;
    let setup = Setup::new(job);
    let ran = quick::run(
        &setup,
        seed,
        &Faults { format: setup.job.plan.format, faults: Vec::new() },
        folder.path(),
    )?;
    ensure!(ran.is_done(), "the run did not come to its end");
    let text = std::fs::read_to_string(root().join("examples/settings/laboratory.toml"))?;
    let settings = Settings::from_text("laboratory.toml", &text).map_err(|e| anyhow!("{e:?}"))?;
    let mut request =
        issue::requests(&settings, &setup.job, &ran.result).into_iter().next().context("no sensor")?;
    request.number = Some("SIMULATED-2000-0042".to_owned());
    request.issued = Some("2000-01-03T10:00:00Z".parse()?);
    request.authorised_by = Some("B. Nobody (invented)".to_owned());
    request.result.state = State::Released;
    Ok(request)
}

fn variants() -> Result<Vec<(&'static str, CertificateRequest)>> {
    let base = of_run(1)?;
    let with = |change: &dyn Fn(&mut CertificateRequest)| {
        let mut request = base.clone();
        change(&mut request);
        request
    };
    let mut as_left = with(&|r| r.item.condition = Condition::AsLeft);
    let before = of_run(2)?.result;
    as_left.as_found = Some(AsFound {
        run: "as-found (invented)".to_owned(),
        started: "1999-12-30T09:00:00Z".parse()?,
        certificate: Some("SIMULATED-1999-0311".to_owned()),
        sensor: before.sensors.into_iter().next().context("no sensor")?,
    });
    judged(&mut as_left.as_found.as_mut().context("just put there")?.sensor.points[3], Decision::Fail, 9.3);
    Ok(vec![
        ("1-all-pass", base.clone()),
        ("2-one-fails", with(&|r| overall(r, Decision::Fail, 9.3))),
        ("3-conditional", with(&|r| overall(r, Decision::ConditionalPass, 4.8))),
        ("4-rejected-point", with(&rejected)),
        ("5-as-found-and-as-left", as_left),
        ("6-one-point", with(&|r| points(r, 1))),
        ("7-thirty-one-points", with(&|r| points(r, 31))),
        ("8a-long-names", with(&long_names)),
        (
            "8b-long-names-with-a-font",
            with(&|r| {
                long_names(r);
                r.fonts_path = font_folder();
            }),
        ),
        (
            "9-german",
            with(&|r| {
                rejected(r);
                r.language = Language::German;
                r.with_budgets = true;
            }),
        ),
    ])
}

fn judged(point: &mut PointRecord, decision: Decision, deviation_percent: f64) {
    let scale = (1.0 + deviation_percent / 100.0) / (1.0 + point.deviation_percent.unwrap_or(0.0) / 100.0);
    point.deviation_percent = Some(deviation_percent);
    point.sensitivity = point.sensitivity.map(|s| s * scale);
    point.sensitivity_mv_per_g = point.sensitivity_mv_per_g.map(|s| s * scale);
    point.decision = decision;
    point.conformity_percent = Some(if decision == Decision::Fail { 0.0 } else { 78.9 });
}

fn overall(request: &mut CertificateRequest, decision: Decision, deviation_percent: f64) {
    let sensor = &mut request.result.sensors[0];
    sensor.decision = decision;
    judged(&mut sensor.points[3], decision, deviation_percent);
}

/// A point with the same finding from two repeats, and one of another kind.
fn rejected(request: &mut CertificateRequest) {
    let sensor = &mut request.result.sensors[0];
    sensor.decision = Decision::None;
    let point = &mut sensor.points[1];
    point.status = PointStatus::Rejected;
    point.decision = Decision::None;
    let finding = |kind, value: f64, message: &str| Finding {
        kind,
        message: message.to_owned(),
        value: Some(value),
        limit: Some(10.0),
        unit: Some("percent".to_owned()),
    };
    point.findings = vec![
        finding(
            FindingKind::Distortion,
            14.2,
            "distortion of the acceleration is 14.2 %, 10.0 % is allowed.",
        ),
        finding(
            FindingKind::Distortion,
            15.1,
            "distortion of the acceleration is 15.1 %, 10.0 % is allowed.",
        ),
        finding(FindingKind::Noise, 12.0, "the scatter of sensitivity is 12.0 %, 10.0 % is allowed."),
    ];
}

/// So many points, the measured ones over again at other frequencies, with the budgets as an annex.
fn points(request: &mut CertificateRequest, count: usize) {
    let sensor = &mut request.result.sensors[0];
    let measured = sensor.points.clone();
    sensor.points = measured.iter().cycle().take(count).cloned().collect();
    for (n, point) in sensor.points.iter_mut().enumerate() {
        point.frequency_hz = (5.0 * 10f64.powf(n as f64 / 12.0)).round() / 10.0;
    }
    let tolerances = &mut request.judgement.tolerance_percent;
    *tolerances = tolerances.iter().cycle().take(count).copied().collect();
    request.judgement.by_point = Vec::new();
    request.with_budgets = true;
}

fn long_names(request: &mut CertificateRequest) {
    request.laboratory.name =
        "Laboratory for Vibration, Acoustics and Structural Dynamics of the Invented Institute of Examples"
            .into();
    request.laboratory.address =
        vec!["Corner of Nowhere Street and the Long Avenue of the Unending Sample Addresses 1234".into()];
    if let Some(customer) = &mut request.customer {
        customer.name = "Εταιρεία Παραδειγμάτων Δονήσεων και Κατασκευών Α.Ε. / 示例振动测量有限公司".into();
        customer.address =
            vec!["Οδός Φαντασίας 12, a street with quite a long name indeed".into(), "虚构路 7 号".into()];
    }
    request.order = Some("ORDER-WITH-A-VERY-LONG-NUMBER-THAT-HAS-NO-SPACE-IN-IT-0000000118".into());
    request.item.model = "Mock 100 DC triaxial, housing of stainless steel, cable 10 m, option K".into();
    request.item.make = "Invented Sensors and Measurement Instruments Manufacturing Company Limited".into();
    request.remarks.push("A remark that is long enough to need more than one line on the page, because it tells about a cable of 3 m that belongs to the item and was calibrated with it, and about nothing else.".into());
}

/// A folder of this machine with a font for Chinese, where it has one.
fn font_folder() -> Option<PathBuf> {
    let known = ["truetype/droid", "opentype/noto", "truetype/wqy", "truetype/arphic"];
    known.iter().map(|f| Path::new("/usr/share/fonts").join(f)).find(|f| f.is_dir())
}

/// A word and its box on a page: left, upper, right and lower edge in points, and the size of the page.
struct Word {
    text: String,
    edges: [f64; 4],
    page: [f64; 2],
}

fn faults_of(words: &[Word]) -> impl Iterator<Item = String> {
    let words: Vec<&Word> = words.iter().filter(|w| w.edges[3] - w.edges[1] < MARK).collect();
    let mut faults = Vec::new();
    for (n, word) in words.iter().enumerate() {
        let ([left, top, right, bottom], [width, height]) = (word.edges, word.page);
        if left < SIDE || right > width - SIDE || top < EDGE || bottom > height - EDGE {
            faults.push(format!("`{}` is outside the margins", word.text));
        }
        for other in words.iter().skip(n + 1) {
            let apart = |a: f64, b: f64, c: f64, d: f64| (b.min(d) - a.max(c)).max(0.0);
            let common = apart(left, right, other.edges[0], other.edges[2])
                * apart(top, bottom, other.edges[1], other.edges[3]);
            let area = |w: &Word| (w.edges[2] - w.edges[0]) * (w.edges[3] - w.edges[1]);
            // Lines of text overlap in their boxes, which are taller than letters: count what overlaps in most of a height.
            let deep = apart(top, bottom, other.edges[1], other.edges[3]) > 0.5 * (bottom - top);
            if deep && common > OVERLAP * area(word).min(area(other)) {
                faults.push(format!("`{}` and `{}` lie on each other", word.text, other.text));
            }
        }
    }
    faults.into_iter()
}

/// The words of each page with their boxes, as `pdftotext -bbox` tells them.
fn words(pdf: &Path) -> Result<Vec<Vec<Word>>> {
    let told = run("pdftotext", &["-bbox"], &[pdf, Path::new("-")])?;
    let mut pages: Vec<Vec<Word>> = Vec::new();
    let mut size = [0.0; 2];
    for line in told.lines().map(str::trim) {
        let number = |key: &str| -> Option<f64> {
            line.split_once(&format!("{key}=\""))?.1.split_once('"')?.0.parse().ok()
        };
        if line.starts_with("<page ") {
            size = [
                number("width").context("a page without width")?,
                number("height").context("a page without height")?,
            ];
            pages.push(Vec::new());
        } else if line.starts_with("<word ") {
            let edges = ["xMin", "yMin", "xMax", "yMax"].map(|key| number(key).unwrap_or(f64::NAN));
            let text = line.split_once('>').and_then(|(_, rest)| rest.split_once("</word>"));
            let text = text.map_or_else(String::new, |(text, _)| text.to_owned());
            pages.last_mut().context("a word before the first page")?.push(Word { text, edges, page: size });
        }
    }
    ensure!(pages.iter().all(|words| words.len() > 5), "a page of {} is empty", pdf.display());
    Ok(pages)
}

#[expect(
    clippy::disallowed_methods,
    reason = "pages are looked at with the tools that people look at them with"
)]
fn run(tool: &str, options: &[&str], files: &[&Path]) -> Result<String> {
    let done = Command::new(tool)
        .args(options)
        .args(files)
        .output()
        .with_context(|| format!("{tool} can't be started; on Debian it is in poppler-utils"))?;
    ensure!(done.status.success(), "{tool} failed: {}", String::from_utf8_lossy(&done.stderr));
    Ok(String::from_utf8(done.stdout)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn word(text: &str, edges: [f64; 4]) -> Word {
        Word { text: text.to_owned(), edges, page: [595.0, 842.0] }
    }

    #[test]
    fn what_lies_wrong_is_seen() {
        let good = word("good", [60.0, 100.0, 90.0, 110.0]);
        let beside = word("beside", [92.0, 100.0, 120.0, 110.0]);
        let on_it = word("on it", [70.0, 101.0, 95.0, 111.0]);
        let outside = word("outside", [540.0, 100.0, 560.0, 110.0]);
        let mark = word("MARK", [0.0, 0.0, 595.0, 842.0]);
        assert_eq!(faults_of(&[good, beside, mark]).count(), 0);
        let faults: Vec<_> = faults_of(&[word("good", [60.0, 100.0, 90.0, 110.0]), on_it, outside]).collect();
        assert_eq!(faults, ["`good` and `on it` lie on each other", "`outside` is outside the margins"]);
    }
}
