//! Claims that are checked by other people's programs: numpy and scipy, and a validator of JSON Schema.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::program::{Finished, path_of_calwright};
use crate::python;
use anyhow::{Context, Result, ensure};
use serde_json::Value;

/// Fits every dwell again by an independent program; the figures are the largest differences of magnitude and phase.
///
/// # Errors
/// If a run or the check can't be carried out.
pub fn refit(seeds: &[u64]) -> Result<[Figure; 2]> {
    let bench = Bench::new()?;
    let mut runs = Vec::new();
    for seed in seeds {
        runs.push(bench.good_run(*seed, &format!("run-{seed}"))?.path().to_owned());
    }
    let said = summary(&python::run("refit.py", &runs)?)?;
    let number = |key: &str| said[key].as_f64().with_context(|| format!("refit.py does not say {key}"));
    let sample = format!("{} ratios to the reference in {} runs", said["compared"], seeds.len());
    ensure!(number("compared")? > 0.0, "refit.py compared nothing");
    let figure = |what: &str, value: f64, limit: f64, unit: &'static str| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit,
        sample: sample.clone(),
        seeds: seeds.to_vec(),
    };
    let magnitude =
        figure("largest relative difference of magnitude", number("magnitude_relative_max")?, 1e-8, "");
    let phase = figure("largest difference of phase", number("phase_rad_max")?, 1e-8, "rad");
    Ok([magnitude, phase])
}

/// Validates everything that is written against its schema; the figure is the number of disagreements.
///
/// # Errors
/// If the check can't be carried out.
pub fn schemas() -> Result<Figure> {
    let program = path_of_calwright()?;
    let finished = python::run("schemas.py", [program])?;
    let said = summary(&finished)?;
    let count = |key: &str| said[key].as_u64().with_context(|| format!("schemas.py does not say {key}"));
    ensure!(count("valid")? > 0 && count("refused")? > 0, "schemas.py validated nothing: {said}");
    let sample = format!("{} documents valid, {} broken ones refused", count("valid")?, count("refused")?);
    let words = finished.stderr.trim_end();
    Ok(Figure {
        what: "documents that disagree with their schema, or broken ones that agree".to_owned(),
        value: f64::from(u32::try_from(count("wrong")?)?),
        limit: 0.0,
        unit: "",
        sample: if words.is_empty() { sample } else { format!("{sample}\n{words}") },
        seeds: vec![1],
    })
}

/// Compares units and the kinematics of sines with a library of units; the figure is the largest relative difference.
///
/// # Errors
/// If the check can't be carried out.
pub fn units() -> Result<Figure> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("values.jsonl");
    std::fs::write(&path, crate::claims::formats::values::lines())?;
    let finished = python::run("units.py", [&path])?;
    let said = summary(&finished)?;
    let words = finished.stderr.trim_end();
    ensure!(
        said["compared"].as_u64().is_some_and(|n| n > 100),
        "units.py compared too little: {said} {words}"
    );
    ensure!(said["wrong"] == 0, "units.py found {said}: {words}");
    Ok(Figure {
        what: "largest relative difference of units and kinematics".to_owned(),
        value: said["relative_max"].as_f64().context("no difference was said")?,
        limit: 1e-12,
        unit: "",
        sample: format!("{} values", said["compared"]),
        seeds: vec![],
    })
}

/// The last line of what a check prints is JSON; a check that broke down has none.
fn summary(finished: &Finished) -> Result<Value> {
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let broke =
        || format!("the check broke down ({:?}): {}{}", finished.status, finished.stdout, finished.stderr);
    serde_json::from_str(line).with_context(broke)
}
