//! A dry run with one seed gives the same bytes, another seed another result.

use crate::bench::{Bench, MAIN_JOB};
use crate::figure::Figure;
use anyhow::{Result, ensure};
use std::collections::BTreeSet;

/// Runs each seed twice, the second time with time held back and from another state folder, and counts files that are
/// not the same. The first seed's certificates are compared too.
///
/// # Errors
/// If a run fails, or two seeds give one result.
pub fn bytes(seeds: &[u64]) -> Result<Figure> {
    let (first, second) = (Bench::new()?, Bench::new()?);
    let mut different = Vec::new();
    let mut files = 0;
    let mut results = BTreeSet::new();
    for (number, seed) in seeds.iter().enumerate() {
        let (out, seed_text) = (format!("run-{seed}"), seed.to_string());
        let mut arguments = vec!["dry-run", MAIN_JOB, "--out", &out, "--seed", &seed_text];
        if number > 0 {
            arguments.push("--no-certificates");
        }
        first.run(&arguments)?.expect_status(0)?;
        arguments.extend(["--speed", "500"]);
        second.run(&arguments)?.expect_status(0)?;
        let run = first.run_dir(&out);
        files += run.files()?.len();
        different
            .extend(run.differences(&second.run_dir(&out))?.into_iter().map(|name| format!("{out}/{name}")));
        results.insert(run.json("result.json")?["sensors"].to_string());
    }
    ensure!(results.len() == seeds.len(), "two of the seeds {seeds:?} give the same sensors");
    let names = if different.is_empty() { String::new() } else { format!(": {}", different.join(", ")) };
    Ok(Figure {
        what: "files that differ between two dry runs with one seed".to_owned(),
        value: different.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{files} files of {} runs, each run twice{names}", seeds.len()),
        seeds: seeds.to_vec(),
    })
}
