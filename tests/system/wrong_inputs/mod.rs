//! Wrong inputs through the real program: every mistake is said at its place with what to write instead, exit status 2, no panic.
//!
//! The inputs are in `cases.txt` (one mistake each) and `several.txt` (several each); what a person reads is in the snapshots.

use std::fs;
use tests::Bench;
use tests::bench::MAIN_JOB;

/// One change of one file.
struct Change {
    file: &'static str,
    old: String,
    new: String,
}

impl Change {
    /// From `old => new`, with new lines written as \n.
    fn of(kind: &str, text: &str) -> Self {
        let (old, new) = text.split_once(" => ").unwrap_or_else(|| panic!("no change: {text}"));
        let lines = |text: &str| text.replace("\\n", "\n");
        Self { file: file_of(kind), old: lines(old), new: lines(new) }
    }

    /// Makes the change; gives the line in which the text is another one from then on.
    fn make(&self, bench: &Bench) -> usize {
        let path = bench.path(self.file);
        let text = fs::read_to_string(&path).unwrap();
        let at = text.find(&self.old).unwrap_or_else(|| panic!("{} has no {:?}", self.file, self.old));
        let same = self.old.bytes().zip(self.new.bytes()).take_while(|(a, b)| a == b).count();
        fs::write(&path, text.replacen(&self.old, &self.new, 1)).unwrap();
        let adds_lines = self.new.get(same..).is_some_and(|more| more.starts_with('\n'));
        text.get(..at + same).map_or(0, |before| before.matches('\n').count()) + 1 + usize::from(adds_lines)
    }
}

fn file_of(kind: &str) -> &'static str {
    match kind {
        "job" => MAIN_JOB,
        "plan" => "examples/plans/low-frequency.toml",
        "rig" => "examples/rigs/long-stroke.toml",
        "sensors" => "examples/registers/sensors.toml",
        "references" => "examples/registers/references.toml",
        "faults" => "examples/faults/emergency-stop.toml",
        "settings" => "examples/settings/laboratory.toml",
        other => panic!("no kind of file: {other}"),
    }
}

/// What the program says of the bench's files. Nothing goes to standard output but the table of a job that came together.
fn said(bench: &Bench, file: &str) -> String {
    let arguments: &[&str] = match file {
        "examples/faults/emergency-stop.toml" => {
            &["dry-run", MAIN_JOB, "--no-certificates", "--faults", file]
        }
        "examples/settings/laboratory.toml" => &["--settings", file, "check", MAIN_JOB],
        _ => &["check", MAIN_JOB],
    };
    let finished = bench.run(arguments).unwrap().expect_status(2).unwrap();
    assert!(!finished.stderr.contains("panicked"), "{}", finished.stderr);
    assert!(!bench.path("run").exists(), "a run directory was made");
    finished.stderr
}

/// Places of the errors that were said, each as `file:line`.
fn places(said: &str) -> Vec<String> {
    let mut places = Vec::new();
    let mut is_error = false;
    for line in said.lines() {
        if line.starts_with("error: ") || line.starts_with("warning: ") {
            is_error = line.starts_with("error: ");
        } else if let Some(place) = line.trim_start().strip_prefix("--> ")
            && is_error
        {
            let (place, _column) = place.rsplit_once(':').unwrap();
            places.push(place.to_owned());
        }
    }
    places
}

/// Every error has a place and says what to write.
fn is_complete(said: &str) -> bool {
    let errors = said.lines().filter(|l| l.starts_with("error: ")).count();
    let remedies = said.lines().filter(|l| l.trim_start().starts_with("= help: ")).count();
    let warnings = said.lines().filter(|l| l.starts_with("warning: ")).count();
    errors > 0 && places(said).len() == errors && remedies == errors + warnings
}

#[test]
fn each_mistake_has_place_and_remedy() {
    let mut number = 0;
    let mut wrong = Vec::new();
    for section in include_str!("cases.txt").split("\n== ").skip(1) {
        let mut lines = section.lines();
        let kind = lines.next().unwrap();
        let mut shown = Vec::new();
        for line in lines.filter(|line| !line.trim().is_empty()) {
            let (name, change) = line.split_once(" | ").unwrap();
            let bench = Bench::new().unwrap();
            let change = Change::of(kind, change);
            let place = format!("{}:{}", change.file, change.make(&bench));
            let said = said(&bench, change.file);
            let elsewhere = name.starts_with('~');
            let named = places(&said);
            let right = named.len() == 1 && (elsewhere || named == [place.clone()]) && is_complete(&said);
            if !right {
                wrong.push(format!("{kind}: {name}, one mistake in {place}:\n{said}"));
            }
            shown.push(format!("===== {}\n{}", name.trim_start_matches('~'), without_warnings(&said)));
            number += 1;
        }
        insta::with_settings!({ omit_expression => true }, {
            insta::assert_snapshot!(format!("mistakes_of_{kind}"), shown.join("\n"));
        });
    }
    assert!(number >= 120, "only {number} wrong inputs");
    assert!(wrong.is_empty(), "{} of {number}:\n{}", wrong.len(), wrong.join("\n"));
}

/// Remarks on the example itself say nothing about the mistake.
fn without_warnings(said: &str) -> String {
    let start = said.find("error: ").unwrap_or(0);
    said.get(start..).unwrap_or("").trim_end().to_owned() + "\n"
}

#[test]
fn several_mistakes_are_all_said_and_no_others() {
    let mut number = 0;
    let (mut shown, mut wrong) = (Vec::new(), Vec::new());
    for input in include_str!("several.txt").split("\n\n").skip(1) {
        let bench = Bench::new().unwrap();
        let mut lines = input.trim().lines();
        let name = lines.next().unwrap();
        let changes: Vec<Change> = lines
            .map(|line| line.split_once(" | ").unwrap())
            .map(|(kind, change)| Change::of(kind, change))
            .collect();
        let last = changes.last().unwrap().file;
        // A change that adds a line moves those below: what counts is the line in the end.
        let mut wanted: Vec<(String, usize)> = Vec::new();
        for change in &changes {
            let line = change.make(&bench);
            let added = change.new.matches('\n').count() as isize - change.old.matches('\n').count() as isize;
            for (file, earlier) in &mut wanted {
                if file == change.file && *earlier > line {
                    *earlier = earlier.strict_add_signed(added);
                }
            }
            wanted.push((change.file.to_owned(), line));
        }
        let said = said(&bench, last);
        let mut wanted: Vec<String> =
            wanted.into_iter().map(|(file, line)| format!("{file}:{line}")).collect();
        let mut named = places(&said);
        wanted.sort();
        named.sort();
        if named != wanted || !is_complete(&said) {
            wrong.push(format!("{name}, mistakes in {wanted:?}:\n{said}"));
        }
        shown.push(format!("===== {name}\n{}", without_warnings(&said)));
        number += 1;
    }
    assert!(number >= 20, "only {number} inputs with several mistakes");
    assert!(wrong.is_empty(), "{} of {number}:\n{}", wrong.len(), wrong.join("\n"));
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(shown.join("\n")) });
}
