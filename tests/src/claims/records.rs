//! Records vouch for themselves: results follow from the waveforms again, and no altered byte goes unnoticed.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::run_dir::RunDir;
use anyhow::{Result, ensure};
use serde_json::Value;

/// Derives a run again and wants the very bytes.
///
/// # Errors
/// If the program finds anything wrong.
pub fn derived_again(bench: &Bench, run: &RunDir) -> Result<()> {
    let path = run.path().display().to_string();
    let finished = bench.run(&["recompute", &path, "--json"])?.expect_status(0)?;
    let said: Value = serde_json::from_str(&finished.stdout)?;
    let good = said["verified"] == true && said["identical"] == true && said["finished"] == true;
    ensure!(good && said["torn_line"].is_null(), "recompute says {said}");
    ensure!(said["dwells"].as_u64() == Some(run.entries("point")?.len() as u64), "recompute says {said}");
    Ok(())
}

/// One altered byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flip {
    /// The file.
    pub file: String,
    /// Which byte.
    pub position: usize,
}

/// Alterations of every file of a run's records: `each` of them in a file, and `each` in every line of the journal,
/// spread evenly from the first byte to the last.
///
/// # Errors
/// Of the disk.
pub fn flips(run: &RunDir, each: usize) -> Result<Vec<Flip>> {
    let mut flips = Vec::new();
    for (file, bytes) in run.files()? {
        if file.ends_with(".pdf") {
            continue;
        }
        let mut from = 0;
        let parts: Vec<&[u8]> = if file == "journal.jsonl" {
            // The newline after the last line is left out: without it the line is torn, which is another matter.
            bytes.strip_suffix(b"\n").unwrap_or(&bytes).split_inclusive(|b| *b == b'\n').collect()
        } else {
            vec![&bytes]
        };
        for part in parts {
            let last = part.len().saturating_sub(1);
            let positions = (0..each).map(|n| from + last * n / (each - 1).max(1));
            flips.extend(positions.map(|position| Flip { file: file.clone(), position }));
            from += part.len();
        }
    }
    Ok(flips)
}

/// Alters a byte, asks the program, and puts the byte back. `None` if the program refused the run with the right words.
///
/// # Errors
/// Of the disk.
pub fn noticed(bench: &Bench, run: &RunDir, flip: &Flip) -> Result<Option<String>> {
    let good = run.bytes(&flip.file)?;
    let mut bad = good.clone();
    match bad.get_mut(flip.position) {
        Some(byte) => *byte ^= 1,
        None => return Ok(Some(format!("{flip:?} lies outside the file"))),
    }
    run.write(&flip.file, &bad)?;
    let finished = bench.run(&["recompute", &run.path().display().to_string()]);
    run.write(&flip.file, &good)?;
    let finished = finished?;
    let last_line = good.len() - good.iter().rev().skip(1).take_while(|b| **b != b'\n').count() - 1;
    // Nothing vouches for the last line of the journal but the files that it vouches for: the two contradict each
    // other, and nobody can tell which one was altered.
    let vouched: &[&str] = if flip.file == "journal.jsonl" && flip.position >= last_line {
        &["journal.jsonl", "result.json", "truth.json"]
    } else {
        &[&flip.file]
    };
    let named = vouched.iter().any(|name| finished.stderr.contains(name));
    if finished.status == Some(7) && named {
        return Ok(None);
    }
    Ok(Some(format!("{flip:?}: exit status {:?}, {}{}", finished.status, finished.stderr, finished.stdout)))
}

/// Counts altered bytes that go unnoticed, after every run was derived again to the bit.
///
/// # Errors
/// If a run fails or can't be derived again.
pub fn alterations(seeds: &[u64], each: usize) -> Result<Figure> {
    let bench = Bench::new()?;
    let mut tried = 0;
    let mut unnoticed = Vec::new();
    for seed in seeds {
        let run = bench.good_run(*seed, &format!("run-{seed}"))?;
        derived_again(&bench, &run)?;
        for flip in flips(&run, each)? {
            tried += 1;
            unnoticed.extend(noticed(&bench, &run, &flip)?);
        }
        derived_again(&bench, &run)?;
    }
    let which = if unnoticed.is_empty() { String::new() } else { format!("\n{}", unnoticed.join("\n")) };
    Ok(Figure {
        what: "altered bytes of records that go unnoticed".to_owned(),
        value: unnoticed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{tried} altered bytes in {} runs, each derived again to the bit{which}",
            seeds.len()
        ),
        seeds: seeds.to_vec(),
    })
}
