//! The example job on the simulated rig behind sockets, lines and hosts, against the run of the same seed in one process.

use crate::conform::SINE_PLUG_IN;
use crate::figure::Figure;
use crate::program::{calwright, root};
use crate::real::{Order, Shop};
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::fmt;

/// Real runs on the rig file as it is, and the same job in one process.
///
/// # Errors
/// If a run does not come to a result.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    compared("as written", &order(full))
}

/// The same with other instruments: other lines of the rig file.
///
/// # Errors
/// If a run does not come to a result.
pub fn swapped(full: bool) -> Result<Vec<Figure>> {
    let mut figures = source(full)?;
    figures.extend(acquisition(full)?);
    Ok(figures)
}

/// Another source.
///
/// # Errors
/// If a run does not come to a result.
pub fn source(full: bool) -> Result<Vec<Figure>> {
    let change = |rig: String| crate::conform::with_instrument(&rig, "generator", SINE_PLUG_IN);
    compared("the Python plug-in as the source", &Order { change, ..order(full) })
}

/// Amplitude at which a fault that is noticed a block later still leaves the stops out of reach: at those of the plan a rig with
/// a gated acquisition is refused.
const SMALL: &str = "0.2 g pk";

/// Another acquisition, and for comparison the first one with the same points.
///
/// # Errors
/// If a run does not come to a result.
pub fn acquisition(full: bool) -> Result<Vec<Figure>> {
    let small = Order { amplitude: Some(SMALL), ..order(full) };
    let mut figures = compared("streaming, 0.2 g", &small)?;
    let serves = |rig: String| crate::conform::gated(&rig);
    figures.extend(compared("blocks on request, 0.2 g", &Order { serves, ..small })?);
    Ok(figures)
}

fn order(full: bool) -> Order {
    Order::from(if full { 10.0 } else { 16.0 }, !full)
}

fn compared(what: &str, order: &Order) -> Result<Vec<Figure>> {
    let (seed, lowest) = (order.seed, order.lowest);
    let shop = Shop::open(order)?;
    let mut running = shop.begin()?;
    let ended = running.wait_for(&["done ", "error "])?;
    ensure!(ended.starts_with("done Done"), "the run {what}: {ended}");
    running.kill();
    let real = read(&shop.path("run/result.json"))?;
    let alone = calwright()?
        .arg("--state-dir")
        .arg(shop.path("state"))
        .args(["dry-run", "--no-certificates", "--seed", &seed.to_string(), "--out"])
        .arg(shop.path("alone"))
        .arg(shop.path("job.toml"))
        .current_dir(root())
        .output()?;
    ensure!(alone.status.success(), "{}", String::from_utf8_lossy(&alone.stderr));
    let alone = read(&shop.path("alone/result.json"))?;
    let points = compare(&real, &alone)?;
    ensure!(!points.is_empty(), "no point was compared");
    let listed: String = points.iter().map(|p| format!("\n    {p}")).collect();
    let sample = format!("{what}: {} points of sensors from {lowest} Hz on{listed}", points.len());
    let largest = |of: &dyn Fn(&Compared) -> f64| points.iter().map(of).fold(0.0, f64::max);
    let figure = |about: &str, value, limit, unit| Figure {
        what: format!("{what}: {about}"),
        value,
        limit,
        unit,
        sample: sample.clone(),
        seeds: vec![seed],
    };
    Ok(vec![
        figure(
            "largest difference of ratios, in standard uncertainties of type A of the difference",
            largest(&|p| p.ratio_percent.abs() / p.ratio_type_a_percent),
            3.0,
            "",
        ),
        figure("largest difference of ratios", largest(&|p| p.ratio_percent.abs()), 0.02, "%"),
        figure("largest difference of phases", largest(&|p| p.phase_deg.abs()), 0.02, "°"),
    ])
}

/// A point of a sensor in both results.
struct Compared {
    serial: String,
    frequency_hz: f64,
    ratio_percent: f64,
    ratio_type_a_percent: f64,
    phase_deg: f64,
    phase_type_a_deg: f64,
}

impl fmt::Display for Compared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} at {} Hz: ratio {:+.5} % (type A {:.5} %), phase {:+.5}° (type A {:.5}°)",
            self.serial,
            self.frequency_hz,
            self.ratio_percent,
            self.ratio_type_a_percent,
            self.phase_deg,
            self.phase_type_a_deg
        )
    }
}

/// Every point of every sensor, the first result against the second.
fn compare(real: &Value, alone: &Value) -> Result<Vec<Compared>> {
    let number = |v: &Value, key: &str| v[key].as_f64().with_context(|| format!("no {key}: {}", v["status"]));
    let mut compared = Vec::new();
    for (serial, a, b) in both(real, alone)? {
        // Both may round either way of half a turn.
        let turned = number(a, "phase_deg")? - number(b, "phase_deg")?;
        compared.push(Compared {
            serial,
            frequency_hz: number(a, "frequency_hz")?,
            ratio_percent: (number(a, "sensitivity")? / number(b, "sensitivity")? - 1.0) * 100.0,
            ratio_type_a_percent: type_a(a, "magnitude")?.hypot(type_a(b, "magnitude")?),
            phase_deg: turned - 360.0 * (turned / 360.0).round(),
            phase_type_a_deg: type_a(a, "phase")?.hypot(type_a(b, "phase")?),
        });
    }
    Ok(compared)
}

fn read(path: &std::path::Path) -> Result<Value> {
    Ok(serde_json::from_slice(&std::fs::read(path).with_context(|| path.display().to_string())?)?)
}

/// The same points of both results, each with the serial number of its sensor.
fn both<'a>(a: &'a Value, b: &'a Value) -> Result<Vec<(String, &'a Value, &'a Value)>> {
    let points = |of: &'a Value| -> Vec<(String, &'a Value)> {
        let sensors = of["sensors"].as_array().into_iter().flatten();
        let of_sensor = |s: &'a Value| {
            let serial = s["serial"].as_str().unwrap_or_default().to_owned();
            s["points"].as_array().into_iter().flatten().map(move |p| (serial.clone(), p))
        };
        sensors.flat_map(of_sensor).collect()
    };
    let (a, b) = (points(a), points(b));
    ensure!(a.len() == b.len(), "{} points in one result, {} in the other", a.len(), b.len());
    Ok(a.into_iter().zip(b).map(|((serial, a), (_, b))| (serial, a, b)).collect())
}

/// Standard uncertainty of type A of a quantity, as its budget has it: in percent or in degrees.
fn type_a(point: &Value, of: &str) -> Result<f64> {
    let rows = point["budgets"][of]["rows"].as_array().context("no budget")?;
    let row = rows.iter().find(|r| r["component"] == "scatter within the dwell").context("no scatter")?;
    row["standard_uncertainty"].as_f64().context("no uncertainty")
}
