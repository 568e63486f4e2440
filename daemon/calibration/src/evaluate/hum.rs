//! Hum at the measuring frequency itself: what the channels showed of it at rest.

use super::RunFacts;
use super::seen::Seen;
use crate::sequence::{Finding, FindingKind, QuietTime, Setup};
use plan_schema::mains;

/// Hum on sensor and reference as shares of their signals, where a fit can't tell it from the signal: the larger of what
/// they showed before and after the motion. `None` where no line of the mains hides in the signal.
pub(super) fn hidden(
    setup: &Setup,
    facts: &RunFacts,
    number: usize,
    column: usize,
    seen: &Seen<'_>,
) -> Option<[f64; 2]> {
    let line = line(setup, number, seen)?;
    let share = |column: usize| {
        let amplitude = seen.estimate.channels.get(column).map_or(f64::INFINITY, |c| c.amplitude.norm());
        let hum = facts.quiet.iter().filter_map(|q| q.hum(column, line)).fold(0.0, f64::max);
        hum / amplitude
    };
    Some([share(column), share(setup.job.reference.column)])
}

/// A finding if hum that came up during the run is more than the plan allows: the dwell itself was judged by the quiet
/// part before it.
pub(super) fn at_the_end(
    setup: &Setup,
    facts: &RunFacts,
    number: usize,
    column: usize,
    seen: &Seen<'_>,
) -> Option<Finding> {
    let line = line(setup, number, seen)?;
    let after = facts.quiet.iter().find(|q| q.when == QuietTime::After)?;
    let limit = setup.job.plan.hum_limit.percent();
    [column, setup.job.reference.column].into_iter().find_map(|column| {
        let amplitude = seen.estimate.channels.get(column)?.amplitude.norm();
        let share = after.hum(column, line)? / amplitude * 100.0;
        let name = setup.job.columns.get(column).map_or("", |c| c.name.as_str());
        let message = format!(
            "hum on channel '{name}' was {share:.2} % of this point's signal at the end of the run and can't be told from \
             it; {limit:.1} % is allowed"
        );
        (share > limit)
            .then(|| Finding::beyond(FindingKind::Hum, Some(column), share, limit, "percent", message))
    })
}

fn line(setup: &Setup, number: usize, seen: &Seen<'_>) -> Option<u32> {
    let frequency = setup.job.points.get(number)?.frequency;
    mains::hidden(frequency, setup.job.rig.mains_frequency, seen.duration())
}
