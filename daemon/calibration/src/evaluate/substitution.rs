//! Substitution: reference and sensor through the same channel, one after the other, each over what the reference's own channel
//! shows of the motion.
//!
//! With the sensor in channel X the run sees r₂ = S·g_X/(S_R·g_R), with the reference there r₁ = S_R·g_X/(S_R·g_R), so that
//! S = S_R · r₂/r₁ whatever the gains are (elementary). What is left of the channels is what changed between the two, and how equal
//! the reference's voltages are in the two places. r₁ is measured at the frequency and amplitude of the very point: nothing is
//! interpolated.

use super::RunFacts;
use super::budgets::of_measured;
use super::channels::{Correction, Line, Measured};
use crate::sequence::{Finding, FindingKind, PointEnd, RatioTone, ToneOf};
use crate::uncertainty::{Component, ComponentSource as Source, Distribution, UncertaintyError};
use plan_schema::mains;
use plan_schema::plan::Method;
use plan_schema::resolve::{MountedSensor, ResolvedJob};
use plan_schema::rig::Substitution;
use plan_schema::units::Seconds;

/// Where sensor and reference show the same through a channel to within this, in magnitude and phase at every point, nothing
/// proves that they were exchanged at all. Our own choice, no source.
const ALIKE: f64 = 1e-3;

/// The ratio of a sensor's column to the reference's with the reference in both; `None` where it was not measured.
pub(super) fn correction(
    job: &ResolvedJob,
    facts: &RunFacts,
    column: usize,
    point: usize,
) -> Option<Correction> {
    job.sensors.iter().find(|s| s.column == column)?;
    let line = line(job, facts, column, point)?;
    // A point that was looked at twice tells how steady the channels are, for all points.
    let all = (0..job.points.len()).filter_map(|p| self::line(job, facts, column, p));
    let Correction { ratio, magnitude, phase } =
        all.fold(line, |line, other| line.as_unsteady_as(&other)).alone();
    let hum = hidden_hum(job, facts, column, point);
    Some(Correction { ratio, magnitude: Measured { hum, ..magnitude }, phase: Measured { hum, ..phase } })
}

/// What column and reference showed at rest of a line of the mains that hides in the tone, as shares of the tone; `None` where none
/// hides.
fn hidden_hum(job: &ResolvedJob, facts: &RunFacts, column: usize, point: usize) -> Option<[f64; 2]> {
    let wanted = job.points.get(point)?;
    let lasts = Seconds::new(f64::from(wanted.dwell_cycles) / wanted.frequency.si());
    let line = mains::hidden(wanted.frequency, job.rig.mains_frequency, lasts)?;
    let tone = tones(job, facts, column, point).next()?;
    let share = |column: usize| {
        let hum = facts.quiet.iter().filter_map(|q| q.hum(column, line)).fold(0.0, f64::max);
        Some(hum / tone.amplitude(column)?)
    };
    Some([share(column)?, share(job.reference.column)?])
}

/// What the reference shows through a column at a point; where it was looked at twice, both together.
fn line(job: &ResolvedJob, facts: &RunFacts, column: usize, point: usize) -> Option<Line> {
    let mut lines = tones(job, facts, column, point).filter_map(|tone| Line::seen(job, column, tone));
    let first = lines.next()?;
    Some(lines.next_back().map_or(first, |last| first.with(&last)))
}

/// The tones at a point that can be used in a column.
fn tones<'a>(
    job: &'a ResolvedJob,
    facts: &'a RunFacts,
    column: usize,
    point: usize,
) -> impl DoubleEndedIterator<Item = &'a RatioTone> {
    let of_point = facts.channels.iter().filter(move |t| t.of == ToneOf::Reference && t.number == point);
    of_point.filter(move |t| t.fault_of(job, column).is_none())
}

/// What keeps a point of a sensor from a result, where the plan wants substitution.
pub(super) fn finding(
    job: &ResolvedJob,
    facts: &RunFacts,
    mounted: &MountedSensor,
    point: usize,
) -> Option<Finding> {
    if job.plan.method != Method::Substitution {
        return None;
    }
    let (column, serial) = (mounted.column, &mounted.sensor.serial);
    let name = job.columns.get(column).map_or("", |c| c.name.as_str());
    let message = if line(job, facts, column, point).is_none() {
        format!(
            "the reference was not measured through channel '{name}' at this point, so sensor '{serial}' has no result"
        )
    } else if was_not_exchanged(job, facts, column) {
        format!(
            "channel '{name}' shows the same with sensor '{serial}' and with the reference at every point, within {} %: it can't \
             be told that they were exchanged. Look at switch or cables; a sensor that is so near the reference needs another \
             method",
            ALIKE * 100.0
        )
    } else {
        return None;
    };
    Some(Finding::plain(FindingKind::NotSubstituted, Some(column), message))
}

/// True if a column shows the same in both parts of the run at every point that has both.
fn was_not_exchanged(job: &ResolvedJob, facts: &RunFacts, column: usize) -> bool {
    let compared = facts.ends.iter().filter_map(|end| {
        let PointEnd::Measured(m) = end else { return None };
        let usable = !m.closing && m.usable(column, job.reference.column);
        let ratio = |e: &crate::estimate::DwellEstimate| {
            e.ratios.iter().find(|r| r.channel == column).map(|r| r.ratio)
        };
        let sensor = ratio(m.estimate.as_ref().ok()?).filter(|_| usable)?;
        let tone = tones(job, facts, column, m.point).next()?;
        Some((sensor / ratio(tone.estimate.as_ref().ok()?)? - 1.0).norm() < ALIKE)
    });
    let alike: Vec<bool> = compared.collect();
    !alike.is_empty() && alike.iter().all(|same| *same)
}

/// What the way through one channel leaves in the budget of the magnitude.
pub(super) fn of_magnitude(
    way: &Substitution,
    measured: &Measured,
) -> Result<Vec<Component>, UncertaintyError> {
    parts((way.equality.si(), 1.0), way.stability.si(), measured, "scatter of reference through channel")
}

/// The same of the phase; `grows` is what a phase stated at 100 Hz is times at the frequency.
pub(super) fn of_phase(
    way: &Substitution,
    measured: &Measured,
    grows: f64,
) -> Result<Vec<Component>, UncertaintyError> {
    let (equality, stability) = (way.equality_phase.si() * grows, way.stability_phase.si() * grows);
    parts((equality, 0.0), stability, measured, "scatter of reference's phase through channel")
}

fn parts(
    (equality, correlation): (f64, f64),
    stability: f64,
    measured: &Measured,
    scatter: &str,
) -> Result<Vec<Component>, UncertaintyError> {
    let mut components = of_measured(
        [scatter, "interpolation of channel", "change between two looks"],
        measured,
        ("equality of voltages", equality, correlation),
    )?;
    let expanded = Distribution::Normal { k: 2.0 };
    components.push(Component::new("stability of monitor", Source::RigFile, expanded, stability)?);
    if let Some([channel, reference]) = measured.hum {
        // At a phase that nobody knows, as with the sensor.
        let (run, swings) = (Source::ThisRun, Distribution::Arcsine);
        components.push(Component::new("hum on channel with reference", run, swings, channel)?);
        components.push(Component::new("hum on reference with it", run, swings, reference)?);
    }
    Ok(components)
}
