//! Claims about time: how much a run takes beside its dwells, also against the conventional loop, and whether waits are
//! as foreseen.
//!
//! Overhead is the time of the rig without accepted dwells and without waits that were foreseen and are no matter of
//! control (temperature, quiet parts, first motion, closing point, decays that a register declares).

use super::conventional::{self, Conventional};
use super::ten_points::{self, JOBS, Ran, TenPoints, dry_run};
use crate::bench::Bench;
use crate::figure::Figure;
use anyhow::{Context, Result, ensure};
use plan_schema::units::Seconds;
use std::collections::BTreeMap;

/// Largest relative difference between foreseen and real waits.
const WAIT_LIMIT: f64 = 0.10;

/// Largest ratio of our overhead to the conventional one.
const RATIO_LIMIT: f64 = 1.0 / 3.0;

/// The example whose sensor is waited for.
const NIGHT: &str = "examples/portable-night.toml";

/// The 27 frequencies in Hz of the key comparison CCAUV.V-K3 (KCDB, comparison 1123; final report: Metrologia 54 (2017)
/// 1A 09001).
const KEY_COMPARISON: [f64; 27] = [
    0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3,
    8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0,
];

/// Times of a run in s.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Times {
    rig: f64,
    measured: f64,
    waited: f64,
    foreseen: f64,
}

impl Times {
    /// As the run says them; what it says of its dwells is added up again.
    fn of(ran: &Ran) -> Result<Self> {
        let times = Self {
            rig: ran.number("rig_s")?,
            measured: ran.number("measured_s")?,
            waited: ran.number("waited_s")?,
            foreseen: ran.number("foreseen_wait_s")?,
        };
        let dwell = |p: &&serde_json::Value| {
            let cycles = p["cycles_measured"].as_f64().context("an accepted point without cycles")?;
            Ok(cycles / p["measured_frequency_hz"].as_f64().context("an accepted point without frequency")?)
        };
        let accepted: f64 = ran.accepted()?.iter().map(dwell).sum::<Result<f64>>()?;
        // A dwell is cut in whole samples, so it may be longer by one.
        ensure!(
            times.measured <= accepted * 1.001,
            "measured_s is {}, accepted dwells are {accepted} s",
            times.measured
        );
        ensure!(times.overhead() > 0.0, "{times:?} leaves no overhead");
        Ok(times)
    }

    fn overhead(&self) -> f64 {
        self.rig - self.measured - self.waited
    }

    /// Difference between foreseen and real waits as a share of the real ones; every run waits for its quiet parts.
    fn surprise(&self) -> f64 {
        if self.waited > 0.0 { (self.foreseen - self.waited).abs() / self.waited } else { f64::INFINITY }
    }
}

/// Three cycles and a second for each point.
fn overhead_limit(frequencies: &[f64]) -> f64 {
    frequencies.iter().map(|f| 3.0 / f + 1.0).sum()
}

/// Overheads of both jobs as shares of their limits, and the largest difference between foreseen and real waits.
///
/// # Errors
/// If a run does not end, or does not say its times.
pub fn overhead(seeds: &[u64]) -> Result<Vec<Figure>> {
    let bench = ten_points::bench()?;
    let (mut figures, mut surprises) = (Vec::new(), BTreeMap::new());
    for job in JOBS {
        let limit = overhead_limit(&job.frequencies());
        let mut shares = Vec::new();
        let mut rejected = 0;
        for seed in seeds {
            let ran = dry_run(&bench, &job.path(), *seed)?;
            let times = Times::of(&ran)?;
            rejected += job.frequencies().len() - ran.accepted()?.len();
            shares.push(times.overhead() / limit);
            surprise(&mut surprises, job.name, &times);
        }
        let sample = format!(
            "{} runs of {}, {limit:.1} s = Σ(3/f + 1 s); {rejected} points rejected",
            seeds.len(),
            job.name
        );
        let share = |what: &str, value: f64| Figure {
            what: format!("{what} overhead of {} as a share of what is allowed", job.name),
            value,
            limit: 1.0,
            unit: "",
            sample: sample.clone(),
            seeds: seeds.to_vec(),
        };
        figures.push(share("median", median(&mut shares)));
        figures.push(share("worst", largest(&shares)));
    }
    let first = seeds.first().copied().unwrap_or(1);
    surprise(&mut surprises, NIGHT, &Times::of(&dry_run(&bench, NIGHT, first)?)?);
    figures.push(waits(&surprises, seeds));
    Ok(figures)
}

/// Keeps the largest difference of a job.
fn surprise<'a>(worst: &mut BTreeMap<&'a str, Times>, name: &'a str, times: &Times) {
    let kept = worst.entry(name).or_insert(*times);
    if times.surprise() > kept.surprise() {
        *kept = *times;
    }
}

fn waits(worst: &BTreeMap<&str, Times>, seeds: &[u64]) -> Figure {
    let each = worst
        .iter()
        .map(|(name, t)| format!("\n  {name}: {:.2} s foreseen, {:.2} s waited", t.foreseen, t.waited));
    let surprises: Vec<f64> = worst.values().map(Times::surprise).collect();
    Figure {
        what: "largest difference between foreseen and real waits, as a share of the real ones".to_owned(),
        value: largest(&surprises),
        limit: WAIT_LIMIT,
        unit: "",
        sample: format!("{} jobs, the worst run of each:{}", worst.len(), each.collect::<String>()),
        seeds: seeds.to_vec(),
    }
}

/// Overheads of both jobs as shares of the conventional loop's on the same rigs with the same seeds and dwells.
///
/// # Errors
/// If a run does not end, or the conventional loop does not reach every point: then nothing can be compared.
pub fn against_conventional(seeds: &[u64]) -> Result<Vec<Figure>> {
    let bench = ten_points::bench()?;
    let mut figures = Vec::new();
    for job in JOBS {
        figures.extend(compared(&bench, &job, seeds)?);
    }
    Ok(figures)
}

fn compared(bench: &Bench, job: &TenPoints, seeds: &[u64]) -> Result<[Figure; 2]> {
    let resolved = job.load(bench)?;
    let planned = conventional::dwells(&resolved);
    let (mut ratios, mut totals) = (Vec::new(), Vec::new());
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    let mut gains: BTreeMap<String, usize> = BTreeMap::new();
    for seed in seeds {
        let ran = dry_run(bench, &job.path(), *seed)?;
        let times = Times::of(&ran)?;
        let own = ran.dwells()?.into_iter().zip(&planned);
        let dwells: Vec<Seconds> = own.map(|(own, plan)| own.map_or(*plan, Seconds::new)).collect();
        let other: Conventional = conventional::best(&resolved, *seed, &dwells)?;
        let (reached, all) = (other.reached(), resolved.points.len());
        ensure!(reached == all && other.stop_hits == 0, "seed {seed}: it reached {reached} points of {all}");
        *gains.entry(format!("{:.1}", other.gain)).or_default() += 1;
        ratios.push(times.overhead() / other.overhead().si());
        totals.push((times.rig - times.waited) / (other.overhead() + other.measured()).si());
        ours.push(times.overhead());
        theirs.push(other.overhead().si());
    }
    let sample = format!(
        "{} runs of {}; median overheads {:.1} s and {:.1} s, median ratio {:.3}; best gains of {:?} by their \
         number of runs: {gains:?}",
        seeds.len(),
        job.name,
        median(&mut ours),
        median(&mut theirs),
        median(&mut ratios.clone()),
        conventional::GAINS
    );
    let figure = |what: &str, value: f64, limit: f64| Figure {
        what: format!("largest {what} of {} to the conventional loop's", job.name),
        value,
        limit,
        unit: "",
        sample: sample.clone(),
        seeds: seeds.to_vec(),
    };
    Ok([
        figure("ratio of the overhead", largest(&ratios), RATIO_LIMIT),
        figure("ratio of the whole time (dwells in, foreseen waits out)", largest(&totals), f64::INFINITY),
    ])
}

/// Time that the frequencies of a key comparison take on the long-stroke rig; printed only.
///
/// # Errors
/// If the run does not end.
pub fn key_comparison() -> Result<Figure> {
    let bench = Bench::new()?;
    let mut plan = "format = 1\nname = \"Key comparison\"\nsettle_limit = \"600 s\"\n".to_owned();
    for frequency in KEY_COMPARISON {
        // 50 mm of stroke are 0.8 g at 2 Hz.
        let amplitude = if frequency <= 2.0 { "50 mm pk" } else { "1 g pk" };
        plan.push_str(&format!("\n[[point]]\nfrequency = \"{frequency} Hz\"\namplitude = \"{amplitude}\"\n"));
    }
    ten_points::new_job(&bench, "key-comparison", "low-frequency", &plan)?;
    let ran = dry_run(&bench, "examples/key-comparison.toml", 1)?;
    let times = Times::of(&ran)?;
    let cycle: f64 = KEY_COMPARISON.iter().map(|f| 1.0 / f).sum();
    Ok(Figure {
        what: "time of the rig for the 27 frequencies of CCAUV.V-K3 (KCDB comparison 1123)".to_owned(),
        value: times.rig,
        limit: f64::INFINITY,
        unit: "s",
        sample: format!(
            "one run, {} points accepted; one cycle each takes {cycle:.1} s. Measured {:.1} s, waited {:.1} s, \
             overhead {:.1} s of {:.1} s = Σ(3/f + 1 s)",
            ran.accepted()?.len(),
            times.measured,
            times.waited,
            times.overhead(),
            overhead_limit(&KEY_COMPARISON)
        ),
        seeds: vec![1],
    })
}

/// The largest; of none, or with one that is no number among them, it is no number.
fn largest(values: &[f64]) -> f64 {
    let larger = |a: f64, b: f64| if a.is_nan() || b.is_nan() { f64::NAN } else { a.max(b) };
    values.iter().copied().reduce(larger).unwrap_or(f64::NAN)
}

/// The middle one, the upper of two; of none it is no number.
fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One cycle of each takes 48.53 s, added up elsewhere.
    #[test]
    fn one_cycle_of_each_frequency() {
        let cycle: f64 = KEY_COMPARISON.iter().map(|f| 1.0 / f).sum();
        assert!((cycle - 48.53).abs() < 0.01, "{cycle}");
    }

    fn ran(times: [f64; 4]) -> Ran {
        let point = |status: &str| serde_json::json!({"status": status, "cycles_measured": 10.0, "measured_frequency_hz": 5.0});
        let [rig, measured, waited, foreseen] = times;
        Ran {
            result: serde_json::json!({
                "rig_s": rig, "measured_s": measured, "waited_s": waited, "foreseen_wait_s": foreseen,
                "sensors": [
                    {"points": [point("accepted"), point("rejected"), point("rejected")]},
                    {"points": [point("rejected"), point("accepted"), point("rejected")]},
                ],
            }),
            truth: serde_json::Value::Null,
        }
    }

    /// Two of three points are accepted for a sensor, 2 s each.
    #[test]
    fn overhead_is_what_neither_measures_nor_waits() {
        let times = Times::of(&ran([12.0, 4.0, 5.0, 5.5])).unwrap();
        assert!((times.overhead() - 3.0).abs() < 1e-12 && (times.surprise() - 0.1).abs() < 1e-12);
        assert!(Times::of(&ran([12.0, 6.0, 5.0, 5.0])).is_err(), "a rejected dwell counts as measured");
        assert!(Times::of(&ran([9.0, 4.0, 5.0, 5.0])).is_err());
        assert!((overhead_limit(&[0.5, 100.0]) - 8.03).abs() < 1e-12);
    }

    #[test]
    fn what_is_no_number_or_never_waited_is_the_worst() {
        assert!(
            largest(&[]).is_nan() && largest(&[1.0, f64::NAN, 2.0]).is_nan() && largest(&[1.0, 3.0]) > 2.9
        );
        assert!((median(&mut [3.0, 1.0, 2.0]) - 2.0).abs() < 1e-12 && median(&mut []).is_nan());
        let mut worst = BTreeMap::new();
        let good = Times { rig: 9.0, measured: 1.0, waited: 2.0, foreseen: 2.0 };
        for times in [good, Times { waited: 0.0, foreseen: 0.0, ..good }, good] {
            surprise(&mut worst, "x", &times);
        }
        assert!(!waits(&worst, &[1]).met());
    }
}
