//! Points that `check` refuses, forced: the armature does touch the stop, when the forecast says that it would.
//!
//! For each rig the frequency and the kind of mute are sought at which a mute in the midst of the motion throws the
//! armature farthest, at the largest amplitude that meets every limit but the one of the coast, or a large share of it. A waiver, written by the claim
//! alone, lets it run. Then the daemon is killed and the amplifier's driver is the first to go safe, at each phase. The
//! soonest touch is compared with the soonest that was foreseen, from the moment at which the mute acts.
//!
//! The forecast takes the armature to swing about the middle between its stops. An offset within the static allowance makes
//! one side nearer, by more than a millisecond of way on the long-stroke rig: so the forecast is held to its millisecond on
//! rigs that are centred, and what the rigs as they are do is printed beside it.

use super::variant::{Variant, job, no_faults};
use crate::figure::Figure;
use crate::shell::Shell;
use anyhow::{Context, Result, ensure};
use calibration::control::{Plant, foresee};
use calibration::hazard::{Coast, Stop};
use calibration::sequence::{Setup, Target};
use plan_schema::resolve::{ResolvedJob, ResolvedPoint};
use plan_schema::rig::{Mute, SafeAction, Waiver};
use plan_schema::units::{Accel, Hertz, Metres, Mono, Peak, Radians, SampleCount, Seconds, VoltsDc};
use std::fmt;

/// Frequencies that are looked at, in Hz: preferred ones, from below the suspension's resonance on.
const FREQUENCIES: [f64; 14] = [1.0, 2.0, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0];

/// Phases at which each is stopped, in either form: with fewer the soonest is missed.
const PHASES: u32 = 32;

/// Shares of the largest amplitude that are tried, one after the other: near the limits a monitor may end the run before it
/// measures, and then there is nothing to stop.
const SHARES: [f64; 4] = [0.999, 0.8, 0.6, 0.45];

/// The forecast has to be off by no more than this, in ms.
const WITHIN_MS: f64 = 1.0;

/// A refused point and what is foreseen there.
#[derive(Debug, Clone)]
struct Refused {
    job: ResolvedJob,
    coast: Coast,
}

impl Refused {
    /// How far beyond the stop it leads.
    fn excess(&self) -> f64 {
        self.coast.displacement.si() / self.job.rig.shaker.stop.si()
    }
}

/// The refused point of a job's rig that leads farthest, of this share of the amplitude that every other limit allows.
fn worst(name: &str, share: f64) -> Result<Refused> {
    let mut found: Vec<Refused> = Vec::new();
    for mute in [Mute::Shorts, Mute::Opens] {
        for frequency in FREQUENCIES.map(Hertz::new) {
            let mut job = job(name)?;
            job.rig.amplifier.mute = mute;
            let reaches = job.reference.calibration.points.iter().map(|p| p.frequency);
            if frequency < reaches.reduce(Hertz::min).unwrap_or(frequency) {
                continue;
            }
            found.extend(refused(job, frequency, share)?);
        }
    }
    found
        .into_iter()
        .max_by(|a, b| a.excess().total_cmp(&b.excess()))
        .with_context(|| format!("{name}: no amplitude within the other limits is thrown to a stop"))
}

/// A share of the largest amplitude at a frequency that every limit but the coast allows, if a mute at once makes it touch.
fn refused(mut job: ResolvedJob, frequency: Hertz, share: f64) -> Result<Option<Refused>> {
    let plant = Plant::of(&job);
    let at = |job: &ResolvedJob, target: Accel<Peak>| -> Result<ResolvedPoint> {
        let like = job.points.first().context("a job without points")?;
        Ok(ResolvedPoint { frequency, target, repeats: 1, ..like.clone() })
    };
    let strict = job.clone();
    job.rig.waiver = Some(Waiver {
        name: "the claim".to_owned(),
        reason: "to see whether a refused point would have touched".to_owned(),
    });
    let full = at(&job, job.rig.shaker.rated_stroke.acceleration_at(frequency))?;
    let target = foresee(&job, &plant, &full).largest.unwrap_or(full.target) * share;
    let point = ResolvedPoint { target, ..full };
    let forecast = foresee(&job, &plant, &point);
    ensure!(forecast.obstacles.is_empty(), "not even a waiver admits it: {:?}", forecast.obstacles);
    let coast = forecast.hazards.coasts.iter().find(|c| c.stop == Stop::MuteAtOnce).copied();
    let Some(coast) = coast.filter(|c| c.touches.is_some()) else {
        return Ok(None);
    };
    let refusals = foresee(&strict, &plant, &point).obstacles;
    ensure!(refusals.iter().any(|o| o.message.contains("a mute at once")), "it is not refused: {refusals:?}");
    job.points = vec![point];
    // Larger motion than the channels were set to: that an input overloads is not what is asked here.
    job.columns.iter_mut().for_each(|c| c.range = c.range * 100.0);
    Ok(Some(Refused { job, coast }))
}

/// The same rig without what moves its centre: offsets, tilt, error of the centre.
fn centred(job: &ResolvedJob) -> ResolvedJob {
    let mut job = job.clone();
    job.rig.simulation.source.offset = VoltsDc::ZERO;
    job.rig.amplifier.offset = None;
    job.rig.amplifier.offset_current = None;
    job.rig.shaker.centre_error = Metres::ZERO;
    job.rig.shaker.tilt = Radians::ZERO;
    job
}

/// The soonest touch over the phases, from the moment at which the mute acts; `None` without any.
fn touched(job: &ResolvedJob, seed: u64) -> Result<Option<Seconds>> {
    let variant = Variant { setup: Setup::new(job.clone()), refused: 0 };
    let mut base = Shell::new(variant.setup.clone(), seed, &no_faults(&variant.setup))?;
    while base.dwelling().is_none() {
        ensure!(base.outcome().is_none(), "it did not come to its dwell: {}", base.failures());
        base.block()?;
    }
    let (_, frequency) = base.dwelling().context("no dwell")?;
    let moments = super::moments(base.now(), 1.0 / frequency.si(), PHASES);
    let rate = job.rig.acquisition.rate;
    let latency = SampleCount::at_least(job.rig.simulation.amplifier.latency, rate).duration(rate);
    let mut soonest: Option<Seconds> = None;
    for moment in moments {
        while moment.since(base.now()) >= job.rig.acquisition.block {
            base.block()?;
        }
        let mut there = base.fork()?;
        there.pass(moment.since(there.now()))?;
        ensure!(there.truth().stop_hits == 0, "it touched the stop before anything stopped it");
        let acts = there.now().after(latency);
        let order = [Target::Amplifier, Target::Source];
        super::gone(&mut there, order, variant.path(SafeAction::SourceOff))?;
        there.run_out(variant.rest());
        if let Some(at) = there.truth().first_stop_hit {
            let after = at - acts.since(Mono(0));
            soonest = Some(soonest.map_or(after, |s| s.min(after)));
        }
    }
    Ok(soonest)
}

/// A refused point and when it touched, forced: centred, and as the rig is.
struct Forced {
    name: String,
    refused: Refused,
    centred: Option<Seconds>,
    as_it_is: Option<Seconds>,
}

impl Forced {
    fn foreseen(&self) -> f64 {
        self.refused.coast.touches.map_or(f64::NAN, |t| t.si() * 1e3)
    }

    /// How far the forecast is off, in ms; no number without a touch.
    fn off(&self, touched: Option<Seconds>) -> f64 {
        touched.map_or(f64::NAN, |t| (t.si() * 1e3 - self.foreseen()).abs())
    }
}

impl fmt::Display for Forced {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let job = &self.refused.job;
        let mute = match job.rig.amplifier.mute {
            Mute::Shorts => "shorts",
            Mute::Opens => "opens",
        };
        let came = |at: Option<Seconds>| at.map_or("not".into(), |t| format!("after {:.2} ms", t.si() * 1e3));
        write!(f, "{}, mute {mute}", self.name)?;
        for point in &job.points {
            let displacement = point.target.displacement_at(point.frequency).si() * 1e3;
            write!(f, ", {displacement:.2} mm pk at {} Hz", point.frequency.si())?;
        }
        write!(f, ": would go to {:.2} times the stop, touched", self.refused.excess())?;
        let (centred, as_it_is) = (came(self.centred), came(self.as_it_is));
        write!(f, " {centred} (as the rig is {as_it_is}), foreseen after {:.2} ms", self.foreseen())
    }
}

fn force(name: &str, share: f64, seed: u64) -> Result<Forced> {
    let refused = worst(name, share)?;
    let centred = touched(&centred(&refused.job), seed)?;
    let as_it_is = touched(&refused.job, seed)?;
    Ok(Forced { name: name.to_owned(), refused, centred, as_it_is })
}

/// One refused point a rig, forced.
///
/// # Errors
/// A rig on which nothing can be refused for its coast, or a run that does not come to its dwell.
pub(super) fn all(names: &[String], seed: u64) -> Result<Vec<Figure>> {
    let found = super::side_by_side(names, |name| {
        let mut failed = anyhow::anyhow!("nothing was tried");
        for share in SHARES {
            match force(name, share, seed) {
                Ok(forced) => return Ok(forced),
                Err(error) => failed = error,
            }
        }
        Err(failed.context(format!("{name}, forced")))
    })?;
    let lines: String = found.iter().map(|forced| format!("\n  {forced}")).collect();
    let spared = found.iter().filter(|f| f.centred.is_none() || f.as_it_is.is_none()).count();
    // What is no number has to stay none.
    let most = |off: &dyn Fn(&Forced) -> f64| {
        found.iter().map(off).fold(0.0f64, |a, b| if a.is_nan() || b.is_nan() { f64::NAN } else { a.max(b) })
    };
    let figure = |what: &str, value: f64, limit: f64, unit: &'static str, sample: String| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit,
        sample,
        seeds: vec![seed],
    };
    let sample = format!("{} rigs, {PHASES} phases each{lines}", found.len());
    let same = || format!("the same {} points", found.len());
    let what = "time of the touch against the forecast, rigs centred";
    let beside = "the same on the rigs as they are, off their centre within the allowance";
    Ok(vec![
        figure("refused points, forced, that touch no stop", spared as f64, 0.0, "", sample),
        figure(what, most(&|f| f.off(f.centred)), WITHIN_MS, "ms", same()),
        figure(beside, most(&|f| f.off(f.as_it_is)), f64::INFINITY, "ms", same()),
    ])
}
