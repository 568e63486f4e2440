//! A motion beyond what was foreseen for the point, though the rig could bear it.
//!
//! Owns: the watch of the reference against the point's own ceiling of acceleration, with the figures of
//! [`crate::hazard::notice`]: what is promised there is watched here. A peak that a brake or a jump makes for a moment does
//! not count: it has to last, or to be seen both ways within a cycle. Must not: know the rig's limits.

use super::monitor::Watch;
use super::reference;
use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use crate::hazard::notice::{BEYOND_FORESEEN, GROUPS, LASTING};
use plan_schema::units::{Accel, Peak, SampleCount, SampleIndex, SamplesPerSecond, Seconds, engineering};

/// Share of its zero up to which a reference is at 0 V.
const DEAD: f64 = 0.1;

/// Means that lie beyond the ceiling.
#[derive(Debug, Clone)]
pub struct AboveForeseen {
    rate: SamplesPerSecond,
    reference: usize,
    /// Braking time constant of the armature.
    braking: Seconds,
    /// Peak of the noise of the reference at rest, V.
    noise: f64,
    foreseen: Option<Accel<Peak>>,
    /// What is foreseen once the tone before is over, and from which sample on that is.
    wanted: Option<Accel<Peak>>,
    later: Option<(SampleIndex, Accel<Peak>)>,
    sum: f64,
    count: usize,
    /// Groups so far; since which one it is beyond, which way; the last one beyond, down and up.
    groups: u64,
    since: Option<(u64, bool)>,
    seen: [Option<u64>; 2],
}

impl AboveForeseen {
    /// A watch for a rig whose reference has this column and whose armature brakes with this time constant.
    #[must_use]
    pub fn new(rate: SamplesPerSecond, reference: usize, braking: Seconds) -> Self {
        Self {
            rate,
            reference,
            braking,
            noise: 0.0,
            foreseen: None,
            wanted: None,
            later: None,
            sum: 0.0,
            count: 0,
            groups: 0,
            since: None,
            seen: [None; 2],
        }
    }

    /// Watches against this ceiling: from now on where nothing moves yet, else the higher one until the tone before is over.
    /// `noise` is the rms of the reference at rest, V.
    pub(super) fn expect(&mut self, ceiling: Accel<Peak>, moves: bool, noise: f64) {
        self.noise = 5.0 * noise;
        self.wanted = Some(ceiling);
        self.foreseen = if moves { self.foreseen.map(|before| before.max(ceiling)) } else { Some(ceiling) };
        self.later = None;
    }

    /// The tone before is over from this sample on.
    pub(super) fn settled(&mut self, from: SampleIndex) {
        self.later = self.wanted.map(|ceiling| (from, ceiling));
    }

    /// Watches no more.
    pub(super) fn forget(&mut self) {
        (self.foreseen, self.wanted, self.later) = (None, None, None);
        (self.sum, self.count, self.since, self.seen) = (0.0, 0, None, [None; 2]);
    }

    /// Samples are missing before what comes next: nothing is averaged or counted across that.
    pub(super) fn gap(&mut self) {
        (self.sum, self.count, self.since, self.seen) = (0.0, 0, None, [None; 2]);
    }

    /// Looks at a block.
    pub(super) fn look(&mut self, block: &BlockView<'_>, watch: &Watch) -> Option<Trip> {
        if let Some((from, later)) = self.later
            && block.first_sample >= from
        {
            (self.foreseen, self.later) = (Some(later), None);
        }
        let limit = self.foreseen? * BEYOND_FORESEEN;
        let volts = limit.si() * watch.sensitivity.si().abs() + self.noise;
        let cycle = self.rate.si() / watch.frequency.si();
        let group = (cycle / GROUPS).floor().max(1.0);
        let per_cycle = cycle / group;
        let lasting = (LASTING.0 * cycle).max(LASTING.1 * self.braking.si() * self.rate.si()) / group;
        for (n, sample) in block.channels.get(self.reference)?.iter().enumerate() {
            self.sum += f64::from(*sample);
            self.count += 1;
            if (self.count as f64) < group {
                continue;
            }
            let mean = self.sum / self.count as f64 - watch.zero.si();
            (self.sum, self.count) = (0.0, 0);
            self.groups += 1;
            if self.is_beyond(mean, volts, lasting, per_cycle) {
                let at = block.first_sample + SampleCount(n as u64);
                // At 0 V instead of its zero: no motion, but a line that is cut.
                let zero = watch.zero.si();
                if (mean + zero).abs() < DEAD * zero.abs() {
                    return Some(Trip { at_sample: Some(at), ..reference::open() });
                }
                let seen = Accel::<Peak>::new((mean / watch.sensitivity.si()).abs());
                return Some(self.trip(seen, limit, at));
            }
        }
        None
    }

    fn is_beyond(&mut self, mean: f64, volts: f64, lasting: f64, per_cycle: f64) -> bool {
        if mean.abs() <= volts {
            self.since = None;
            return false;
        }
        let up = mean > 0.0;
        let since = match self.since {
            Some((since, way)) if way == up => since,
            _ => self.groups,
        };
        self.since = Some((since, up));
        let [down_at, up_at] = &mut self.seen;
        let (own, other) = if up { (up_at, *down_at) } else { (down_at, *up_at) };
        *own = Some(self.groups);
        let lasts = (self.groups - since + 1) as f64 >= lasting.max(2.0);
        lasts || other.is_some_and(|other| (self.groups - other) as f64 <= per_cycle)
    }

    fn trip(&self, seen: Accel<Peak>, limit: Accel<Peak>, at: SampleIndex) -> Trip {
        let message = format!(
            "the acceleration reached {} where at most {} pk are foreseen at this point. The amplifier's gain, the payload \
             or the reference may have changed. Check them, then acknowledge.",
            engineering(seen.si(), "m/s²"),
            engineering(limit.si(), "m/s²")
        );
        let trip = Trip::beyond(TripReason::AccelerationLimit, seen.si(), limit.si(), "mps2", message);
        Trip { at_sample: Some(at), ..trip }
    }
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
mod tests {
    use super::*;
    use plan_schema::units::{Hertz, Sensitivity, VoltsDc};
    use std::f64::consts::TAU;

    /// A reference of 0.1 V/(m/s²) at 10 Hz, sampled 10,000 times a second; true if it trips.
    fn trips(monitor: &mut AboveForeseen, first: u64, acceleration: impl Fn(f64) -> f64) -> bool {
        let wave: Vec<f32> = (0..2000u32).map(|n| (0.1 * acceleration(f64::from(n) / 1e4)) as f32).collect();
        let channels: [&[f32]; 1] = [&wave];
        let block = BlockView {
            first_sample: SampleIndex(first),
            gap_before: SampleCount(0),
            channels: &channels,
            overload: &[false],
        };
        let (sensitivity, zero) = (Sensitivity::new(0.1), VoltsDc::new(0.0));
        let watch = Watch { frequency: Hertz::new(10.0), sensitivity, zero };
        monitor.look(&block, &watch).is_some()
    }

    fn monitor() -> AboveForeseen {
        AboveForeseen::new(SamplesPerSecond::new(1e4), 0, Seconds::new(0.002))
    }

    #[test]
    fn a_tone_beyond_its_ceiling_trips_and_a_moment_does_not() {
        let tone = |a: f64| move |t: f64| a * (TAU * 10.0 * t).sin();
        for (amplitude, expected) in [(1.29, false), (1.34, true)] {
            let mut monitor = monitor();
            monitor.expect(Accel::new(1.0), false, 0.0);
            assert_eq!(trips(&mut monitor, 0, tone(amplitude)), expected, "{amplitude}");
        }
        // One way for 8 ms, or for 12 ms: what lasts a tenth of a cycle, 10 ms, counts.
        for (lasts, expected) in [(0.008, false), (0.014, true)] {
            let mut monitor = monitor();
            monitor.expect(Accel::new(1.0), false, 0.0);
            let jump = |t: f64| if (0.05..0.05 + lasts).contains(&t) { 2.0 } else { 0.0 };
            assert_eq!(trips(&mut monitor, 0, jump), expected, "{lasts} s");
        }
        // A reference whose zero is at 0.5 V falls to 0 V.
        let wave = vec![0.0f32; 2000];
        let channels: [&[f32]; 1] = [&wave];
        let (first_sample, gap_before) = (SampleIndex(0), SampleCount(0));
        let block = BlockView { first_sample, gap_before, channels: &channels, overload: &[false] };
        let (sensitivity, zero) = (Sensitivity::new(0.1), VoltsDc::new(0.5));
        let mut cut = monitor();
        cut.expect(Accel::new(1.0), false, 0.0);
        let trip = cut.look(&block, &Watch { frequency: Hertz::new(10.0), sensitivity, zero });
        assert_eq!(trip.map(|t| t.reason), Some(TripReason::ReferenceOpen));
        let mut unwatched = monitor();
        assert!(!trips(&mut unwatched, 0, tone(100.0)));
    }

    /// From a large motion straight to a small one the larger ceiling holds until the small one is there.
    #[test]
    fn the_larger_ceiling_holds_until_the_setting_is_in_effect() {
        let tone = |t: f64| (TAU * 10.0 * t).sin();
        let mut monitor = monitor();
        monitor.expect(Accel::new(1.0), false, 0.0);
        assert!(!trips(&mut monitor, 0, tone));
        monitor.expect(Accel::new(0.5), true, 0.0);
        assert!(!trips(&mut monitor, 2000, tone));
        monitor.settled(SampleIndex(4000));
        assert!(trips(&mut monitor, 4000, tone));
    }
}
