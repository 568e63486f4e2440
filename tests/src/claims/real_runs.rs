//! The example job on the simulated rig behind sockets, lines and hosts, against the run of the same seed in one process.

use crate::conform::SINE_PLUG_IN;
use crate::figure::Figure;
use crate::program::{calwright, root};
use crate::real::Shop;
use anyhow::{Context, Result, ensure};
use serde_json::Value;

/// Seed of the rig.
const SEED: u64 = 1;

/// Real runs on the rig file as it is, and the same job in one process.
///
/// # Errors
/// If a run does not come to a result.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    compared(full, "as written", |rig| rig)
}

/// The same with another source: other lines of the rig file.
///
/// # Errors
/// If a run does not come to a result.
pub fn swapped(full: bool) -> Result<Vec<Figure>> {
    let plug_in = |rig: String| crate::conform::with_instrument(&rig, "generator", SINE_PLUG_IN);
    compared(full, "the Python plug-in as the source", plug_in)
}

fn compared(full: bool, what: &str, change: impl FnOnce(String) -> String) -> Result<Vec<Figure>> {
    let lowest = if full { 10.0 } else { 16.0 };
    let shop = Shop::open(SEED, lowest, !full, change)?;
    let mut running = shop.begin()?;
    let ended = running.wait_for(&["done ", "error "])?;
    ensure!(ended.starts_with("done Done"), "the run {what}: {ended}");
    running.kill();
    let real = read(&shop.path("run/result.json"))?;
    let alone = calwright()?
        .arg("--state-dir")
        .arg(shop.path("state"))
        .args(["dry-run", "--no-certificates", "--seed", &SEED.to_string(), "--out"])
        .arg(shop.path("alone"))
        .arg(shop.path("job.toml"))
        .current_dir(root())
        .output()?;
    ensure!(alone.status.success(), "{}", String::from_utf8_lossy(&alone.stderr));
    let alone = read(&shop.path("alone/result.json"))?;
    let (mut ratio, mut phase, mut points, mut worst) = (0.0_f64, 0.0_f64, 0, String::new());
    for (a, b) in both(&real, &alone)? {
        let number =
            |v: &Value, key: &str| v[key].as_f64().with_context(|| format!("no {key}: {}", v["status"]));
        let off = (number(a, "sensitivity")? / number(b, "sensitivity")? - 1.0).abs() * 100.0;
        // Three times the type A uncertainty of the difference, or 0.02 %, whichever is more.
        let limit = (3.0 * type_a(a)?.hypot(type_a(b)?)).max(0.02);
        if off / limit > ratio {
            ratio = off / limit;
            worst = format!("{off:.4} % of {limit:.4} % at {} Hz", number(a, "frequency_hz")?);
        }
        phase = phase.max((number(a, "phase_deg")? - number(b, "phase_deg")?).abs());
        points += 1;
    }
    ensure!(points > 0, "no point was compared");
    let sample = format!("{what}: {points} points of two sensors from {lowest} Hz on; worst ratio {worst}");
    let figure = |about: &str, value, limit, unit| Figure {
        what: about.to_owned(),
        value,
        limit,
        unit,
        sample: sample.clone(),
        seeds: vec![SEED],
    };
    Ok(vec![
        figure(
            "largest difference of ratios, in parts of what is allowed (3 × type A, at least 0.02 %)",
            ratio,
            1.0,
            "",
        ),
        figure("largest difference of phases", phase, 0.02, "°"),
    ])
}

fn read(path: &std::path::Path) -> Result<Value> {
    Ok(serde_json::from_slice(&std::fs::read(path).with_context(|| path.display().to_string())?)?)
}

/// The same points of both results.
fn both<'a>(a: &'a Value, b: &'a Value) -> Result<Vec<(&'a Value, &'a Value)>> {
    let points = |of: &'a Value| -> Vec<&'a Value> {
        let sensors = of["sensors"].as_array().into_iter().flatten();
        sensors.flat_map(|s| s["points"].as_array().into_iter().flatten()).collect()
    };
    let (a, b) = (points(a), points(b));
    ensure!(a.len() == b.len(), "{} points in one result, {} in the other", a.len(), b.len());
    Ok(a.into_iter().zip(b).collect())
}

/// Standard uncertainty of type A of a ratio, in percent, as its budget has it.
fn type_a(point: &Value) -> Result<f64> {
    let rows = point["budgets"]["magnitude"]["rows"].as_array().context("no budget")?;
    let row = rows.iter().find(|r| r["component"] == "scatter within the dwell").context("no scatter")?;
    row["standard_uncertainty"].as_f64().context("no uncertainty")
}
