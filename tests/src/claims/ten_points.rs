//! Two jobs of ten points each, 0.5 Hz to 100 Hz on the long-stroke rig and 1 Hz to 500 Hz on the portable one, and their
//! dry runs as numbers. What is claimed of the pace and of the amplitudes is found out on these.
//!
//! Owns: the plans, and what the examples' files need beside to serve them. Must not judge anything.

use crate::bench::Bench;
use anyhow::{Context, Result, bail, ensure};
use plan_schema::resolve::ResolvedJob;
use serde_json::Value;
use std::fmt::Write as _;
use std::fs;

/// A job on one of the examples' rigs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TenPoints {
    /// Name of the job.
    pub name: &'static str,
    /// The job of the examples that it is made from: same rig, same sensors.
    like: &'static str,
    /// Frequencies in Hz and amplitudes.
    points: [(f64, &'static str); 10],
}

/// The two jobs.
pub const JOBS: [TenPoints; 2] = [
    TenPoints {
        name: "ten-long-stroke",
        like: "low-frequency",
        points: [
            (0.5, "0.05 g pk"),
            (1.0, "0.2 g pk"),
            (2.0, "0.6 g pk"),
            (4.0, "1 g pk"),
            (8.0, "1 g pk"),
            (16.0, "1 g pk"),
            (31.5, "1 g pk"),
            (63.0, "1 g pk"),
            (80.0, "1 g pk"),
            (100.0, "1 g pk"),
        ],
    },
    TenPoints {
        name: "ten-portable",
        like: "portable",
        points: [
            (1.0, "0.012 g pk"),
            (2.0, "0.04 g pk"),
            (4.0, "0.15 g pk"),
            (8.0, "0.4 g pk"),
            (16.0, "0.8 g pk"),
            (31.5, "1 g pk"),
            (80.0, "2 g pk"),
            (160.0, "2 g pk"),
            (315.0, "2 g pk"),
            (500.0, "2 g pk"),
        ],
    },
];

/// How far a real shaker may lie off its rig file, where the file does not say it: half-widths.
const SPREAD: &str = "
[simulation.spread]
amplifier_gain = \"3 %\"
moving_mass = \"1 %\"
stiffness = \"5 %\"
force_factor = \"2 %\"
coil_resistance = \"2 %\"
";

/// These amplitudes use the stroke as far as it goes, without room for the time that a stop takes. Nothing is compared here
/// but pace and accuracy, so somebody takes that on.
const WAIVER: &str = "
[waiver]
name = \"a comparison\"
reason = \"nobody stands beside a simulated rig\"
";

/// The last line of the portable reference's certificate, and one more that it needs to serve 500 Hz; invented as all of it.
const LAST_LINE: &str = "    { frequency = \"400 Hz\", sensitivity = \"50.08 mV/(m/s²)\", phase = \"-20.44 deg\", \
                         u = \"0.5 %\", u_phase = \"0.5 deg\" },\n";
const ONE_MORE: &str = "    { frequency = \"500 Hz\", sensitivity = \"50.05 mV/(m/s²)\", phase = \"-25.60 deg\", \
                        u = \"0.5 %\", u_phase = \"0.5 deg\" },\n";

impl TenPoints {
    /// Path of the job in a bench.
    #[must_use]
    pub fn path(&self) -> String {
        format!("examples/{}.toml", self.name)
    }

    /// Frequencies in Hz.
    #[must_use]
    pub fn frequencies(&self) -> [f64; 10] {
        self.points.map(|(frequency, _)| frequency)
    }

    /// The job with all its files.
    ///
    /// # Errors
    /// If it was not written, or can't be used.
    pub fn load(&self, bench: &Bench) -> Result<ResolvedJob> {
        match calwright::load::job(&bench.path(&self.path())) {
            Ok(loaded) => Ok(loaded.job),
            Err(error) => bail!("{} can't be used: {error}", self.name),
        }
    }

    fn write(&self, bench: &Bench) -> Result<()> {
        let mut plan = format!("format = 1\nname = \"{}\"\n", self.name);
        for (frequency, amplitude) in self.points {
            write!(plan, "\n[[point]]\nfrequency = \"{frequency} Hz\"\namplitude = \"{amplitude}\"\n")?;
        }
        new_job(bench, self.name, self.like, &plan)
    }
}

/// A bench with both jobs in it.
///
/// # Errors
/// Of the disk, or if the examples are not what they were.
pub fn bench() -> Result<Bench> {
    let bench = Bench::new()?;
    bench.replace("examples/registers/references.toml", LAST_LINE, &format!("{LAST_LINE}{ONE_MORE}"))?;
    JOBS.iter().try_for_each(|job| job.write(&bench))?;
    Ok(bench)
}

/// Writes a job like one of the examples' with another plan, and lets its rig lie off its file.
///
/// # Errors
/// Of the disk, or if the example is not what it was.
pub fn new_job(bench: &Bench, name: &str, like: &str, plan: &str) -> Result<()> {
    let read =
        |path: &str| fs::read_to_string(bench.path(path)).with_context(|| format!("{path} can't be read"));
    let job = read(&format!("examples/{like}.toml"))?;
    let of = |key: &str| {
        let line = job.lines().find_map(|line| line.strip_prefix(&format!("{key} = \"")));
        line.and_then(|l| l.split('"').next()).with_context(|| format!("{like}.toml names no {key}"))
    };
    let (old_plan, rig) = (of("plan")?, format!("examples/{}", of("rig")?));
    let new_plan = format!("plans/{name}.toml");
    fs::write(bench.path(&format!("examples/{new_plan}")), plan)?;
    let job = job.replacen(&format!("\"{old_plan}\""), &format!("\"{new_plan}\""), 1);
    fs::write(bench.path(&format!("examples/{name}.toml")), job)?;
    let text = read(&rig)?;
    let spread = if text.contains("[simulation.spread]") { "" } else { SPREAD };
    let waiver = if text.contains("[waiver]") { "" } else { WAIVER };
    fs::write(bench.path(&rig), format!("{text}{spread}{waiver}"))?;
    Ok(())
}

/// What a dry run left behind, without its waveforms.
#[derive(Debug, Clone, PartialEq)]
pub struct Ran {
    /// `result.json`.
    pub result: Value,
    /// `truth.json`.
    pub truth: Value,
}

/// A dry run to its end; a sensor that does not pass, or a rejected point, is no error.
///
/// # Errors
/// If the run ends otherwise.
pub fn dry_run(bench: &Bench, job: &str, seed: u64) -> Result<Ran> {
    let (out, text) = (format!("{}-{seed}", job.replace(['/', '.'], "-")), seed.to_string());
    let arguments = ["dry-run", job, "--no-certificates", "--seed", &text, "--out", &out];
    let finished = bench.run(&arguments)?;
    let ended = || format!("{job} with seed {seed}");
    if finished.status != Some(1) {
        finished.expect_status(0).with_context(ended)?;
    }
    let run = bench.run_dir(&out);
    let ran = Ran { result: run.json("result.json")?, truth: run.json("truth.json")? };
    ensure!(ran.result["outcome"] == "done", "{}: {}", ended(), ran.result["outcome"]);
    // Waveforms of hundreds of runs would fill a disk.
    fs::remove_dir_all(run.path()).with_context(ended)?;
    Ok(ran)
}

impl Ran {
    /// A number of `result.json`.
    ///
    /// # Errors
    /// If it is not there.
    pub fn number(&self, key: &str) -> Result<f64> {
        self.result[key].as_f64().with_context(|| format!("result.json does not say {key}"))
    }

    /// The points of the sensor that comes first, in the order of the plan.
    ///
    /// # Errors
    /// If there is no sensor.
    pub fn points(&self) -> Result<&[Value]> {
        self.sensors()?.first().copied().context("result.json has no sensor")
    }

    /// Points that were accepted for one sensor at least, and how many there are.
    ///
    /// # Errors
    /// If a list is missing.
    pub fn accepted(&self) -> Result<Vec<&Value>> {
        let sensors = self.sensors()?;
        let accepted = |n: usize| sensors.iter().filter_map(|p| p.get(n)).find(|p| p["status"] == "accepted");
        Ok((0..self.points()?.len()).filter_map(accepted).collect())
    }

    /// Length of each point's dwell in s, in the order of the plan; `None` where it was not measured.
    ///
    /// # Errors
    /// If a list is missing.
    pub fn dwells(&self) -> Result<Vec<Option<f64>>> {
        let dwell = |p: &Value| Some(p["cycles_measured"].as_f64()? / p["measured_frequency_hz"].as_f64()?);
        let sensors = self.sensors()?;
        let of = |n: usize| sensors.iter().filter_map(|points| points.get(n)).find_map(dwell);
        Ok((0..self.points()?.len()).map(of).collect())
    }

    fn sensors(&self) -> Result<Vec<&[Value]>> {
        let sensors = self.result["sensors"].as_array().context("result.json has no sensors")?;
        sensors.iter().map(|s| s["points"].as_array().map(Vec::as_slice).context("no points")).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_jobs_can_be_used() {
        let bench = bench().unwrap();
        for job in JOBS {
            let loaded = job.load(&bench).unwrap();
            let frequencies: Vec<f64> = loaded.points.iter().map(|p| p.frequency.si()).collect();
            assert_eq!(frequencies, job.frequencies());
        }
    }
}
