//! Wrong input and what a person reads about it. The snapshots are the specification: read them as a technician.

use crate::fixture::{FAULTS, JOB, PLAN, REFERENCES, RIG, SENSORS, edit};
use crate::job::Job;
use crate::plan::Plan;
use crate::read::{Document, Written};
use crate::registers::{ReferenceRegister, SensorRegister};
use crate::rig::Rig;
use proptest::prelude::*;

/// What is said about a text that can't be read.
fn said<T: Written + std::fmt::Debug>(name: &str, text: &str) -> String {
    match Document::<T>::read(name, text) {
        Ok(_) => panic!("{name} should have been refused:\n{text}"),
        Err(report) => report.to_string(),
    }
}

fn plan(old: &str, new: &str) -> String {
    said::<Plan>("plan.toml", &edit(PLAN, old, new))
}

fn rig(old: &str, new: &str) -> String {
    said::<Rig>("rig.toml", &edit(RIG, old, new))
}

fn job(old: &str, new: &str) -> String {
    said::<Job>("job.toml", &edit(JOB, old, new))
}

/// Several answers in one snapshot, each under the name of its mistake.
fn together(name: &str, cases: &[(&str, String)]) {
    let text = cases
        .iter()
        .map(|(mistake, said)| format!("===== {mistake}\n{said}\n"))
        .collect::<Vec<_>>()
        .join("\n");
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(name, text) });
}

#[test]
fn keys() {
    together(
        "keys",
        &[
            ("unknown key with a near one", plan("amplitude = \"5 mm pk\"", "amplitud = \"5 mm pk\"")),
            ("unknown key with none near", plan("repeats = 3", "colour = \"red\"")),
            ("missing quantity", plan("frequency = \"1 Hz\"\n", "")),
            ("missing text at the top of a file", plan("name = \"fixture\"\n", "")),
            (
                "missing format below a comment",
                said::<Plan>("plan.toml", &format!("# A remark.\n\n{}", edit(PLAN, "format = 1\n", ""))),
            ),
            ("missing word", job("mounting = \"adhesive\"\n", "")),
            ("missing number", rig("input = 3\n", "")),
            ("missing table", rig(&RIG[RIG.find("[reference]").unwrap()..RIG.find("[errors]").unwrap()], "")),
            ("missing list of tables", said::<SensorRegister>("sensors.toml", "format = 1\n")),
            ("empty file", said::<Job>("job.toml", "")),
        ],
    );
}

#[test]
fn values() {
    together(
        "values",
        &[
            ("bare number where a unit is due", plan("frequency = \"1 Hz\"", "frequency = 1")),
            ("number in quotes without a unit", plan("frequency = \"1 Hz\"", "frequency = \"1\"")),
            ("decimal comma", plan("\"1 Hz\"", "\"0,5 Hz\"")),
            ("unit of another quantity", plan("\"1 Hz\"", "\"1 kg\"")),
            ("amplitude without its kind", plan("\"1 g pk\"", "\"1 g\"")),
            ("stroke without its kind", rig("\"12.5 mm pk\"", "\"12.5 mm\"")),
            (
                "unit that misses its denominator",
                said::<SensorRegister>("sensors.toml", &edit(SENSORS, "\"1000 mV/g\"", "\"1000 mV\"")),
            ),
            ("kind where none belongs", rig("\"0.5 mm\"", "\"0.5 mm pk\"")),
            ("text where a list is due", job("[\"1 Invented Lane\"]", "\"1 Invented Lane\"")),
            ("number where a text is due", job("\"X-1\"", "1")),
            ("fraction where a whole number is due", plan("repeats = 3", "repeats = 2.5")),
            ("negative where a count is due", plan("repeats = 3", "repeats = -3")),
            ("huge count", plan("repeats = 3", "repeats = 99_999_999_999_999_999_999")),
            (
                "value where a table is due",
                job(
                    "\n[customer]\nname = \"Nobody (invented)\"\naddress = [\"1 Invented Lane\"]",
                    "customer = \"Nobody\"",
                ),
            ),
            (
                "table under the heading of another",
                rig("[reference]\nserial = \"R-1\"\nchannel = \"ref\"", "reference = \"R-1\""),
            ),
            ("unknown word with a near one", job("\"stud\"", "\"studs\"")),
            ("unknown word with none near", job("\"stud\"", "\"bayonet\"")),
            (
                "one pair of brackets where two are due",
                said::<SensorRegister>(
                    "sensors.toml",
                    &edit(&SENSORS[..SENSORS.rfind("[[").unwrap()], "[[sensor]]", "[sensor]"),
                ),
            ),
            ("format of a later version", plan("format = 1", "format = 2")),
            ("format 0", plan("format = 1", "format = 0")),
            (
                "date in another order",
                said::<ReferenceRegister>(
                    "references.toml",
                    &edit(REFERENCES, "1997-06-10", "\"10.06.1997\""),
                ),
            ),
            (
                "coverage factor in quotes",
                said::<ReferenceRegister>("references.toml", &edit(REFERENCES, "2.05", "\"2.05\"")),
            ),
            ("driver setting that no program can hold", rig("5025", "99999999999999999999")),
            ("driver setting that is no number", rig("1.5e-6", "nan")),
            (
                "moment of a fault",
                said::<crate::faults::Faults>(
                    "faults.toml",
                    &edit(FAULTS, "phase = \"dwell\"", "phase = \"ramp\""),
                ),
            ),
        ],
    );
}

#[test]
fn syntax() {
    together(
        "syntax",
        &[
            ("quantity without quotes", plan("\"1 Hz\"", "1 Hz")),
            ("percent without quotes", plan("\"5 %\"", "5 %")),
            ("decimal comma without quotes", plan("repeats = 3", "repeats = 0,5")),
            ("word without quotes", job("\"stud\"", "stud")),
            ("typographic quotes", plan("\"1 Hz\"", "“1 Hz”")),
            ("quote not closed", plan("\"1 Hz\"", "\"1 Hz")),
            ("colon instead of an equals sign", plan("repeats = 3", "repeats: 3")),
            ("no value", plan("repeats = 3", "repeats =")),
            ("heading not closed", plan("[decision]", "[decision")),
            ("list not closed", job("[\"1 Invented Lane\"]", "[\"1 Invented Lane\"")),
            ("key twice", plan("repeats = 3", "repeats = 3\nrepeats = 4")),
            ("table twice", plan("[ambient]", "[decision]")),
            ("key with a blank", plan("reference_frequency =", "reference frequency =")),
            ("backslashes of a path", job("\"plan.toml\"", "\"C:\\plans\\low.toml\"")),
            ("no TOML at all", said::<Plan>("plan.toml", "PK\u{3}\u{4}\u{0}binary")),
        ],
    );
}

#[test]
fn places() {
    let windows = edit(PLAN, "\"1 Hz\"", "\"1 kg\"").replace('\n', "\r\n");
    let marked = format!("\u{feff}{}", edit(PLAN, "format = 1", "format = 7"));
    let after = edit(
        RIG,
        "settings = { address = \"daq.invalid\",",
        "settings = { address = \"Prüfstand–Süd²\" }, latenzy = {",
    );
    let tabbed = edit(PLAN, "frequency = \"1 Hz\"", "\tfrequency\t=\t\"1 kg\"");
    let long = edit(PLAN, "\"fixture\"", &format!("\"{}\", colour = 1", "long ".repeat(60)));
    let one_line = "[[point]]\nµ = \"größe\"\npoint = [{ name = \"Größe ² 10 µm\", amplitude = \"1 g\" }]\n";
    together(
        "places",
        &[
            ("line ends of another system", said::<Plan>("plan.toml", &windows)),
            ("byte-order mark", said::<Plan>("plan.toml", &marked)),
            ("non-ASCII before the column", said::<Rig>("rig.toml", &after)),
            (
                "non-ASCII in a table of one line",
                said::<ReferenceRegister>(
                    "references.toml",
                    &edit(
                        REFERENCES,
                        "u = \"0.5 %\", u_phase = \"0.3 deg\" },\n    { frequency = \"16 Hz\"",
                        "u = \"0.5 %\", u_phase = \"0.3 deg\" },\n    { frequency = \"16 rad/s\"",
                    ),
                ),
            ),
            ("tabs", said::<Plan>("plan.toml", &tabbed)),
            ("a very long line", said::<Plan>("plan.toml", &long)),
            ("strange keys", said::<Plan>("plan.toml", one_line)),
            (
                "a newline within a value",
                said::<Plan>("plan.toml", &edit(PLAN, "\"1 Hz\"", "\"1\\nHz\\u0007\"")),
            ),
        ],
    );
}

#[test]
fn several_at_once() {
    let mut text = edit(PLAN, "\"1 Hz\"", "1");
    text = edit(&text, "\"5 mm pk\"", "\"5 mm\"");
    text = edit(&text, "repeats", "repeat");
    text = edit(&text, "\"75 %\"", "\"0,75\"");
    insta::with_settings!({ omit_expression => true }, {
        insta::assert_snapshot!(said::<Plan>("plans/low.toml", &text));
    });
}

/// Reads a text as every kind of file and prints what is said, as the command line would.
fn read_as_everything(text: &str) {
    fn one<T: Written>(text: &str) {
        if let Err(report) = Document::<T>::read("any.toml", text) {
            assert!(report.0.error_count() > 0, "a refusal has a reason");
            assert!(report.0.render(true).contains("any.toml"), "each message names the file");
            for diagnostic in &report.0.0 {
                assert!(diagnostic.line_column() >= (1, 1));
            }
        }
    }
    one::<Plan>(text);
    one::<Job>(text);
    one::<Rig>(text);
    one::<SensorRegister>(text);
    one::<ReferenceRegister>(text);
    one::<crate::faults::Faults>(text);
}

/// A valid file with slices removed, replaced and doubled at random, at boundaries of characters.
fn mangled() -> impl Strategy<Value = String> {
    let files = prop_oneof![Just(PLAN), Just(JOB), Just(RIG), Just(SENSORS), Just(REFERENCES), Just(FAULTS)];
    let piece = prop_oneof![
        Just(String::new()),
        "\\PC{0,6}",
        "[\\[\\]{}=.,#\"'\\\\\\n\\r\\t 0-9a-z²µ√]{0,6}",
        any::<String>(),
        Just("\u{feff}".to_owned()),
        Just("99999999999999999999".to_owned()),
        Just("1e999".to_owned()),
        Just("nan".to_owned()),
    ];
    let edits = proptest::collection::vec((any::<prop::sample::Index>(), 0..40usize, piece), 1..6);
    (files, edits).prop_map(|(file, edits)| {
        let mut text: Vec<char> = file.chars().collect();
        for (at, length, piece) in edits {
            let start = at.index(text.len() + 1);
            let end = (start + length).min(text.len());
            text.splice(start..end, piece.chars());
        }
        text.into_iter().collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn random_text_never_panics(text: String) {
        read_as_everything(&text);
    }

    #[test]
    fn mangled_files_never_panic(text in mangled()) {
        read_as_everything(&text);
    }
}

/// Nesting that would exhaust the stack of a careless reader.
#[test]
fn deep_nesting_is_refused() {
    for text in ["[", "{a=", "[[", "a."].map(|piece| format!("settings = {}", piece.repeat(20_000))) {
        read_as_everything(&text);
        read_as_everything(&format!("[{}", text));
    }
    let keys = format!("{}a = 1", "a.".repeat(20_000));
    read_as_everything(&keys);
}

/// A file of another kind is one mistake, not ten.
#[test]
fn wrong_kinds_of_files() {
    let json = r#"{ "schema": "calwright.result/1", "run": "x" }"#;
    together(
        "wrong_kinds_of_files",
        &[
            ("a plan as a job", said::<Job>("plan.toml", PLAN)),
            ("a rig as a plan", said::<Plan>("rig.toml", RIG)),
            ("a job as a rig", said::<Rig>("job.toml", JOB)),
            ("sensors as references", said::<ReferenceRegister>("sensors.toml", SENSORS)),
            ("references as sensors", said::<SensorRegister>("references.toml", REFERENCES)),
            ("references as a rig", said::<Rig>("references.toml", REFERENCES)),
            ("faults as a job", said::<Job>("faults.toml", FAULTS)),
            (
                "settings as a job",
                said::<Job>("calwright.toml", "log = \"info\"\n[laboratory]\nname = \"x\"\n"),
            ),
            ("a result as a job", said::<Job>("result.json", json)),
            ("some JSON as a plan", said::<Plan>("x.json", "{ \"a\": 1 }")),
            ("a PDF as a rig", said::<Rig>("rig.pdf", "%PDF-1.7\n%")),
            ("a web page", said::<Rig>("rig.html", "<!DOCTYPE html>\n<html>")),
        ],
    );
}

/// In TOML a key below a heading belongs to that table; that is said once, where it stands.
#[test]
fn keys_at_the_wrong_place() {
    let tolerance = edit(PLAN, "tolerance = \"5 %\"\n", "");
    let operator = edit(JOB, "operator = \"A. Example\"\n", "");
    let amplitude =
        edit(&edit(PLAN, "amplitude = \"5 mm pk\"\n", ""), "rule =", "amplitude = \"5 mm pk\"\nrule =");
    together(
        "keys_at_the_wrong_place",
        &[
            (
                "needless key of the file",
                said::<Plan>("plan.toml", &edit(&tolerance, "[ambient]", "[ambient]\ntolerance = \"5 %\"")),
            ),
            (
                "needed key of the file",
                said::<Job>(
                    "job.toml",
                    &edit(&operator, "name = \"Nobody", "operator = \"A. Example\"\nname = \"Nobody"),
                ),
            ),
            ("needed key of another table", said::<Plan>("plan.toml", &amplitude)),
        ],
    );
}
