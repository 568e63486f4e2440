//! The way from an older format: what is kept, what is refused, and that it is taken once only.

use super::{Migrated, migrate};
use crate::fixture::{FAULTS, JOB, PLAN, REFERENCES, RIG, SENSORS};
use crate::job::Job;
use crate::plan::Plan;
use crate::read::{Document, Written};
use crate::registers::ReferenceRegister;
use proptest::prelude::*;

const FILES: [(&str, &str); 6] = [
    ("plan", PLAN),
    ("job", JOB),
    ("rig", RIG),
    ("sensors", SENSORS),
    ("references", REFERENCES),
    ("faults", FAULTS),
];

/// A file as the draft had it: the names in plural, no format.
fn draft(text: &str) -> String {
    let mut text = text.replacen("format = 1\n", "", 1).trim_start().to_owned();
    for (new, old) in [
        ("[[point]]", "[[points]]"),
        ("[[instrument]]", "[[instruments]]"),
        ("[[channel]]", "[[channels]]"),
        ("[[safe_path]]", "[[safe_paths]]"),
        ("[[sensor]]", "[[sensors]]"),
        ("[[reference]]", "[[references]]"),
        ("[[reference.calibration]]", "[[references.calibrations]]"),
        ("point = [", "points = ["),
        ("[[fault]]", "[[faults]]"),
    ] {
        text = text.replace(new, old);
    }
    text
}

#[test]
fn a_draft_becomes_the_file_that_it_would_be_today() {
    for (kind, text) in FILES {
        let migrated = migrate("x.toml", &draft(text)).unwrap();
        assert_eq!((migrated.kind, migrated.from), (kind, 0));
        assert_eq!(migrated.text, text, "{kind}");
        assert!(migrated.remaining.0.is_empty(), "{}", migrated.remaining.render(false));
        // And once more: nothing is left to do.
        let again = migrate("x.toml", &migrated.text).unwrap();
        assert_eq!(again, Migrated { from: 1, changes: Vec::new(), ..migrated });
    }
}

#[test]
fn comments_and_layout_are_kept() {
    let text = "# Notes of a spring.\r\n\r\nname = \"p\"   # the 'points' are below\r\n\r\n[[ points ]] # first\r\n\
                frequency =   \"1 Hz\"\r\namplitude = \"1 g pk\"\r\n\r\n[[\"points\"]]\r\nfrequency = \"2 Hz\"\r\namplitude = \"1 g pk\" # points\r\n";
    let migrated = migrate("plan.toml", text).unwrap();
    let wanted = text
        .replace("name = \"p\"", "format = 1\r\nname = \"p\"")
        .replace("[[ points ]]", "[[ point ]]")
        .replace("[[\"points\"]]", "[[point]]");
    assert_eq!(migrated.text, wanted);
    insta::assert_snapshot!(migrated.changes.join("\n"));
    let marked = migrate("plan.toml", &format!("\u{feff}{text}")).unwrap();
    assert_eq!(marked.text, format!("\u{feff}{wanted}"));
}

/// However TOML lets a table be written.
#[test]
fn every_way_to_write_a_key_is_found() {
    let dotted = "format = 0\nreferences = [ { serial = \"R\", calibrations = [ { points = [ { frequency = \"1 Hz\" } ] } ] } ]\n";
    let migrated = migrate("r.toml", dotted).unwrap();
    assert_eq!(
        migrated.text,
        "format = 1\nreference = [ { serial = \"R\", calibration = [ { point = [ { frequency = \"1 Hz\" } ] } ] } ]\n"
    );
    let rig = "[[channels]]\nname = \"points\"\ngains = [ { range = \"1 V pk\" } ]\n[[channels.gains]]\n";
    // TOML itself refuses a list that is written both ways.
    assert!(migrate("rig.toml", rig).is_err());
    let rig =
        "[[channels]]\nname = \"points\"\n[[channels.gains]]\nrange = \"1 V pk\"\n[shaker]\npoints = 1\n";
    let wanted = "format = 1\n\n[[channel]]\nname = \"points\"\n[[channel.gain]]\nrange = \"1 V pk\"\n[shaker]\npoints = 1\n";
    assert_eq!(migrate("rig.toml", rig).unwrap().text, wanted);
}

#[test]
fn what_can_not_be_taken_over_is_said() {
    let said = |text: &str| migrate("x.toml", text).unwrap_err().to_string();
    let cases = [
        ("newer format", said(&PLAN.replacen("format = 1", "format = 2", 1))),
        ("format that is no number", said(&PLAN.replacen("format = 1", "format = \"1\"", 1))),
        (
            "old and new names",
            said(&format!("{}\n[[points]]\nfrequency = \"1 Hz\"\n", PLAN.replacen("format = 1\n", "", 1))),
        ),
        ("no file of ours", said("[package]\nedition = \"2024\"\n")),
        ("broken syntax", said("[[points]\n")),
        ("empty file", said("")),
    ];
    let text = cases.map(|(name, said)| format!("===== {name}\n{said}\n")).join("\n");
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(text) });
}

/// What remains wrong is said of the new text.
#[test]
fn what_remains_is_said() {
    let migrated =
        migrate("plan.toml", "name = \"p\"\n[[points]]\nfrequency = 5\namplitude = \"1 g pk\"\n").unwrap();
    let said = migrated.remaining.render(false);
    assert!(said.contains("plan.toml:4:13") && said.contains("bare number"), "{said}");
}

fn reads<T: Written>(text: &str) -> bool {
    Document::<T>::read("x.toml", text).is_ok()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever comes in, what comes out is stable, and a file of today is left alone.
    #[test]
    fn anything_is_taken_once(which in 0..FILES.len(), at: prop::sample::Index, piece in "[a-z\\[\\]={}#\"'\n ]{0,8}", old: bool) {
        let (_, text) = FILES[which];
        let text = if old { draft(text) } else { text.to_owned() };
        let boundaries: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
        let mut mangled = text.clone();
        mangled.insert_str(boundaries[at.index(boundaries.len())], &piece);
        if let Ok(first) = migrate("x.toml", &mangled) {
            let second = migrate("x.toml", &first.text).unwrap();
            prop_assert_eq!(&second.text, &first.text);
            prop_assert!(second.changes.is_empty());
            if !old && first.from == 1 {
                prop_assert_eq!(&first.text, &mangled);
            }
        }
    }
}

#[test]
fn fixtures_read_after_the_way() {
    let text = |text: &str| migrate("x.toml", &draft(text)).unwrap().text;
    assert!(
        reads::<Plan>(&text(PLAN))
            && reads::<Job>(&text(JOB))
            && reads::<ReferenceRegister>(&text(REFERENCES))
    );
}
