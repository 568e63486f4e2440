//! Records: derived again, altered, cut off, and never overwritten.

use serde_json::Value;
use std::fs;
use tests::claims::power_cut;
use tests::claims::records::{self, Flip};
use tests::{Bench, RunDir};

#[test]
fn a_run_is_derived_again_and_no_altered_byte_goes_unnoticed() {
    let figure = records::alterations(&[1], 3).unwrap();
    assert!(figure.met(), "{figure}");
}

#[test]
fn nothing_that_was_reported_as_stored_is_lost_when_the_power_is_cut() {
    let figure = power_cut::figure(false).unwrap();
    assert!(figure.met(), "{figure}");
}

/// No line comes after the last one of the journal and vouches for it; it has to hold by itself.
#[test]
fn no_byte_of_the_last_line_can_be_altered() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let journal = run.bytes("journal.jsonl").unwrap();
    let (body, start) = (&journal[..journal.len() - 1], last_line(&journal));
    let text = String::from_utf8_lossy(&journal[start..]);
    let mut positions: Vec<usize> = (start..body.len()).step_by(23).collect();
    for key in ["\"seq\":", "\"t_utc\":\"", "\"outcome\":\"", "\"ended\":\"", "\"rig_s\":", "\"prev\":\""] {
        let value = start + text.find(key).unwrap() + key.len();
        positions.extend([value, value + 3]);
    }
    let unnoticed: Vec<String> = positions
        .into_iter()
        .filter_map(|position| {
            records::noticed(&bench, &run, &Flip { file: "journal.jsonl".to_owned(), position }).unwrap()
        })
        .collect();
    assert!(unnoticed.is_empty(), "{}", unnoticed.join("\n"));
}

#[test]
fn a_journal_that_was_cut_off_is_said_to_be() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let journal = run.bytes("journal.jsonl").unwrap();
    let start = last_line(&journal);
    let entries = run.journal().unwrap().len();
    // Torn within the last line, torn before its newline only, and cut between two lines.
    for (end, torn) in [(start + 40, true), (journal.len() - 1, true), (start, false)] {
        run.write("journal.jsonl", &journal[..end]).unwrap();
        let said = recompute(&bench);
        assert_eq!(said["verified"], true, "{said}");
        assert_eq!(said["finished"], false, "{said}");
        assert_eq!(said["entries"], entries - 1, "{said}");
        assert_eq!(said["torn_line"].is_string(), torn, "{said}");
        bench.run(&["certificate", "run", "--out", "never"]).unwrap().expect_status(6).unwrap();
        assert!(!bench.path("never").exists(), "a certificate of a run that was cut off");
    }
}

#[test]
fn what_is_torn_elsewhere_or_missing_is_corruption() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let journal = run.bytes("journal.jsonl").unwrap();
    let lines: Vec<&[u8]> = journal.split_inclusive(|b| *b == b'\n').collect();
    let torn_within: Vec<u8> = lines
        .iter()
        .enumerate()
        .flat_map(|(n, line)| if n == 2 { &line[..30] } else { line })
        .copied()
        .collect();
    let without_one: Vec<u8> =
        lines.iter().enumerate().filter(|(n, _)| *n != 3).flat_map(|(_, line)| *line).copied().collect();
    for bad in [&torn_within[..], &without_one, &journal[..40], b"", b"\n"] {
        run.write("journal.jsonl", bad).unwrap();
        refused_by_name(&bench, "journal.jsonl");
    }
    run.write("journal.jsonl", &journal).unwrap();
    for (file, bytes) in run.files().unwrap() {
        fs::remove_file(run.path().join(&file)).unwrap();
        refused_by_name(&bench, &file);
        run.write(&file, &bytes).unwrap();
    }
    records::derived_again(&bench, &run).unwrap();
}

#[test]
fn waveforms_of_one_point_cannot_stand_for_another() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    let names: Vec<String> = run
        .entries("point")
        .unwrap()
        .iter()
        .map(|e| format!("raw/{}.parquet", e["raw_sha256"].as_str().unwrap()))
        .collect();
    run.write(&names[3], &run.bytes(&names[4]).unwrap()).unwrap();
    refused_by_name(&bench, &names[3]);
}

#[test]
fn a_place_that_is_taken_is_refused_and_left_alone() {
    let bench = Bench::new().unwrap();
    let run = bench.good_run(1, "run").unwrap();
    fs::create_dir(bench.path("notes")).unwrap();
    fs::write(bench.path("notes/todo.txt"), "tighten the adapter").unwrap();
    for taken in ["run", "notes"] {
        let before = bench.run_dir(taken).files().unwrap();
        let refused = bench.dry_run(2, taken, &[]).unwrap().expect_status(2).unwrap();
        assert!(refused.stderr.contains(taken), "{}", refused.stderr);
        assert_eq!(bench.run_dir(taken).files().unwrap(), before);
    }
    records::derived_again(&bench, &run).unwrap();
    bench.good_run(2, "free").unwrap();
}

#[test]
fn what_is_no_run_directory_is_no_valid_argument() {
    let bench = Bench::new().unwrap();
    bench.run(&["recompute", "nowhere"]).unwrap().expect_status(2).unwrap();
    let empty = RunDir::new(bench.path("empty"));
    fs::create_dir(empty.path()).unwrap();
    bench.run(&["recompute", "empty"]).unwrap().expect_status(7).unwrap();
}

fn last_line(journal: &[u8]) -> usize {
    journal[..journal.len() - 1].iter().rposition(|b| *b == b'\n').unwrap() + 1
}

fn recompute(bench: &Bench) -> Value {
    let finished = bench.run(&["recompute", "run", "--json"]).unwrap().expect_status(0).unwrap();
    serde_json::from_str(&finished.stdout).unwrap()
}

fn refused_by_name(bench: &Bench, file: &str) {
    let refused = bench.run(&["recompute", "run"]).unwrap().expect_status(7).unwrap();
    assert!(refused.stderr.contains(file), "{file} is not named: {}", refused.stderr);
}
