//! Claim about time: how long `check` takes for a plan of 200 points with 16 sensors.
//!
//! The whole program is timed, from its start to its last line: that is what a person waits for. The rig and the
//! registers are the examples', with more of the same sensors and channels; the plans are the two hardest: every point is
//! refused, and every point is as large as the rig allows.

use crate::bench::Bench;
use crate::figure::Figure;
use crate::many;
use anyhow::{Context, Result, ensure};
use std::fmt::Write;
use std::fs;
use std::time::Instant;

const SENSORS: usize = 16;
const POINTS: usize = 200;

/// Longest time of `check`, in s.
const LIMIT: f64 = 0.1;

/// Highest frequency and amplitude of a plan, what it is, and the exit status that `check` has to end with.
type Plan = (&'static str, &'static str, &'static str, i32);

const PLANS: [Plan; 3] = [
    ("90 Hz", "amplitude = \"20 mm/s pk\"", "every point admitted", 0),
    ("90 Hz", "amplitude = \"largest\"\nat_most = \"1 g pk\"", "every point as large as may be", 0),
    // Up to where the sensors take it: it is for what may happen that it is refused.
    ("20 Hz", "amplitude = \"0.3 m/s pk\"", "every point refused", 2),
];

/// The median time of `check` over `runs` of each plan, the slowest plan counting; each of them in the sample.
///
/// # Errors
/// If a plan is not what it should be.
#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
pub fn speed(runs: usize) -> Result<Figure> {
    let mut slowest: f64 = 0.0;
    let mut sample = format!("{POINTS} points, {SENSORS} sensors, median of {runs} runs");
    for (to, amplitude, what, status) in PLANS {
        let bench = Bench::new()?;
        let series = format!(
            "from = \"2 Hz\"\nto = \"{to}\"\nspacing = \"logarithmic\"\ncount = {POINTS}\n{amplitude}"
        );
        let job = many(&bench, &series, SENSORS)?;
        let mut times = Vec::new();
        for _ in 0..runs {
            let begun = Instant::now();
            let said = bench.run(&["check", &job])?;
            times.push(begun.elapsed().as_secs_f64());
            let said = said.expect_status(status)?;
            let rows =
                said.stdout.lines().filter(|l| l.contains("Hz") && (l.ends_with("yes") || l.ends_with("NO")));
            let rows = rows.count();
            ensure!(rows == POINTS, "{what}: the table has {rows} points");
        }
        times.sort_by(f64::total_cmp);
        let median = *times.get(times.len() / 2).context("no runs")?;
        write!(sample, "; {what} {:.0} ms", median * 1e3)?;
        slowest = slowest.max(median);
    }
    Ok(Figure {
        what: format!("time of `check`, {:.2} of its limit", slowest / LIMIT),
        value: slowest,
        limit: LIMIT,
        unit: "s",
        sample,
        seeds: vec![],
    })
}

/// Writes a job of many sensors on the portable rig, with a plan of this series of points.
pub(super) fn many(bench: &Bench, series: &str, sensors: usize) -> Result<String> {
    let read = |name: &str| fs::read_to_string(bench.path(name)).with_context(|| name.to_owned());
    let put = |name: &str, text: &str| fs::write(bench.path(name), text).with_context(|| name.to_owned());
    let mut rig = String::new();
    // Channels stand one after another; the rest of the file keeps its order.
    let text = read("examples/rigs/portable.toml")?;
    let (before, after) =
        text.split_once("[[channel]]\nname = \"s1\"").context("the rig has no channel s1")?;
    let rest = after.split_once("# In voltage mode").context("the rig's paths are not where they were")?.1;
    rig.push_str(before);
    let count = sensors;
    for n in 1..=count {
        write!(rig, "[[channel]]\nname = \"s{n}\"\ninput = {n}\nrange = \"5 V pk\"\n\n")?;
    }
    write!(rig, "# In voltage mode{rest}")?;
    put("examples/rigs/many.toml", &rig)?;

    let sensors = read("examples/registers/sensors.toml")?;
    let (register, mounted) = many::sensors(&sensors, "MANY", count)?;
    let mut job = read("examples/portable.toml")?
        .split("[[mounted]]")
        .next()
        .context("a job has a head")?
        .replace("plans/portable.toml", "plans/many.toml")
        .replace("rigs/portable.toml", "rigs/many.toml")
        .replace("registers/sensors.toml", "registers/many.toml");
    job.push_str(&mounted);
    put("examples/registers/many.toml", &register)?;
    put(
        "examples/plans/many.toml",
        &format!("format = 1\nname = \"Many\"\ntolerance = \"5 %\"\n\n[[series]]\n{series}\n"),
    )?;
    put("examples/many.toml", &job)?;
    Ok("examples/many.toml".to_owned())
}
