//! The observer's bound against the truth: every sample of runs on all example rigs, with faults of all kinds and sizes.
//!
//! A case is one point of an example's plan, with a fault drawn by its seed, or none. At every sample the true displacement
//! has to lie within the bound of the estimate, the static allowance of the rig file counted beside it, unless the observer
//! said, not later than in the block in which it does not, that it lost track.

mod harness;

use super::stops::side_by_side;
use crate::figure::Figure;
use crate::program::root;
use anyhow::{Context, Result};
use harness::{Harness, Seen};
use plan_schema::faults::Faults;
use plan_schema::read::Document;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{Channel, DisplacementChannel};
use plan_schema::units::{Fraction, Quantity, Seconds, Volts};
use std::sync::{Mutex, PoisonError};

/// The jobs whose rigs are watched.
const JOBS: [&str; 7] = [
    "low-frequency",
    "portable",
    "mid-size",
    "portable-worn",
    "portable-current",
    "portable-night",
    "workshop",
];

/// A fault as it is drawn from.
type Drawn = (&'static str, bool, Option<(f64, f64)>);

/// Faults: kind, whether on the reference's channel, and the size in percent at least and at most, if it has one.
const FAULTS: [Drawn; 15] = [
    ("", false, None),
    ("gain_jump", false, Some((-100.0, 400.0))),
    ("gain_jump", false, Some((-20.0, 20.0))),
    ("source_deaf", false, None),
    ("source_holds_last", false, None),
    ("reference_open", false, None),
    ("reference_reversed", false, None),
    ("overload", true, None),
    ("cable_intermittent", true, Some((5.0, 95.0))),
    // No comparison tells a drift of the reference within what its certificate and the rig leave open.
    ("slow_drift", true, Some((-90.0, 90.0))),
    ("hum", true, None),
    ("amplifier_trip", false, None),
    ("emergency_stop", false, None),
    ("acquisition_stall", false, None),
    ("coil_overheating", false, None),
];

/// Longest that a case is watched, in blocks.
const MOST_BLOCKS: usize = 20_000;

/// Chance from a seed: SplitMix64 (G. Steele, D. Lea, C. Flood, Fast splittable pseudorandom number generators, 2014; from
/// memory).
struct Chance(u64);

impl Chance {
    /// Evenly from 0 to 1.
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly one of so many.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below a small number")]
    fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }
}

/// What one case came to.
#[derive(Debug, Clone, Default)]
struct Case {
    /// Largest of (|error| less static allowance) over bound, and of |error| over bound plus static allowance.
    ratio: f64,
    with_static: f64,
    /// Sum and number of finite bounds in motion, as shares of the rated stroke.
    bounds: (f64, f64),
    /// Samples in motion, with a finite bound or without.
    moving: f64,
    exceeded: Option<String>,
}

/// The figures of so many cases.
///
/// # Errors
/// Of a case that could not be run.
pub fn figures(cases: u64) -> Result<Vec<Figure>> {
    let jobs = JOBS.map(|name| calwright::load::job(&root().join(format!("examples/{name}.toml"))));
    let jobs: Vec<ResolvedJob> = jobs
        .into_iter()
        .map(|j| j.map(|j| j.job))
        .collect::<Result<_, _>>()
        .map_err(|e| anyhow::anyhow!("{e:?}"))?;
    let (mut worst, mut with_static, mut exceeded) = (0.0f64, 0.0f64, Vec::new());
    let (mut typical, mut promised, mut moving) = (Vec::new(), 0.0, 0.0);
    let seeds: Vec<u64> = (1..=cases).collect();
    let progress = Progress { cases, done: Mutex::default() };
    let found = side_by_side(&seeds, |seed| {
        let case = one(&jobs, *seed).with_context(|| format!("case {seed}"))?;
        progress.tell(&case);
        Ok(case)
    })?;
    for case in found {
        worst = worst.max(case.ratio);
        with_static = with_static.max(case.with_static);
        exceeded.extend(case.exceeded);
        promised += case.bounds.1;
        moving += case.moving;
        if case.bounds.1 > 0.0 {
            typical.push(100.0 * case.bounds.0 / case.bounds.1);
        }
    }
    typical.sort_by(f64::total_cmp);
    let median = typical.get(typical.len() / 2).copied().unwrap_or(f64::NAN);
    let seeds = vec![1, 2, 3, cases];
    let listed = exceeded.iter().take(12).fold(String::new(), |all, one| format!("{all}\n{one}"));
    let figure = |what: &str, value, limit, unit, sample: String| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit,
        sample,
        seeds: seeds.clone(),
    };
    let sample = format!(
        "{cases} cases on {} rigs, {} kinds of faults and none{listed}",
        JOBS.len(),
        FAULTS.len() - 1
    );
    let print = f64::INFINITY;
    Ok(vec![
        figure("cases in which the bound was exceeded unsaid", exceeded.len() as f64, 0.0, "", sample),
        figure(
            "worst |error| beyond the static allowance, over the bound",
            worst,
            1.0,
            "",
            format!("{cases} cases"),
        ),
        figure(
            "worst |error| over bound and static allowance",
            with_static,
            print,
            "",
            format!("{cases} cases"),
        ),
        figure(
            "typical bound as a share of the rated stroke",
            median,
            print,
            "%",
            "median of the cases' means in motion".into(),
        ),
        figure(
            "samples in motion, before any trip, for which it promised something",
            100.0 * promised / moving,
            print,
            "%",
            format!("{moving} samples beyond 1 % of the rated stroke"),
        ),
    ])
}

/// Tells how far many cases are, so that a search that is stopped has said something.
struct Progress {
    cases: u64,
    /// Cases, those in which the bound was exceeded, and the worst ratio so far.
    done: Mutex<(u64, u64, f64)>,
}

impl Progress {
    /// Cases after which it tells.
    const EVERY: u64 = 500;

    #[expect(clippy::print_stderr, reason = "progress of many minutes")]
    fn tell(&self, case: &Case) {
        let mut done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        *done = (done.0 + 1, done.1 + u64::from(case.exceeded.is_some()), done.2.max(case.ratio));
        let (cases, exceeded, worst) = *done;
        if let Some(text) = &case.exceeded {
            eprintln!("exceeded: {text}");
        }
        if cases % Self::EVERY == 0 {
            eprintln!(
                "{cases} of {} cases: {exceeded} exceeded, worst error over bound {worst:.3}",
                self.cases
            );
        }
    }
}

fn one(jobs: &[ResolvedJob], seed: u64) -> Result<Case> {
    let mut random = Chance(seed);
    let job = jobs.get(random.below(jobs.len())).context("no job")?;
    let point = random.below(job.points.len());
    let seen = with_truth(shortened(job, point))?;
    let faults = faults(&mut random, &seen)?;
    let run = ResolvedJob { displacement_column: None, ..seen.clone() };
    let run = ResolvedJob { rig: plan_schema::rig::Rig { displacement: None, ..run.rig.clone() }, ..run };
    let what = format!(
        "seed {seed}: {} at {} with {}",
        job.rig.name,
        job.points.get(point).map_or(0.0, |p| p.frequency.si()),
        faults.faults.first().map_or("no fault".to_owned(), |f| format!(
            "{} {:?} {:?}",
            f.kind.word(),
            f.value,
            f.at
        ))
    );
    let mut harness = Harness::open(&seen, run, seed, &faults)?;
    let shaker = &job.rig.shaker;
    let mut watch =
        Watch { rated: shaker.rated_stroke.si(), rest: shaker.static_allowance.si(), ..Watch::default() };
    harness.start()?;
    for _ in 0..MOST_BLOCKS {
        if let Some(block) = harness.block()? {
            // A trip of this block says that nothing is promised any more.
            if harness.run.trip().is_none() {
                watch.take(&block, &what);
            }
        }
        if harness.run.is_done() {
            break;
        }
    }
    Ok(watch.case)
}

/// What is watched from block to block.
#[derive(Debug, Clone, Default)]
struct Watch {
    rated: f64,
    rest: f64,
    case: Case,
}

impl Watch {
    fn take(&mut self, block: &Seen, what: &str) {
        let in_motion = |x: &f64| x.abs() > 0.01 * self.rated;
        self.case.moving += block.displacement.iter().filter(|x| in_motion(x)).count() as f64;
        if block.observed.iter().any(|o| o.bound.si().is_infinite()) {
            return;
        }
        for (n, (observed, truth)) in block.observed.iter().zip(&block.displacement).enumerate() {
            let (error, bound) = ((truth - observed.estimate.si()).abs(), observed.bound.si());
            let ratio = (error - self.rest).max(0.0) / bound;
            self.case.with_static = self.case.with_static.max(error / (bound + self.rest));
            if in_motion(truth) {
                self.case.bounds.0 += bound / self.rated;
                self.case.bounds.1 += 1.0;
            }
            if ratio > 1.0 && self.case.exceeded.is_none() {
                let text = format!(
                    "{what}: sample {n} of a block: {:.4} mm where {:.4} ± {:.4} mm was said, gap {}",
                    truth * 1e3,
                    observed.estimate.si() * 1e3,
                    bound * 1e3,
                    block.gap
                );
                self.case.exceeded = Some(text);
            }
            self.case.ratio = self.case.ratio.max(ratio);
        }
    }
}

/// A job of one of its points, which takes no more time than it must.
fn shortened(job: &ResolvedJob, point: usize) -> ResolvedJob {
    let mut job = job.clone();
    job.points = job.points.get(point).cloned().into_iter().collect();
    for p in &mut job.points {
        p.dwell_cycles = p.dwell_cycles.min(10);
        p.repeats = 1;
    }
    for sensor in job.sensors.iter_mut().chain(&mut job.check_standards) {
        sensor.skips = vec![sensor.skips.get(point).cloned().flatten()];
    }
    job.plan.soak = None;
    job.plan.closing_point = false;
    job.plan.scatter_limit = Fraction::new(1.0);
    job.job.soaked = Seconds::new(1e6);
    job
}

/// The same with a displacement channel, whose sensitivity makes use of its range.
fn with_truth(mut job: ResolvedJob) -> Result<ResolvedJob> {
    if job.displacement_column.is_some() {
        return Ok(job);
    }
    let input = job.rig.channels.iter().map(|c| c.input).max().context("no channels")? + 1;
    let channel = Channel::plain("truth", input, Volts::new(10.0));
    job.rig.channels.push(channel.clone());
    job.columns.push(channel);
    job.displacement_column = Some(job.columns.len() - 1);
    let sensitivity = Quantity::new(8.0 / job.rig.shaker.stop.si());
    job.rig.displacement = Some(DisplacementChannel { channel: "truth".to_owned(), sensitivity });
    Ok(job)
}

fn faults(random: &mut Chance, job: &ResolvedJob) -> Result<Faults> {
    let (kind, on_reference, sizes) = FAULTS[random.below(FAULTS.len())];
    if kind.is_empty() {
        return Ok(Faults { format: job.plan.format, faults: Vec::new() });
    }
    // Half of them at any time, so at any phase and before the point too; half within the point for sure.
    let at = if random.unit() < 0.5 {
        let cycle = job.points.first().map_or(1.0, |p| 1.0 / p.frequency.si());
        format!("\"{:.6} s\"", 2.0 + (10.0 + 12.0 * cycle) * random.unit())
    } else {
        let phase = if random.unit() < 0.3 { "settle" } else { "dwell" };
        format!("{{ point = 1, phase = \"{phase}\", after_cycles = {} }}", random.below(9))
    };
    let mut text = format!("format = 1\n[[fault]]\nkind = \"{kind}\"\nat = {at}\n");
    if on_reference {
        text.push_str(&format!("channel = \"{}\"\n", job.rig.reference.channel));
    }
    if let Some((least, most)) = sizes {
        text.push_str(&format!("value = \"{:.3} %\"\n", least + (most - least) * random.unit()));
    }
    if kind == "hum" {
        let volts: f64 = 10f64.powf(4.0 * random.unit() - 5.0);
        text.push_str(&format!("value = \"{volts:.6} V pk\"\n"));
    }
    if kind == "acquisition_stall" || kind == "amplifier_trip" {
        text.push_str("lasts = \"0.5 s\"\n");
    }
    Ok(Document::<Faults>::read("faults", &text).map_err(|e| anyhow::anyhow!("{text}: {e}"))?.value)
}
