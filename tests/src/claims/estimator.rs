//! Claims about the estimator: its scatter against the Cramér–Rao bound, the coverage of its uncertainties, and its speed
//! beside fits by numpy. What examples of the calibration core print is judged here; [`speed`] alone depends on wall time.

use crate::figure::Figure;
use crate::program::{Built, Finished, cargo};
use crate::python;
use anyhow::{Context, Result, ensure};
use serde_json::Value;

/// Largest ratio of a variance to its bound.
const VARIANCE_LIMIT: f64 = 1.07;

/// Largest bias, in standard deviations of the bound.
const BIAS_LIMIT: f64 = 0.1;

/// Largest share of intervals that miss the truth: a level of confidence of 95 % that is kept to a percent.
const MISSED_LIMIT: f64 = 0.06;

/// Quantile of the normal distribution at 99.9 %.
const Z: f64 = 3.090_232_306_167_813_5;

/// How many trials, and what has to be shown by them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Form {
    /// Trials of a cell.
    pub trials: u32,
    /// True if limits have to be shown to be kept, false if they must not be shown to be broken: few trials can't show
    /// more.
    pub shown: bool,
}

impl Form {
    /// Synthetic runs of a level of noise whose intervals are held against the truth: half as many.
    fn coverage_runs(self) -> u32 {
        self.trials / 2
    }

    /// What chance may do to a figure with this standard deviation in one of so many trials, at 99.9 %; nothing is put down to chance
    /// where limits have to be shown to be kept.
    fn chance(self, deviation: f64, count: u32) -> f64 {
        if self.shown { 0.0 } else { Z * deviation / f64::from(count).sqrt() }
    }
}

/// Scatter and bias of ratio and phase in all cells of noise, cycles and mains, and the coverage of stated intervals.
///
/// # Errors
/// If the example fails, or prints nothing that can be judged.
pub fn bound(form: Form) -> Result<Vec<Figure>> {
    let trials = form.trials.to_string();
    let mut figures = scatter(&cells("--trials", &trials)?, form)?;
    let runs = form.coverage_runs().to_string();
    figures.push(coverage(&cells("--coverage", &runs)?, form)?);
    Ok(figures)
}

fn cells(option: &str, trials: &str) -> Result<Vec<Value>> {
    lines(&example("estimator_bound", [option, trials])?)
}

fn scatter(cells: &[Value], form: Form) -> Result<Vec<Figure>> {
    let (left_out, judged): (Vec<&Value>, Vec<&Value>) = cells.iter().partition(|c| !c["left_out"].is_null());
    // The bound is one for white noise; other noise counts for bias and coverage only.
    let white: Vec<&Value> = judged.iter().copied().filter(|c| c["pink"] != true).collect();
    ensure!(!white.is_empty(), "no cell can be judged");
    let end = |cell: &Value, key: &str| Ok(confidence_end(number(cell, key)?, number(cell, "trials")?, form));
    // A bias is stated in standard deviations of one trial.
    let size = |cell: &Value, key: &str| Ok(number(cell, key)?.abs() - form.chance(1.0, form.trials));
    let listed: Vec<String> = left_out.iter().map(|c| format!("\n  left out: {c}")).collect();
    let sample = |worst: &Value, cells: usize| {
        format!("{cells} cells of {} trials, the worst {worst}{}", form.trials, listed.concat())
    };
    let which = if form.shown { "upper" } else { "lower" };
    let mut figures = Vec::new();
    for key in ["var_ratio", "var_phase"] {
        let (value, worst) = worst(&white, |cell| end(cell, key))?;
        figures.push(figure(
            format!("{which} 99.9 % end of {key} over its bound"),
            value,
            VARIANCE_LIMIT,
            sample(worst, white.len()),
        ));
    }
    for key in ["bias_ratio", "bias_phase"] {
        let (value, worst) = worst(&judged, |cell| size(cell, key))?;
        figures.push(figure(
            format!("largest {key}{}", if form.shown { "" } else { " beyond chance" }),
            value,
            BIAS_LIMIT,
            sample(worst, judged.len()),
        ));
    }
    Ok(figures)
}

fn coverage(cells: &[Value], form: Form) -> Result<Figure> {
    let judged: Vec<&Value> = cells.iter().filter(|c| c["left_out"].is_null()).collect();
    let deviation = (MISSED_LIMIT * (1.0 - MISSED_LIMIT)).sqrt();
    let (missed, worst) = worst(&judged, |cell| {
        Ok(1.0 - number(cell, "coverage")? - form.chance(deviation, form.coverage_runs()))
    })?;
    Ok(figure(
        "largest share of stated intervals that miss the truth".to_owned(),
        missed,
        MISSED_LIMIT,
        format!("{} cells of {} runs, the worst {worst}", judged.len(), form.coverage_runs()),
    ))
}

/// How fast the estimator is beside a plain least-squares fit by numpy, and beside one that does all that it does. Each
/// figure is our time as a share of theirs.
///
/// # Errors
/// If one of the programs breaks down.
pub fn speed() -> Result<[Figure; 2]> {
    let folder = tempfile::tempdir().context("no temporary folder can be made")?;
    let path = folder.path().join("samples");
    let name = path.to_str().context("the temporary folder has no name")?;
    let ours = last(&example("estimator_speed", ["--write", name])?)?;
    let told = ["channels", "rate_hz", "frequency_hz", "harmonics"].map(|key| ours[key].to_string());
    let arguments: Vec<&str> = std::iter::once(name).chain(told.iter().map(String::as_str)).collect();
    let theirs = last(&python::run("estimator_speed.py", arguments)?.expect_status(0)?)?;
    let ratio = |key: &str, goal: f64, what: &str| -> Result<Figure> {
        let (best, other) = (number(&ours, "best_s")?, number(&theirs, key)?);
        Ok(figure(
            format!("time of the estimator as a share of {what} by numpy"),
            best / other,
            1.0 / goal,
            format!("best times {best:.2e} s and {other:.2e} s: {:.1} times as fast", other / best),
        ))
    };
    Ok([
        ratio("lstsq_s", 20.0, "a plain least-squares fit")?,
        ratio("fast_s", 4.0, "a fit that does as much")?,
    ])
}

/// End of the 99.9 % interval of a ratio of variances from so many trials: the upper end, or the lower one.
fn confidence_end(ratio: f64, trials: f64, form: Form) -> f64 {
    let freedom = trials - 1.0;
    ratio * freedom / chi_squared(freedom, if form.shown { -Z } else { Z })
}

/// Quantile of χ² with so many degrees of freedom at the probability of the normal quantile `z` (E. B. Wilson and M. M.
/// Hilferty, PNAS 17 (1931) 684).
fn chi_squared(freedom: f64, z: f64) -> f64 {
    let part = 2.0 / (9.0 * freedom);
    freedom * (1.0 - part + z * part.sqrt()).powi(3)
}

fn figure(what: String, value: f64, limit: f64, sample: String) -> Figure {
    Figure { what, value, limit, unit: "", sample, seeds: vec![1] }
}

/// The largest value and where it was; one that is no number is larger than any.
fn worst<'a>(cells: &[&'a Value], of: impl Fn(&Value) -> Result<f64>) -> Result<(f64, &'a Value)> {
    let mut worst: Option<(f64, &Value)> = None;
    for cell in cells {
        let value = of(cell)?;
        if worst.is_none_or(|(most, _)| value > most || value.is_nan()) {
            worst = Some((value, cell));
        }
    }
    worst.context("no cell can be judged")
}

fn number(value: &Value, key: &str) -> Result<f64> {
    value[key].as_f64().with_context(|| format!("{value} does not say {key}"))
}

fn lines(finished: &Finished) -> Result<Vec<Value>> {
    let parse = |line: &str| serde_json::from_str(line).with_context(|| format!("{line:?} is no JSON"));
    finished.stdout.lines().map(parse).collect()
}

fn last(finished: &Finished) -> Result<Value> {
    lines(finished)?.pop().with_context(|| format!("nothing was printed: {}", finished.stderr))
}

/// Runs an example of the calibration core in the profile of whoever asks.
fn example<const N: usize>(name: &str, options: [&str; N]) -> Result<Finished> {
    let profile = Built::here()?.profile;
    let run = ["run", "--quiet", "--profile", &profile, "-p", "calibration", "--example", name, "--"];
    cargo(run.into_iter().chain(options))?.expect_status(0).with_context(|| format!("example {name}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// Percentage points of χ² for 100 degrees of freedom: 61.918 at 0.1 %, 149.449 at 99.9 % (standard tables).
    #[test]
    fn chi_squared_as_in_tables() {
        assert!((chi_squared(100.0, -Z) / 61.918 - 1.0).abs() < 1e-3, "{}", chi_squared(100.0, -Z));
        assert!((chi_squared(100.0, Z) / 149.449 - 1.0).abs() < 1e-3, "{}", chi_squared(100.0, Z));
    }

    fn cell(trials: u32, var: f64, bias: f64) -> Value {
        json!({"snr_db": 40, "cycles": 10, "mains": false, "trials": trials, "var_ratio": var, "var_phase": 1.0,
               "bias_ratio": 0.0, "bias_phase": bias})
    }

    #[test]
    fn few_trials_can_not_show_that_the_limit_is_kept() {
        let met = |trials: u32, shown: bool, var: f64| {
            let cells = [cell(trials, 1.0, 0.0), cell(trials, var, 0.0)];
            scatter(&cells, Form { trials, shown }).unwrap().iter().all(Figure::met)
        };
        assert!(met(10_000, true, 1.02) && !met(10_000, true, 1.04));
        assert!(!met(200, true, 1.0) && met(200, false, 1.2) && !met(200, false, 1.5));
        let biased = |shown: bool, bias: f64| {
            let form = Form { trials: 400, shown };
            scatter(&[cell(400, 0.5, bias)], form).unwrap().iter().all(Figure::met)
        };
        // 3.09 / √400 = 0.155
        assert!(!biased(true, 0.11) && biased(false, -0.25) && !biased(false, -0.26));
    }

    #[test]
    fn bias_counts_with_either_sign_and_pink_noise_has_no_bound() {
        let form = Form { trials: 10_000, shown: true };
        let biased = [cell(10_000, 1.0, 0.0), cell(10_000, 1.0, -0.2)];
        assert!(!scatter(&biased, form).unwrap().iter().all(Figure::met));
        let mut pink = cell(10_000, 9.0, 0.0);
        pink["pink"] = json!(true);
        assert!(scatter(&[cell(10_000, 1.0, 0.0), pink.clone()], form).unwrap().iter().all(Figure::met));
        assert!(scatter(&[pink], form).is_err());
        let silent = json!({"snr_db": 40, "trials": 10_000});
        assert!(scatter(&[silent], form).is_err());
        assert!(scatter(&[json!({"left_out": "too short"})], form).is_err());
    }

    #[test]
    fn the_worst_coverage_counts() {
        let of = |values: &[f64], shown: bool| {
            let cells: Vec<Value> = values.iter().map(|v| json!({"coverage": v})).collect();
            coverage(&cells, Form { trials: 800, shown }).map(|figure| figure.met())
        };
        assert!(of(&[0.95, 0.941], true).unwrap() && !of(&[0.95, 0.93, 0.95], true).unwrap());
        // 3.09 · √(0.06 · 0.94 / 400) = 0.037
        assert!(of(&[0.904], false).unwrap() && !of(&[0.902], false).unwrap() && of(&[], true).is_err());
    }
}
