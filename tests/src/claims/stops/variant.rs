//! A job of the examples with one or the other kind of mute, and only the points that `check` admits.

use crate::program::root;
use anyhow::{Context, Result};
use calibration::control::{Plant, foresee_all};
use calibration::sequence::Setup;
use calwright::load;
use plan_schema::faults::Faults;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{Mute, SafeAction};
use plan_schema::units::Seconds;
use std::f64::consts::TAU;

/// A rig with one kind of mute under its job, prepared.
#[derive(Debug, Clone)]
pub(super) struct Variant {
    pub(super) setup: Setup,
    /// Points that `check` refuses, left out.
    pub(super) refused: usize,
}

/// Names of the jobs of the examples.
///
/// # Errors
/// Of the disk.
pub fn jobs() -> Result<Vec<String>> {
    let folder = root().join("examples");
    let mut names = Vec::new();
    for entry in std::fs::read_dir(&folder).context("the examples can't be read")? {
        let path = entry?.path();
        if path.extension().is_some_and(|e| e == "toml") {
            names.push(path.file_stem().unwrap_or_default().to_string_lossy().into_owned());
        }
    }
    // The portable rig first: it is quick, and most can go wrong on it. Last what moves it just as that does.
    let again = |name: &str| ["channel-ratio", "substitution"].contains(&name);
    names.sort_by_key(|name| (name != "portable", again(name), name.clone()));
    Ok(names)
}

/// A job of the examples.
pub(super) fn job(name: &str) -> Result<ResolvedJob> {
    let path = root().join("examples").join(format!("{name}.toml"));
    Ok(load::job(&path).map_err(|e| anyhow::anyhow!("{e}"))?.job)
}

pub(super) fn no_faults(setup: &Setup) -> Faults {
    Faults { format: setup.job.plan.format, faults: Vec::new() }
}

impl Variant {
    pub(super) fn of(name: &str, mute: Mute) -> Result<Self> {
        let mut job = job(name)?;
        job.rig.amplifier.mute = mute;
        let forecasts = foresee_all(&job, &Plant::of(&job));
        let before = job.points.len();
        let mut admitted = forecasts.iter().map(|f| f.obstacles.is_empty());
        job.points.retain(|_| admitted.next().unwrap_or(false));
        Ok(Self { refused: before - job.points.len(), setup: Setup::new(job) })
    }

    pub(super) fn name(&self) -> String {
        let rig = &self.setup.job.rig;
        let mute = match rig.amplifier.mute {
            Mute::Shorts => "shorts",
            Mute::Opens => "opens",
        };
        format!("{}, mute {mute}", rig.name)
    }

    pub(super) fn frequency(&self, point: usize) -> f64 {
        self.setup.job.points.get(point).map_or(f64::NAN, |p| p.frequency.si())
    }

    /// Time of a whole transition at a point.
    pub(super) fn transition(&self, point: usize) -> Seconds {
        let frequency = self.setup.job.points.get(point).map(|p| p.frequency);
        frequency.map_or(Seconds::ZERO, |f| self.setup.plant.transition(f))
    }

    /// The source's latency as its rig file declares it, in s.
    pub(super) fn latency(&self) -> f64 {
        let rig = &self.setup.job.rig;
        let name = rig.roles.source.split('.').next().unwrap_or_default();
        rig.instruments.iter().find(|i| i.name == name).map_or(0.0, |i| i.latency.si())
    }

    /// Declared time of a safe path.
    pub(super) fn path(&self, action: SafeAction) -> Seconds {
        let paths = &self.setup.job.rig.safe_paths;
        paths.iter().find(|p| p.action == action).map_or(Seconds::ZERO, |p| p.time)
    }

    /// After this time whatever is thrown has come to its farthest: a period of the suspension, a second at least.
    pub(super) fn rest(&self) -> Seconds {
        let job = &self.setup.job;
        let mass = job.rig.shaker.moving_mass.si() + job.payload().si();
        Seconds::new((TAU * (mass / job.rig.shaker.stiffness.si()).sqrt()).max(1.0))
    }
}
