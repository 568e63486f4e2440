//! Claims about results: how large the uncertainties of the example plan are beside those that were foreseen, and how long it
//! takes to derive a run again and to set its certificate.

use super::check_speed::many;
use super::pages;
use crate::bench::Bench;
use crate::figure::Figure;
use crate::program::{path_of_calwright, root};
use crate::quick;
use anyhow::{Result, anyhow, ensure};
use calibration::evaluate::foreseen;
use calibration::sequence::Setup;
use calwright::certificate::{Limits, Program, render_with};
use calwright::record::assemble::circumstances;
use calwright::record::words::PointStatus;
use plan_schema::faults::Faults;
use std::fmt::Write as _;
use std::time::Instant;

/// Largest expanded uncertainty of a magnitude in %, from this frequency in Hz on.
const U_MOST: [(f64, f64); 3] = [(10.0, 1.0), (1.0, 1.5), (0.5, 2.0)];
/// Largest expanded uncertainty of a phase, in degrees.
const U_PHASE_MOST: f64 = 1.0;
/// How far a foreseen uncertainty may lie from the achieved one.
const FORESEEN_WITHIN: f64 = 0.2;

/// Uncertainties of the example plan as shares of their limits, and foreseen against achieved ones.
///
/// # Errors
/// If a run does not come to its end, or a point of it has no result.
pub fn uncertainties(seeds: &[u64]) -> Result<Vec<Figure>> {
    let job =
        calwright::load::job(&root().join("examples/low-frequency.toml")).map_err(|e| anyhow!("{e}"))?.job;
    let setup = Setup::new(job);
    let now = circumstances(&setup, "2000-01-01T00:00:00Z".parse()?);
    let faults = Faults { format: setup.job.plan.format, faults: Vec::new() };
    let (mut magnitude, mut phase, mut off, mut cells): (f64, f64, f64, usize) = (0.0, 0.0, 0.0, 0);
    let mut by_point: Vec<(f64, f64, f64)> = Vec::new();
    for &seed in seeds {
        let folder = tempfile::tempdir()?;
        let ran = quick::run(&setup, seed, &faults, folder.path())?;
        ensure!(ran.is_done(), "the run with seed {seed} did not come to its end");
        for (n, sensor) in ran.result.sensors.iter().enumerate() {
            for (number, point) in sensor.points.iter().enumerate() {
                if point.status == PointStatus::Skipped {
                    continue;
                }
                let what =
                    || format!("seed {seed}, {}, {} Hz has no result", sensor.serial, point.frequency_hz);
                let (u, u_phase) =
                    point.u_rel_percent.zip(point.u_phase_deg).ok_or_else(|| anyhow!(what()))?;
                ensure!(point.status == PointStatus::Accepted, what());
                let most = U_MOST.iter().find(|(from, _)| point.frequency_hz >= *from);
                let (_, most) =
                    most.ok_or_else(|| anyhow!("no limit is claimed at {} Hz", point.frequency_hz))?;
                let ahead = foreseen(&setup, n, number, &now)?.ok_or_else(|| anyhow!(what()))?;
                let ahead = ahead.budget.combined().expanded * 100.0;
                magnitude = magnitude.max(u / most);
                phase = phase.max(u_phase / U_PHASE_MOST);
                off = off.max((ahead / u - 1.0).abs());
                cells += 1;
                match by_point.get_mut(number) {
                    Some(worst) => *worst = (worst.0, worst.1.max(u), worst.2.max(u_phase)),
                    None => by_point.push((point.frequency_hz, u, u_phase)),
                }
            }
        }
    }
    let mut sample = format!("{cells} results; largest U by point:");
    for (frequency, u, u_phase) in &by_point {
        write!(sample, " {frequency} Hz {u:.3} % {u_phase:.3}°;")?;
    }
    let figure = |what: &str, value: f64, limit: f64| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit: "",
        sample: sample.clone(),
        seeds: seeds.to_vec(),
    };
    Ok(vec![
        figure(
            "U of a magnitude over what is claimed (1.0 % from 10 Hz, 1.5 % from 1 Hz, 2 % at 0.5 Hz)",
            magnitude,
            1.0,
        ),
        figure("U of a phase over 1°", phase, 1.0),
        figure("foreseen U over achieved U, farthest from 1", off, FORESEEN_WITHIN),
    ])
}

/// Time to set a certificate of 31 points, and to derive a run of 30 points and 8 channels again.
///
/// # Errors
/// If a run, a certificate or the derivation fails.
#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
pub fn speed(runs: usize) -> Result<Vec<Figure>> {
    let program = Program { path: path_of_calwright()?.to_owned(), arguments: vec!["render".into()] };
    let request = pages::thirty_one()?;
    let folder = tempfile::tempdir()?;
    let mut slowest: f64 = 0.0;
    for _ in 0..runs {
        let begun = Instant::now();
        render_with(&program, std::slice::from_ref(&request), folder.path(), &Limits::default())
            .map_err(|e| anyhow!("{e}"))?;
        slowest = slowest.max(begun.elapsed().as_secs_f64());
    }
    let bench = Bench::new()?;
    let series =
        "from = \"2 Hz\"\nto = \"90 Hz\"\nspacing = \"logarithmic\"\ncount = 30\namplitude = \"20 mm/s pk\"";
    // Seven sensors and the reference.
    let job = many(&bench, series, 7)?;
    bench.run(&["dry-run", &job, "--seed", "1", "--out", "run", "--no-certificates"])?;
    let run = bench.run_dir("run");
    let dwells = run.entries("point")?.len();
    ensure!(dwells >= 30, "the run has {dwells} dwells");
    let begun = Instant::now();
    let said = bench.run(&["recompute", "run"])?.expect_status(0)?;
    let derived = begun.elapsed().as_secs_f64();
    ensure!(said.stdout.contains("to the bit"), "{}", said.stdout);
    let bytes: usize = run.files()?.values().map(Vec::len).sum();
    Ok(vec![
        Figure {
            what: "time of a certificate of 31 points, budgets printed, its process started anew".to_owned(),
            value: slowest,
            limit: 1.0,
            unit: "s",
            sample: format!("the slowest of {runs}"),
            seeds: vec![1],
        },
        Figure {
            what: "time to derive a run of 30 points and 8 channels again".to_owned(),
            value: derived,
            limit: f64::INFINITY,
            unit: "s",
            sample: format!("{dwells} dwells, {:.1} MB in the run directory", bytes as f64 / 1e6),
            seeds: vec![1],
        },
    ])
}
