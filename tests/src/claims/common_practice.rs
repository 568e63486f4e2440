//! Common practice on a portable rig (no source): six amplitudes at which portable shakers of 10 mm peak-to-peak are checked.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::program::root;
use anyhow::{Context, Result, ensure};
use calibration::control::{Forecast, Plant, foresee, foresee_all};
use calwright::load;
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::units::{Accel, STANDARD_GRAVITY};
use std::f64::consts::TAU;

/// The job of the examples.
const JOB: &str = "examples/common-practice.toml";

/// Frequency in Hz, amplitude in g pk, and the displacement in mm pk, x = a/(2πf)²: elementary, by hand.
const POINTS: [(f64, f64, f64); 6] = [
    (100.0, 1.0, 0.0248),
    (50.0, 1.0, 0.0994),
    (10.0, 1.0, 2.48),
    (5.0, 0.5, 4.97),
    (3.0, 0.15, 4.14),
    (1.0, 0.02, 4.97),
];

/// What the six points and 1 g at 5 Hz come to.
///
/// # Errors
/// An example that is another than this claim is about, or a run that can't be looked at.
pub fn six_points(seeds: &[u64]) -> Result<Vec<Figure>> {
    let job = load::job(&root().join(JOB)).map_err(|e| anyhow::anyhow!("{e}"))?.job;
    ensure!(job.points.len() == POINTS.len(), "{JOB} has another number of points");
    let plant = Plant::of(&job);
    let forecasts = foresee_all(&job, &plant);
    let mut figures = vec![displacements(&job, &forecasts)?, refused(&job, &forecasts), one_g(&job, &plant)?];
    if forecasts.iter().all(|f| f.obstacles.is_empty()) {
        figures.push(runs(&job, seeds)?);
    }
    Ok(figures)
}

fn figure(what: &str, value: f64, limit: f64, unit: &'static str, sample: String) -> Figure {
    Figure { what: what.to_owned(), value, limit, unit, sample, seeds: vec![] }
}

/// Displacements against those by hand, and all within the rated stroke.
fn displacements(job: &ResolvedJob, forecasts: &[Forecast]) -> Result<Figure> {
    let mut farthest = 0.0f64;
    for ((point, forecast), (frequency, amplitude, by_hand)) in job.points.iter().zip(forecasts).zip(POINTS) {
        let target = amplitude * STANDARD_GRAVITY;
        let right =
            (point.frequency.si() - frequency).abs() < 1e-9 && (point.target.si() - target).abs() < 1e-9;
        ensure!(right, "{} at {} is another point", point.target, point.frequency);
        ensure!(
            forecast.displacement <= job.rig.shaker.rated_stroke,
            "{frequency} Hz goes beyond the rated stroke"
        );
        let exact = target / (TAU * frequency).powi(2) * 1e3;
        ensure!((by_hand / exact - 1.0).abs() < 3e-3, "{by_hand} mm is not what {frequency} Hz comes to");
        farthest = farthest.max((forecast.displacement.si() * 1e3 / exact - 1.0).abs() * 100.0);
    }
    let sample =
        "six points, all within the rated stroke; 2.48 mm pk at 10 Hz, 4.97 mm pk at 5 Hz".to_owned();
    Ok(figure("displacements against x = a/(2πf)²", farthest, 0.001, "%", sample))
}

/// Points that are refused; for each what its coast and its reserve are.
fn refused(job: &ResolvedJob, forecasts: &[Forecast]) -> Figure {
    let line = |(point, forecast): (&ResolvedPoint, &Forecast)| {
        let coast =
            forecast.hazards.coasts.iter().map(|c| c.displacement.si() * 1e3).fold(f64::NAN, f64::max);
        let reserves = forecast.hazards.reserves.iter().filter_map(|r| r.reserve);
        let reserve = reserves.map(|r| r.si() * 1e3).reduce(f64::min);
        let reserve = reserve.map_or("any reaction is in time".to_owned(), |r| format!("reserve {r:.1} ms"));
        let verdict = match forecast.largest {
            None => "admitted".to_owned(),
            Some(largest) => format!("REFUSED, at most {:.3} g pk", largest.si() / STANDARD_GRAVITY),
        };
        format!(
            "\n  {:.3} g pk at {} Hz: coast {coast:.2} mm, {reserve}: {verdict}",
            point.target.si() / STANDARD_GRAVITY,
            point.frequency.si()
        )
    };
    let lines: String = job.points.iter().zip(forecasts).map(line).collect();
    let count = forecasts.iter().filter(|f| !f.obstacles.is_empty()).count();
    let sample = format!("six points on a rig that answers within 5 ms, its mute shorting the coil{lines}");
    figure("points of the six that are refused", count as f64, 0.0, "", sample)
}

/// 1 g at 5 Hz is refused, and what is named instead is admitted.
fn one_g(job: &ResolvedJob, plant: &Plant) -> Result<Figure> {
    let at_five =
        job.points.iter().find(|p| (p.frequency.si() - 5.0).abs() < 1e-9).context("no point at 5 Hz")?;
    let point = ResolvedPoint { target: Accel::new(STANDARD_GRAVITY), ..at_five.clone() };
    let found = foresee(job, plant, &point);
    let largest = found.largest.context("1 g at 5 Hz is not refused")?;
    let again = foresee(job, plant, &ResolvedPoint { target: largest, ..point });
    ensure!(again.obstacles.is_empty(), "what is named as the largest is refused: {:?}", again.obstacles);
    let message = found.obstacles.first().map_or("", |o| o.message.as_str()).to_owned();
    let sample = format!(
        "refused: {message}; largest named {:.3} g pk, which is admitted",
        largest.si() / STANDARD_GRAVITY
    );
    // Half the stroke's 0.503 g at least has to be left.
    let share = largest.displacement_at(point.frequency) / job.rig.shaker.rated_stroke;
    Ok(figure("1 g pk at 5 Hz: largest amplitude named, of the rated stroke", share, 1.0 + 1e-9, "", sample))
}

/// Dry runs that do not end as done, or touch a stop.
fn runs(job: &ResolvedJob, seeds: &[u64]) -> Result<Figure> {
    let (mut wrong, mut lines) = (0, String::new());
    for seed in seeds {
        let bench = Bench::new()?;
        let seed = seed.to_string();
        let said = bench.run(&["dry-run", JOB, "--no-certificates", "--seed", &seed, "--out", "run"])?;
        let (result, truth) =
            (bench.run_dir("run").json("result.json"), bench.run_dir("run").json("truth.json"));
        let (Ok(result), Ok(truth)) = (result, truth) else {
            wrong += 1;
            lines += &format!("\n  seed {seed}: {}", said.stderr);
            continue;
        };
        let farthest = truth["displacement_m_peak_max"].as_f64().context("no displacement")? * 1e3;
        let good = result["outcome"] == "done"
            && truth["stop_hits"] == 0
            && farthest < job.rig.shaker.stop.si() * 1e3;
        wrong += u32::from(!good);
        lines += &format!("\n  seed {seed}: outcome {}, farthest {farthest:.2} mm", result["outcome"]);
    }
    let sample = format!("{} dry runs{lines}", seeds.len());
    let what = "dry runs of the six points that are not done or touch a stop";
    Ok(Figure { seeds: seeds.to_vec(), ..figure(what, f64::from(wrong), 0.0, "", sample) })
}
