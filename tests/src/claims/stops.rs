//! Stops without any fault: how far the armature goes after each, at the worst phase, on every rig with both kinds of mute.
//!
//! Each point that `check` admits is run to its dwell on the simulated rig, and from there on the run is forked: at each of
//! 32 phases of a cycle it is stopped in each way, and the simulator tells what the armature did until it was at rest. Points
//! that are refused are left out and counted; `refused` forces one a rig.

mod refused;
mod variant;

use crate::bench::Bench;
use crate::figure::Figure;
use crate::shell::Shell;
use anyhow::{Context, Result, ensure};
use calibration::sequence::{Operator, Outcome, Setup, Target};
use plan_schema::rig::{Mute, SafeAction};
use plan_schema::units::{Mono, Seconds};
use std::fmt;
use std::sync::Mutex;
use variant::{Variant, no_faults};

pub use variant::jobs;

/// How much is tried.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Form {
    /// Phases of a cycle.
    pub phases: u32,
    /// Phases of the way up to a point, evenly over it; 0 for none.
    pub on_the_way: u32,
    /// Only the points from this frequency on, in Hz: a slow cycle takes long.
    pub from_hz: f64,
    /// Only so many jobs of the examples.
    pub jobs: usize,
}

impl Form {
    /// What is claimed.
    pub const FULL: Self = Self { phases: 32, on_the_way: 8, from_hz: 0.0, jobs: usize::MAX };
    /// A few of it.
    pub const SMALL: Self = Self { phases: 4, on_the_way: 1, from_hz: 9.0, jobs: 2 };
}

/// A stop of a run in which nothing is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Halt {
    /// `stop` from another terminal.
    Stop,
    /// Ctrl-C: the run winds down.
    Cancel,
    /// Ctrl-C again, halfway down.
    CancelTwice,
    /// The emergency stop is read as pressed.
    EmergencyStop,
    /// The daemon is killed: each driver sees its input end and makes its instrument safe by itself, both in the same moment.
    Killed,
    /// The same, the source's driver later by the time that its safe path may take.
    KilledMuteFirst,
    /// The same, the amplifier's driver later by the time that its safe path may take.
    KilledSourceFirst,
}

impl Halt {
    const ALL: [Self; 7] = [
        Self::Stop,
        Self::Cancel,
        Self::CancelTwice,
        Self::EmergencyStop,
        Self::Killed,
        Self::KilledMuteFirst,
        Self::KilledSourceFirst,
    ];

    const fn words(self) -> &'static str {
        match self {
            Self::Stop => "stop",
            Self::Cancel => "Ctrl-C",
            Self::CancelTwice => "Ctrl-C twice",
            Self::EmergencyStop => "emergency stop",
            Self::Killed => "killed daemon",
            Self::KilledMuteFirst => "killed daemon, amplifier first",
            Self::KilledSourceFirst => "killed daemon, source first",
        }
    }
}

/// What the armature did after a stop.
#[derive(Debug, Clone, PartialEq)]
struct After {
    halt: Halt,
    frequency: f64,
    /// Largest displacement as a share of the way to the stop, from when the point was begun.
    share: f64,
    hit: bool,
    /// From the halt to the last movement of drive or mute, in s; with the daemon killed, to the last command.
    safe_after: f64,
    /// How the run ended, if not as it was told to.
    otherwise: Option<String>,
}

/// Stops a fork of a run.
fn halt(at: &Shell, variant: &Variant, point: usize, halt: Halt) -> Result<After> {
    let mut shell = at.fork()?;
    let begun = shell.now();
    let ended = match halt {
        Halt::Stop => {
            shell.tell(Operator::Stop)?;
            Some(shell.finish()?)
        }
        Halt::Cancel => {
            shell.tell(Operator::Cancel)?;
            Some(shell.finish()?)
        }
        Halt::CancelTwice => {
            shell.tell(Operator::Cancel)?;
            shell.pass(variant.transition(point) * 0.5)?;
            shell.tell(Operator::Stop)?;
            Some(shell.finish()?)
        }
        Halt::EmergencyStop => {
            shell.press_emergency_stop()?;
            Some(shell.finish()?)
        }
        Halt::Killed => gone(&mut shell, [Target::Source, Target::Amplifier], Seconds::ZERO)?,
        Halt::KilledMuteFirst => {
            let later = variant.path(SafeAction::SourceOff);
            gone(&mut shell, [Target::Amplifier, Target::Source], later)?
        }
        Halt::KilledSourceFirst => {
            let later = variant.path(SafeAction::AmplifierMute);
            gone(&mut shell, [Target::Source, Target::Amplifier], later)?
        }
    };
    let right = if halt == Halt::EmergencyStop { Outcome::Tripped } else { Outcome::Cancelled };
    let frequency = variant.frequency(point);
    let otherwise = ended.filter(|ended| *ended != right).map(|ended| {
        let (name, word, at) = (variant.name(), halt.words(), begun.since(Mono(0)).si());
        format!("{name}, {frequency} Hz, {word} at {at:.6} s ended as {ended:?}: {}", shell.failures())
    });
    let safe_after = shell.now().since(begun).si();
    shell.run_out(variant.rest());
    let truth = shell.truth();
    ensure!(truth.muted && truth.final_drive.si() <= 0.0, "{} left the rig driven", halt.words());
    let displacement = truth.displacement_by_point.get(point).context("no such point")?.si();
    let share = displacement / variant.setup.job.rig.shaker.stop.si();
    Ok(After { halt, frequency, share, hit: truth.stop_hits > 0 || share >= 1.0, safe_after, otherwise })
}

/// Nobody feeds the drivers any longer: one makes its instrument safe at once, the other some time later.
fn gone(shell: &mut Shell, order: [Target; 2], later: Seconds) -> Result<Option<Outcome>> {
    let [first, second] = order;
    shell.goes_safe_by_itself(first)?;
    shell.idle(later)?;
    shell.goes_safe_by_itself(second)?;
    Ok(None)
}

/// Every stop of every point of a variant.
fn stops(variant: &Variant, form: Form, seed: u64) -> Result<Vec<After>> {
    let mut found = Vec::new();
    let mut base = Shell::new(variant.setup.clone(), seed, &no_faults(&variant.setup))?;
    let mut done = vec![(false, false); variant.setup.job.points.len()];
    while base.outcome().is_none() {
        let dwelling = base.dwelling().map(|(point, frequency)| (point, frequency.si()));
        if let Some((point, frequency)) = dwelling.filter(|(p, f)| !done[*p].1 && *f >= form.from_hz) {
            done[point].1 = true;
            let moments = moments(base.now(), 1.0 / frequency, form.phases);
            found.extend(from(&mut base, variant, point, &moments)?);
        }
        let leading = base.leading_up().map(|p| (p, variant.frequency(p)));
        if let Some((point, _)) = leading.filter(|(p, f)| !done[*p].0 && *f >= form.from_hz) {
            done[point].0 = true;
            let over = variant.transition(point).si() + variant.latency();
            let moments = moments(base.now(), over, form.on_the_way);
            found.extend(from(&mut base, variant, point, &moments)?);
        }
        base.block()?;
    }
    ensure!(base.outcome() == Some(Outcome::Done), "{} ended as {}", variant.name(), base.failures());
    Ok(found)
}

/// So many moments, evenly over a time from now on.
fn moments(now: Mono, over: f64, count: u32) -> Vec<Mono> {
    (1..=count).map(|n| now.after(Seconds::new(over * f64::from(n) / f64::from(count)))).collect()
}

/// Every stop at each of these moments.
fn from(base: &mut Shell, variant: &Variant, point: usize, moments: &[Mono]) -> Result<Vec<After>> {
    let mut found = Vec::new();
    let block = variant.setup.job.rig.acquisition.block;
    for moment in moments {
        while moment.since(base.now()) >= block {
            base.block()?;
        }
        let mut there = base.fork()?;
        there.pass(moment.since(there.now()))?;
        for one in Halt::ALL {
            found.push(halt(&there, variant, point, one)?);
        }
    }
    Ok(found)
}

/// What was found on one variant of a rig.
struct Tried {
    variant: String,
    points: usize,
    refused: usize,
    found: Vec<After>,
}

impl fmt::Display for Tried {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { variant, points, refused, found } = self;
        write!(f, "{variant}: {points} points admitted, {refused} refused, {} stops", found.len())?;
        let Some(worst) = found.iter().max_by(|a, b| a.share.total_cmp(&b.share)) else { return Ok(()) };
        let (percent, word) = (100.0 * worst.share, worst.halt.words());
        write!(f, "; farthest {percent:.1} % of the way to the stop ({word} at {} Hz)", worst.frequency)
    }
}

/// All stops of all variants, and a refused point forced on each rig.
///
/// # Errors
/// A run that ends otherwise than it was told to.
pub fn stops_of_all(form: Form, seed: u64) -> Result<Vec<Figure>> {
    let names = jobs()?;
    let mut variants = Vec::new();
    for name in names.iter().take(form.jobs) {
        for mute in [Mute::Shorts, Mute::Opens] {
            variants.push(Variant::of(name, mute)?);
        }
    }
    let tried = side_by_side(&variants, |variant| {
        let found = stops(variant, form, seed).with_context(|| variant.name())?;
        let (points, refused) = (variant.setup.job.points.len(), variant.refused);
        Ok(Tried { variant: variant.name(), points, refused, found })
    })?;
    let forced = refused::all(&names[..form.jobs.min(names.len())], seed)?;
    Ok([vec![as_the_station(seed)?], figures(&tried, seed), forced].concat())
}

/// Differences between what the armature did in a whole run in the shell of this claim, and in the program itself.
///
/// # Errors
/// If either does not end as it should.
pub fn as_the_station(seed: u64) -> Result<Figure> {
    const JOB: &str = "portable";
    let bench = Bench::new()?;
    let (file, number) = (format!("examples/{JOB}.toml"), seed.to_string());
    let said = bench.run(&["dry-run", &file, "--no-certificates", "--seed", &number, "--out", "run"])?;
    ensure!(said.status.is_some_and(|s| s <= 1), "the dry run failed: {}", said.stderr);
    let truth = bench.run_dir("run").json("truth.json")?;
    let there = truth["displacement_by_point_m_peak_max"].as_array().context("no displacements")?.clone();
    let setup = Setup::new(variant::job(JOB)?);
    let faults = no_faults(&setup);
    let mut shell = Shell::new(setup, seed, &faults)?;
    ensure!(shell.finish()? == Outcome::Done, "the run in the shell failed: {}", shell.failures());
    shell.run_out(Seconds::new(1.0));
    let here: Vec<_> = shell.truth().displacement_by_point.iter().map(|x| x.si()).collect();
    ensure!(here.len() == there.len(), "another number of points");
    let differ = here.iter().zip(&there).filter(|(a, b)| b.as_f64().map(f64::to_bits) != Some(a.to_bits()));
    Ok(Figure {
        what:
            "points at which the run in this claim differs from the program's in any bit of the displacement"
                .to_owned(),
        value: differ.count() as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{} points of {JOB}", here.len()),
        seeds: vec![seed],
    })
}

fn figures(tried: &[Tried], seed: u64) -> Vec<Figure> {
    let all = || tried.iter().flat_map(|t| t.found.iter());
    let lines: String = tried.iter().map(|t| format!("\n  {t}")).collect();
    let (points, refused) = tried.iter().fold((0, 0), |(p, r), t| (p + t.points, r + t.refused));
    let slowest = |of: Halt| all().filter(|a| a.halt == of).map(|a| a.safe_after).fold(0.0, f64::max);
    let times: String =
        Halt::ALL.into_iter().map(|h| format!("\n  {}: {:.3} s", h.words(), slowest(h))).collect();
    let figure = |what: &str, value: f64, limit: f64, unit: &'static str, sample: String| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit,
        sample,
        seeds: vec![seed],
    };
    let hits = all().filter(|a| a.hit).count() as f64;
    let count = all().count();
    let sample = format!(
        "{count} stops of {points} admitted points of {} rigs with either mute; {refused} refused points left out{lines}",
        tried.len()
    );
    let otherwise: Vec<&String> = all().filter_map(|a| a.otherwise.as_ref()).collect();
    let listed = otherwise.iter().take(12).fold(format!("{count} stops"), |s, one| format!("{s}\n  {one}"));
    let farthest = all().map(|a| a.share).fold(0.0, f64::max) * 100.0;
    vec![
        figure("stops of admitted points after which the armature touches a stop", hits, 0.0, "", sample),
        figure("stops that ended otherwise than told", otherwise.len() as f64, 0.0, "", listed),
        figure(
            "farthest that it goes, of the way to the stop",
            farthest,
            100.0,
            "%",
            format!("{count} stops"),
        ),
        figure(
            "longest time until a simulated rig is safe, of all ways to stop",
            all().map(|a| a.safe_after).fold(0.0, f64::max),
            f64::INFINITY,
            "s",
            format!("simulated time until the last instrument proved it or was told{times}"),
        ),
    ]
}

/// The same of each, on two threads; in the order in which they were given.
pub(super) fn side_by_side<A: Sync, B: Send>(
    of: &[A],
    work: impl Fn(&A) -> Result<B> + Sync,
) -> Result<Vec<B>> {
    let next = Mutex::new(0..of.len());
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(n) = next.lock().ok().and_then(|mut n| n.next()) else { return };
                    let result = work(&of[n]);
                    if let Ok(mut done) = done.lock() {
                        done.push((n, result));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().map_err(|_| anyhow::anyhow!("a thread failed"))?;
    ensure!(done.len() == of.len(), "a thread failed");
    done.sort_by_key(|(n, _)| *n);
    done.into_iter().map(|(_, result)| result).collect()
}
