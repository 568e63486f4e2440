//! Claims about the simulated rig: its equations, its electronics, its speed. What examples of the simulator print is judged
//! here. [`speed`] alone depends on wall time.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::program::{Built, Finished, cargo, path_of_calwright};
use crate::python;
use anyhow::{Context, Result, ensure};
use serde_json::Value;
use std::fmt::{self, Write as _};
use std::time::Instant;

/// Jobs of the examples whose dry runs are timed, and the exit status of each.
const JOBS: [(&str, i32); 5] =
    [("low-frequency", 0), ("portable", 0), ("mid-size", 0), ("portable-worn", 1), ("portable-current", 0)];

/// The simulator alone shall be faster than real time by this on the long-stroke rig; other rigs are printed.
const ALONE: f64 = 1000.0;

/// And a whole dry run on the long-stroke rig (four sensors at 10 kS/s) by this; those on the other rigs are printed.
const WHOLE: f64 = 300.0;

/// Three linear rigs, driven by voltage and by current, against their transfer functions: the largest errors of magnitude
/// and phase.
///
/// # Errors
/// If the example of the simulator fails.
pub fn transfer() -> Result<[Figure; 2]> {
    let rows = rows("transfer")?;
    let worst = |what: &str, unit: &'static str| -> Result<Figure> {
        let of_unit: Vec<&Row> = rows.iter().filter(|r| r.unit == unit).collect();
        let first = of_unit.first().context("the example printed no such figure")?;
        Ok(Figure {
            what: format!("largest {what} against the transfer function"),
            value: largest(of_unit.iter().map(|r| (r.value - r.expected).abs())),
            limit: first.tolerance,
            unit,
            sample: format!("{} sines from 0.1 Hz to 2 kHz on three rigs", of_unit.len()),
            seeds: vec![1],
        })
    };
    Ok([worst("relative error of magnitude", "")?, worst("error of phase", "deg")?])
}

/// Twenty cycles from rest of the full equations, against their integration by scipy.
///
/// # Errors
/// If the example of the simulator fails, or the check breaks down.
pub fn equations() -> Result<Figure> {
    let cases = example("ode_cases", None)?;
    let folder = tempfile::tempdir().context("no temporary folder can be made")?;
    let path = folder.path().join("cases.json");
    std::fs::write(&path, cases.stdout).context("the cases can't be written")?;
    let finished = python::run("ode.py", [&path])?;
    let broke = || format!("ode.py broke down: {}{}", finished.stdout, finished.stderr);
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: Value = serde_json::from_str(line).with_context(broke)?;
    let count = said["cases"].as_u64().filter(|n| *n > 0).with_context(broke)?;
    Ok(Figure {
        what: "largest error of what a sensor feels, as a share of its peak".to_owned(),
        value: said["worst_share"].as_f64().with_context(broke)?,
        limit: 1e-4,
        unit: "",
        sample: format!("{count} cases of three rigs, healthy, worn, off centre, upright, against scipy"),
        seeds: vec![1],
    })
}

/// What is known of the three rigs from their equations; the figure is the largest error as a share of what is allowed.
///
/// # Errors
/// If the example of the simulator fails.
pub fn facts() -> Result<Figure> {
    table("facts", "of what is known of the three rigs from their equations")
}

/// Noise, clocks and converters, likewise.
///
/// # Errors
/// If the example of the simulator fails.
pub fn channels() -> Result<Figure> {
    table("channels", "of noise, clocks and converters")
}

/// Rigs drawn at random: 50 of them for 10 s each, or 1,000 for 60 s each. A test of the simulator judges them.
///
/// # Errors
/// With what the test says, if one of them misbehaves.
pub fn drawn(full: bool) -> Result<Figure> {
    let profile = Built::here()?.profile;
    // Variables of whoever asks reach no program from here; this one cargo hands to the test.
    let form = format!("env.CALWRIGHT_FULL=\"{}\"", u8::from(full));
    let arguments =
        ["test", "--quiet", "--config", &form, "--profile", &profile, "-p", "sim", "--test", "machine"];
    let finished = cargo(arguments.into_iter().chain(["random_rigs::"]))?.expect_status(0)?;
    ensure!(finished.stdout.contains("ok. 1 passed"), "the test was not run: {}", finished.stdout);
    let (rigs, seconds) = if full { (1000, 60) } else { (50, 10) };
    Ok(Figure {
        what: "random rigs that diverge, move from nothing, or depend on the order of sensors".to_owned(),
        value: 0.0,
        limit: 0.0,
        unit: "",
        sample: format!("{rigs} rigs of {seconds} s, judged by a test that passed"),
        seeds: (0..rigs).collect(),
    })
}

/// How fast the simulator is alone, and how fast whole dry runs of the examples are, the slowest of `runs`. Each figure is
/// the wall time of as many seconds of the rig as the goal wants in one. It depends on the machine: not for tests.
///
/// # Errors
/// If a run does not end as its example has to.
pub fn speed(runs: u64) -> Result<Vec<Figure>> {
    let mut figures = Vec::new();
    for line in example("speed", None)?.stdout.lines() {
        let (what, factor) = speed_of(line).with_context(|| format!("{line:?} is not understood"))?;
        let sample = "four sensors at 10 kS/s, 200 s of the rig".to_owned();
        let mut figure = wall_time(&format!("simulator alone, {what}"), factor, ALONE, sample, 1);
        if !what.starts_with("long stroke") {
            figure.limit = f64::INFINITY;
        }
        figures.push(figure);
    }
    ensure!(!figures.is_empty(), "the example printed nothing");
    path_of_calwright()?;
    for (name, status) in JOBS {
        let bench = Bench::new()?;
        let (mut slowest, mut longest) = (f64::INFINITY, 0.0f64);
        for seed in 1..=runs {
            let (rig, wall) = timed(&bench, name, status, seed)?;
            slowest = slowest.min(rig / wall);
            longest = longest.max(rig);
        }
        let sample = format!("{runs} runs of at most {longest:.0} s of the rig, without certificates");
        let mut figure = wall_time(&format!("dry run of {name}"), slowest, WHOLE, sample, runs);
        if name != "low-frequency" {
            figure.limit = f64::INFINITY;
        }
        figures.push(figure);
    }
    Ok(figures)
}

/// What was fast, and how many times faster than real time.
fn speed_of(line: &str) -> Option<(&str, f64)> {
    let (what, factor) = line.rsplit_once(": ")?;
    let factor: f64 = factor.strip_suffix(" x real time")?.parse().ok()?;
    (factor > 0.0).then_some((what, factor))
}

/// Time of the rig and wall time of a dry run, in s.
#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
fn timed(bench: &Bench, name: &str, status: i32, seed: u64) -> Result<(f64, f64)> {
    let (job, out, seed) = (format!("examples/{name}.toml"), format!("run-{seed}"), seed.to_string());
    let arguments = ["dry-run", &job, "--no-certificates", "--seed", &seed, "--out", &out];
    let begun = Instant::now();
    let finished = bench.run(&arguments)?;
    let wall = begun.elapsed().as_secs_f64();
    finished.expect_status(status)?;
    let result = bench.run_dir(&out).json("result.json")?;
    ensure!(result["outcome"] == "done", "{name}: {}", result["outcome"]);
    Ok((result["rig_s"].as_f64().context("result.json does not say rig_s")?, wall))
}

/// A speed in times of real time, as the wall time of `goal` seconds of the rig.
fn wall_time(what: &str, factor: f64, goal: f64, sample: String, seeds: u64) -> Figure {
    Figure {
        what: format!("{what}: wall time of {goal} s"),
        value: goal / factor,
        limit: 1.0,
        unit: "s",
        sample: format!("{factor:.0} × real time; {sample}"),
        seeds: (1..=seeds).collect(),
    }
}

/// One line of what the example `figures` prints.
#[derive(Debug, Clone, PartialEq)]
struct Row {
    what: String,
    unit: String,
    value: f64,
    expected: f64,
    tolerance: f64,
}

impl Row {
    fn of(value: &Value) -> Option<Self> {
        let text = |key: &str| value[key].as_str().map(str::to_owned);
        let number = |key: &str| value[key].as_f64();
        Some(Self {
            what: text("what")?,
            unit: text("unit")?,
            value: number("value")?,
            expected: number("expected")?,
            tolerance: number("tolerance").filter(|t| *t > 0.0)?,
        })
    }

    /// Error as a share of what is allowed.
    fn error(&self) -> f64 {
        (self.value - self.expected).abs() / self.tolerance
    }
}

/// The largest. Of none at all it is no number, and no limit holds.
fn largest(values: impl Iterator<Item = f64>) -> f64 {
    values.reduce(f64::max).unwrap_or(f64::NAN)
}

fn table(part: &str, about: &str) -> Result<Figure> {
    let rows = rows(part)?;
    let mut sample = format!("{} figures: found (what it ought to be ± what is allowed)", rows.len());
    for row in &rows {
        let mark = if row.error() <= 1.0 { ' ' } else { '!' };
        write!(sample, "\n  {mark} {}: {} {}", row.what, Short(row.value), row.unit)?;
        write!(sample, " ({} ± {})", Short(row.expected), Short(row.tolerance))?;
    }
    Ok(Figure {
        what: format!("largest error {about}, as a share of what is allowed"),
        value: largest(rows.iter().map(Row::error)),
        limit: 1.0,
        unit: "",
        sample,
        seeds: vec![1],
    })
}

/// A number with four digits.
struct Short(f64);

impl fmt::Display for Short {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.0.abs();
        if size == 0.0 {
            return write!(f, "0");
        }
        if !(1e-3..1e5).contains(&size) {
            return write!(f, "{:.3e}", self.0);
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 6")]
        let decimals = (3.0 - size.log10().floor()).clamp(0.0, 6.0) as usize;
        write!(f, "{:.decimals$}", self.0)
    }
}

fn rows(part: &str) -> Result<Vec<Row>> {
    let said = example("figures", Some(part))?.stdout;
    let list: Vec<Value> =
        serde_json::from_str(&said).with_context(|| format!("{part} printed no list: {said}"))?;
    ensure!(!list.is_empty(), "{part} printed no figures");
    list.iter().map(|r| Row::of(r).with_context(|| format!("{r} is no figure"))).collect()
}

/// Runs an example of the simulator in the profile of whoever asks.
fn example(name: &str, argument: Option<&str>) -> Result<Finished> {
    let profile = Built::here()?.profile;
    let mut arguments = vec!["run", "--quiet", "--profile", &profile, "-p", "sim", "--example", name, "--"];
    arguments.extend(argument);
    cargo(arguments)?.expect_status(0).with_context(|| format!("example {name} of the simulator"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_are_shares_of_what_is_allowed() {
        let row = Row { what: "x".into(), unit: "mm".into(), value: 2.5, expected: 2.0, tolerance: 0.5 };
        assert!((row.error() - 1.0).abs() < 1e-12);
        assert!((Row { value: 1.0, ..row }.error() - 2.0).abs() < 1e-12);
        assert!((largest([0.5, 2.0, 1.0].into_iter()) - 2.0).abs() < 1e-12);
        assert!(largest(std::iter::empty()).is_nan());
    }

    #[test]
    fn a_figure_that_lacks_something_is_none() {
        let whole = serde_json::json!({"what": "x", "unit": "", "value": 1, "expected": 1, "tolerance": 1});
        assert!(Row::of(&whole).is_some());
        for key in ["what", "unit", "value", "expected", "tolerance"] {
            let mut broken = whole.clone();
            broken[key] = Value::Null;
            assert_eq!(Row::of(&broken), None, "{key}");
        }
        assert_eq!(speed_of("healthy, warm: 1234 x real time"), Some(("healthy, warm", 1234.0)));
        assert_eq!((speed_of("healthy: fast"), speed_of("healthy: NaN x real time")), (None, None));
    }

    #[test]
    fn numbers_have_four_digits() {
        let texts = [0.0, 5e-5, 0.0755, 10.5593, 181.092].map(|v| Short(v).to_string());
        assert_eq!(texts, ["0", "5.000e-5", "0.07550", "10.56", "181.1"]);
    }
}
