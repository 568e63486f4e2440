//! Releases prove themselves: no altered byte of run, certificate, release or signature goes unnoticed, and nothing can be
//! taken away or signed with another key.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::run_dir::RunDir;
use anyhow::{Context, Result, ensure};
use std::fs;

/// The job that is released: short, with two sensors.
const JOB: &str = "examples/portable.toml";

/// A bench with a released run in `runs/run`, its key, and its ledger.
///
/// # Errors
/// If anything on the way fails.
pub fn released() -> Result<Bench> {
    let bench = Bench::new()?;
    bench.run(&["keygen", "lab"])?.expect_status(0)?;
    draft(&bench, 1)?;
    approve(&bench, &["--at", "2000-01-02T09:00:00Z"])?;
    Ok(bench)
}

/// A draft in `runs/run`.
///
/// # Errors
/// If the dry run fails.
pub fn draft(bench: &Bench, seed: u64) -> Result<()> {
    bench.settle("")?;
    let finished = bench.run(&["dry-run", JOB, "--seed", &seed.to_string(), "--out", "runs/run"])?;
    ensure!(matches!(finished.status, Some(0 | 1)), "{}", finished.stderr);
    Ok(())
}

/// Approves the draft under another name than the operator's.
///
/// # Errors
/// If it is refused.
pub fn approve(bench: &Bench, more: &[&str]) -> Result<()> {
    let mut arguments = vec!["approve", "runs/run", "--name", "B. Approver", "--key", "lab.key"];
    arguments.extend(more);
    bench.run(&arguments)?.expect_status(0)?;
    Ok(())
}

/// Verifies the whole archive; true if everything is right, false if something was found.
///
/// # Errors
/// If the program says neither.
pub fn sound(bench: &Bench) -> Result<bool> {
    let finished = bench.run(&["verify", "runs", "--runs", "--public-key", "lab.pub"])?;
    match finished.status {
        Some(0) => Ok(true),
        Some(7) if !finished.stderr.is_empty() => Ok(false),
        status => anyhow::bail!("exit status {status:?}: {}", finished.stderr),
    }
}

/// Alters `count` bytes one after the other, spread over every file of the run and its release, and counts those that go
/// unnoticed; then takes away, swaps and signs anew.
///
/// # Errors
/// If a release can't be made or a file not be written.
pub fn alterations(count: usize) -> Result<Figure> {
    let bench = released()?;
    ensure!(sound(&bench)?, "a release that nobody touched is not sound");
    let run = bench.run_dir("runs/run");
    let files = run.files()?;
    ensure!(files.keys().any(|name| name == "release-1/release.sig"), "there is no signature");
    let mut unnoticed = Vec::new();
    let mut tried = 0;
    while tried < count {
        for (n, (file, bytes)) in files.iter().enumerate() {
            // Other places of each file in each round, and never the same twice.
            let position = (tried * 7919 + n * 104_729) % bytes.len().max(1);
            let mut bad = bytes.clone();
            *bad.get_mut(position).with_context(|| format!("{file} is empty"))? ^= 1 << (tried % 8);
            run.write(file, &bad)?;
            if sound(&bench)? {
                unnoticed.push(format!("{file}, byte {position}"));
            }
            run.write(file, bytes)?;
            tried += 1;
        }
    }
    unnoticed.extend(larger(&bench, &run)?);
    ensure!(sound(&bench)?, "with every byte put back the release is not sound");
    let which = if unnoticed.is_empty() { String::new() } else { format!("\n{}", unnoticed.join("\n")) };
    Ok(Figure {
        what: "alterations of a released run that go unnoticed".to_owned(),
        value: unnoticed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{tried} altered bytes in {} files; the last entry cut, entries swapped, a file added, certificate, release and \
             run removed, a ledger line removed, everything signed with another key{which}",
            files.len()
        ),
        seeds: vec![1],
    })
}

/// What is more than a byte; the names of those that go unnoticed. Everything is as before afterwards.
fn larger(bench: &Bench, run: &RunDir) -> Result<Vec<String>> {
    let mut unnoticed = Vec::new();
    let mut see = |what: &str| -> Result<()> {
        if sound(bench)? {
            unnoticed.push(what.to_owned());
        }
        Ok(())
    };
    let journal = run.bytes("journal.jsonl")?;
    let lines: Vec<&[u8]> = journal.split_inclusive(|b| *b == b'\n').collect();
    let cut = lines.get(..lines.len() - 1).unwrap_or_default().concat();
    let mut swapped = lines.clone();
    swapped.swap(2, 3);
    for (what, bytes) in [("the last entry cut", cut), ("two entries swapped", swapped.concat())] {
        run.write("journal.jsonl", &bytes)?;
        see(what)?;
    }
    run.write("journal.jsonl", &journal)?;
    run.write("note.txt", b"x")?;
    see("a file added")?;
    fs::remove_file(run.path().join("note.txt"))?;
    let aside = bench.path("aside");
    let paths = [bench.path("runs/run"), run.path().join("release-1"), run.path().join("result.json")];
    for path in paths {
        fs::rename(&path, &aside)?;
        see(&format!("{} removed", path.display()))?;
        fs::rename(&aside, &path)?;
    }
    let ledger = bench.path("state/calwright/certificates.jsonl");
    let text = fs::read_to_string(&ledger)?;
    let shorter = text.split_once('\n').map(|(_, rest)| rest.to_owned()).unwrap_or_default();
    fs::write(&ledger, shorter)?;
    see("a line of the ledger removed")?;
    // A forger makes everything anew with a key of his own, ledger and all.
    fs::rename(run.path().join("release-1"), &aside)?;
    fs::remove_file(&ledger)?;
    bench.run(&["keygen", "forger"])?.expect_status(0)?;
    let forged = ["approve", "runs/run", "--name", "C. Forger", "--key", "forger.key"];
    bench.run(&forged)?.expect_status(0)?;
    see("signed with another key")?;
    fs::remove_dir_all(run.path().join("release-1"))?;
    fs::rename(&aside, run.path().join("release-1"))?;
    fs::write(&ledger, text)?;
    Ok(unnoticed)
}

/// Jobs and languages whose certificates are validated, and settings that change what stands in them.
const VARIED: [(&str, &str); 5] = [
    ("portable", "en"),
    ("portable-night", "de"),
    ("portable-worn", "en"),
    ("workshop", "de"),
    ("low-frequency", "en"),
];

/// Where the open schema of calibration certificates lies: `CALWRIGHT_DCC_XSD`.
#[must_use]
pub fn schema_folder() -> Option<std::path::PathBuf> {
    std::env::var_os("CALWRIGHT_DCC_XSD")
        .map(std::path::PathBuf::from)
        .filter(|p| p.join("dcc.xsd").is_file())
}

/// Validates the XML of `runs` different runs, drafts and releases, by programs that are not ours.
///
/// # Errors
/// If a run or the check can't be carried out, or there is no schema.
pub fn documents(runs: usize) -> Result<Figure> {
    let schema = schema_folder().context("CALWRIGHT_DCC_XSD names no folder with dcc.xsd 3.3.0")?;
    let bench = Bench::new()?;
    bench.run(&["keygen", "lab"])?.expect_status(0)?;
    let mut files = vec![schema.into_os_string()];
    for (n, (job, language)) in VARIED.iter().cycle().take(runs).enumerate() {
        bench.settle("")?;
        let language = format!("[certificate]\nlanguage = \"{language}\"\n");
        bench.replace("calwright.toml", "[certificate]\n", &language)?;
        let (seed, out) = ((n + 1).to_string(), format!("runs/{n}"));
        let job = format!("examples/{job}.toml");
        let finished = bench.run(&["dry-run", &job, "--seed", &seed, "--out", &out])?;
        ensure!(matches!(finished.status, Some(0 | 1)), "{job}, seed {seed}: {}", finished.stderr);
        let approve = ["approve", &out, "--name", "B. Approver", "--key", "lab.key"];
        bench.run(&approve)?.expect_status(0)?;
        let run = bench.run_dir(&out);
        files.extend(
            run.files()?.into_keys().filter(|name| name.ends_with(".xml")).map(|f| run.path().join(f).into()),
        );
    }
    let finished = crate::python::run("dcc.py", files)?;
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: serde_json::Value = serde_json::from_str(line)
        .with_context(|| format!("dcc.py broke down: {}{}", finished.stdout, finished.stderr))?;
    let count = |key: &str| said[key].as_u64().with_context(|| format!("dcc.py does not say {key}"));
    ensure!(count("documents")? > 0 && count("broken")? > 0, "dcc.py validated nothing: {said}");
    let words = finished.stderr.trim_end();
    Ok(Figure {
        what: "complaints about certificates as XML, and broken ones that pass".to_owned(),
        value: f64::from(u32::try_from(count("wrong")?)?),
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} documents of {runs} runs, {} points, {} broken ones refused{}{words}",
            count("documents")?,
            count("points")?,
            count("broken")?,
            if words.is_empty() { "" } else { "\n" },
        ),
        seeds: (1..=runs as u64).collect(),
    })
}
