//! The monitors that look at every block: overload, missing samples, acceleration, velocity and stroke.
//!
//! Acceleration is averaged over a fortieth of a cycle, so that noise far above the signal does not count as motion;
//! the delay of half that time is part of the reaction. From acceleration alone only the alternating part of the
//! stroke can be known: `x = a / (2πf)²` with the lowest frequency that may be in effect. The static part is bounded by
//! the rig file and taken off the limit.

use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use plan_schema::units::{
    Accel, AccelDc, Displacement, Hertz, Newtons, Peak, SampleCount, SampleIndex, SamplesPerSecond,
    Sensitivity, Velocity, Volts, VoltsDc, engineering,
};
use std::f64::consts::TAU;

/// What one point stays under; computed before it starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ceiling {
    /// Stroke with overshoot and static allowance.
    pub stroke: Displacement<Peak>,
    /// Velocity with overshoot.
    pub velocity: Velocity<Peak>,
    /// Acceleration with overshoot.
    pub acceleration: Accel<Peak>,
    /// Force with overshoot.
    pub force: Newtons<Peak>,
    /// Drive of the source.
    pub drive: Volts<Peak>,
}

/// What trips on this rig, whatever the point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Alternating stroke: the trip stroke less the static allowance.
    pub stroke: Displacement<Peak>,
    /// Velocity.
    pub velocity: Velocity<Peak>,
    /// Acceleration.
    pub acceleration: Accel<Peak>,
    /// Drive of the source.
    pub drive: Volts<Peak>,
}

/// What the monitors watch while a tone is on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Watch {
    /// Lowest frequency that may be in effect.
    pub frequency: Hertz,
    /// Sensitivity of the reference there.
    pub sensitivity: Sensitivity,
    /// Output of the reference at rest.
    pub zero: VoltsDc,
}

/// Watches blocks. One per run; keeps only what it needs from block to block.
#[derive(Debug, Clone)]
pub struct Monitor {
    limits: Limits,
    rate: SamplesPerSecond,
    reference: usize,
    names: Vec<String>,
    watch: Option<Watch>,
    /// Columns whose overload means nothing: their sensors are out of what they can show.
    spared: Vec<usize>,
    /// Most samples between two blocks; `None` where there must be none.
    gap_max: Option<SampleCount>,
    expected: Option<SampleIndex>,
    sum: f64,
    count: usize,
}

impl Monitor {
    /// Monitors for a rig; `names` are those of the columns, `reference` is the reference's column.
    #[must_use]
    pub fn new(limits: Limits, rate: SamplesPerSecond, reference: usize, names: Vec<String>) -> Self {
        Self {
            limits,
            rate,
            reference,
            names,
            watch: None,
            spared: Vec::new(),
            gap_max: None,
            expected: None,
            sum: 0.0,
            count: 0,
        }
    }

    /// The same for an acquisition with gaps of so many samples at most between its blocks: nothing is averaged across one.
    #[must_use]
    pub fn gated(self, gap_max: Option<SampleCount>) -> Self {
        Self { gap_max, ..self }
    }

    /// True if there are gaps between blocks.
    #[must_use]
    pub fn is_gated(&self) -> bool {
        self.gap_max.is_some()
    }

    /// What trips on this rig.
    #[must_use]
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Watches for motion from now on; `None` at rest.
    pub fn watch(&mut self, watch: Option<Watch>) {
        self.watch = watch;
        self.sum = 0.0;
        self.count = 0;
    }

    /// Does not judge the overload of these columns from now on.
    pub fn spare(&mut self, columns: Vec<usize>) {
        self.spared = columns;
    }

    /// Looks at a block; the first thing that is wrong with it.
    pub fn look(&mut self, block: &BlockView<'_>, driving: bool) -> Option<Trip> {
        let expected = self.expected.replace(block.end());
        if driving && self.misses(block, expected) {
            let message =
                "samples are missing. The acquisition or its link lost data. Check both, then acknowledge.";
            return Some(Trip {
                at_sample: Some(block.first_sample),
                ..Trip::plain(TripReason::BlocksMissing, message)
            });
        }
        if self.gap_max.is_some() {
            (self.sum, self.count) = (0.0, 0);
        }
        // A motion beyond its limits may overload a channel too; the motion is then the cause that helps. A reference that
        // was at the end of its range before says nothing of the motion.
        if let Some(trip) = self.motion(block) {
            let saturated = self.saturated(block).filter(|_| driving);
            if saturated.is_none_or(|from| trip.at_sample < Some(from)) {
                return Some(trip);
            }
        }
        let mut overloaded =
            block.overload.iter().enumerate().filter(|(n, o)| **o && !self.spared.contains(n));
        let (column, _) = overloaded.next().filter(|_| driving)?;
        Some(self.overload(column, block))
    }

    /// True if more samples are missing before a block than may be, or if it does not follow where it has to.
    fn misses(&self, block: &BlockView<'_>, expected: Option<SampleIndex>) -> bool {
        let allowed = self.gap_max.unwrap_or(SampleCount(0));
        let follows = |end: SampleIndex| block.first_sample >= end && block.first_sample - end <= allowed;
        block.gap_before > allowed || expected.is_some_and(|end| !follows(end))
    }

    /// From which sample on the reference is at the end of its range, if its channel says that it was overloaded.
    fn saturated(&self, block: &BlockView<'_>) -> Option<SampleIndex> {
        self.saturated_column(block, self.reference)
    }

    /// From which sample on any channel is at the end of its range, of those that say that they were overloaded.
    pub(super) fn first_overload(&self, block: &BlockView<'_>) -> Option<SampleIndex> {
        (0..block.overload.len()).filter_map(|column| self.saturated_column(block, column)).min()
    }

    fn saturated_column(&self, block: &BlockView<'_>, column: usize) -> Option<SampleIndex> {
        block.overload.get(column).filter(|o| **o && !self.spared.contains(&column))?;
        let samples = block.channels.get(column)?;
        let end = samples.iter().fold(0.0f32, |end, s| end.max(s.abs()));
        let first = samples.iter().position(|s| s.abs() >= end)?;
        Some(block.first_sample + SampleCount(first as u64))
    }

    fn overload(&self, column: usize, block: &BlockView<'_>) -> Trip {
        let name = self.names.get(column).cloned().unwrap_or_default();
        Trip {
            at_sample: Some(block.first_sample),
            message: format!(
                "channel '{name}' was driven beyond its range. A cable, a conditioner or the amplitude may be the cause. \
                 Check the channel, then acknowledge."
            ),
            channel: Some(name),
            ..Trip::plain(TripReason::Overload, "")
        }
    }

    fn motion(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        let watch = self.watch?;
        let samples = block.channels.get(self.reference)?;
        let group = self.group(watch.frequency);
        let omega = TAU * watch.frequency.si();
        let limit = self.motion_limit(omega);
        let scale = 1.0 / watch.sensitivity.si();
        let zero = watch.zero.si();
        for (n, sample) in samples.iter().enumerate() {
            self.sum += f64::from(*sample);
            self.count += 1;
            if self.count < group {
                continue;
            }
            #[expect(clippy::cast_precision_loss, reason = "a group has few samples")]
            let acceleration = AccelDc::new((self.sum / self.count as f64 - zero) * scale);
            self.sum = 0.0;
            self.count = 0;
            if acceleration.abs() > limit {
                let at = block.first_sample + SampleCount(n as u64);
                return Some(self.beyond(acceleration.abs(), omega, at));
            }
        }
        None
    }

    /// Samples averaged: a fortieth of a cycle.
    fn group(&self, frequency: Hertz) -> usize {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the range of usize"
        )]
        let group = (self.rate.si() / (40.0 * frequency.si())).floor().clamp(1.0, 1e7) as usize;
        group
    }

    /// The smallest acceleration that passes one of the limits at this angular frequency.
    fn motion_limit(&self, omega: f64) -> AccelDc {
        let stroke = self.limits.stroke.si() * omega * omega;
        let velocity = self.limits.velocity.si() * omega;
        AccelDc::new(self.limits.acceleration.si().min(velocity).min(stroke))
    }

    /// Only the acceleration is measured: what it means for stroke or velocity is said as such.
    fn beyond(&self, acceleration: AccelDc, omega: f64, at: SampleIndex) -> Trip {
        let a = acceleration.si();
        let limits = &self.limits;
        let seen = format!("the acceleration reached {}", engineering(a, "m/s²"));
        let frequency = engineering(omega / TAU, "Hz");
        let next = "The amplifier's gain, the payload or the reference may have changed. Check them, then acknowledge.";
        let means = |what: &str, value: f64, limit: f64, unit: &str| {
            let shown = (engineering(value, unit), engineering(limit, unit));
            format!(
                "{seen}, which at {frequency} is a {what} of {} where {} pk is the limit. {next}",
                shown.0, shown.1
            )
        };
        let (stroke, velocity) = (a / (omega * omega), a / omega);
        let trip = if stroke > limits.stroke.si() {
            let message = means("stroke", stroke, limits.stroke.si(), "m");
            Trip::beyond(TripReason::StrokeLimit, stroke, limits.stroke.si(), "m", message)
        } else if velocity > limits.velocity.si() {
            let message = means("velocity", velocity, limits.velocity.si(), "m/s");
            Trip::beyond(TripReason::VelocityLimit, velocity, limits.velocity.si(), "mps", message)
        } else {
            let limit = limits.acceleration.si();
            let message = format!("{seen} where {} pk is the limit. {next}", engineering(limit, "m/s²"));
            Trip::beyond(TripReason::AccelerationLimit, a, limit, "mps2", message)
        };
        let channel = self.names.get(self.reference).cloned();
        Trip { at_sample: Some(at), channel, ..trip }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A gated acquisition may leave out as much as its rig file says, and no more; another one nothing.
    #[test]
    fn samples_that_are_missing_trip_beyond_the_pause() {
        let limits = Limits {
            stroke: Displacement::new(1.0),
            velocity: Velocity::new(1.0),
            acceleration: Accel::new(1.0),
            drive: Volts::new(1.0),
        };
        let trips = |gap_max: Option<u64>, gap: u64, told: u64| {
            let monitor = Monitor::new(limits, SamplesPerSecond::new(1000.0), 0, vec!["ref".to_owned()]);
            let mut monitor = monitor.gated(gap_max.map(SampleCount));
            let channels = [&[0.0; 10][..]];
            let mut look = |first: u64, gap: u64| {
                let (first_sample, gap_before) = (SampleIndex(first), SampleCount(gap));
                let block = BlockView { first_sample, gap_before, channels: &channels, overload: &[false] };
                monitor.look(&block, true).is_some()
            };
            assert!(!look(0, 0));
            look(10 + gap, told)
        };
        assert!(!trips(None, 0, 0) && trips(None, 1, 1) && trips(None, 1, 0));
        assert!(!trips(Some(5), 0, 0) && !trips(Some(5), 5, 5));
        assert!(trips(Some(5), 6, 6) && trips(Some(5), 6, 0) && trips(Some(5), 0, 6));
    }

    /// What saturated first counts, of the channels that say so and are not spared.
    #[test]
    fn the_first_overload_of_a_block_is_found() {
        let limits = Limits {
            stroke: Displacement::new(1.0),
            velocity: Velocity::new(1.0),
            acceleration: Accel::new(1.0),
            drive: Volts::new(1.0),
        };
        let names = ["ref", "a", "b"].map(str::to_owned).to_vec();
        let mut monitor = Monitor::new(limits, SamplesPerSecond::new(1000.0), 0, names);
        let channels = [&[0.0, 0.5, 1.0, 0.2][..], &[0.0, 0.1, 0.2, -2.0], &[0.0, 5.0, 5.0, 5.0]];
        let block = |overload: &'static [bool]| BlockView {
            first_sample: SampleIndex(100),
            gap_before: SampleCount(0),
            channels: &channels,
            overload,
        };
        let first = |monitor: &Monitor, overload| monitor.first_overload(&block(overload)).map(|s| s.0);
        assert_eq!(first(&monitor, &[false, false, false]), None);
        assert_eq!(first(&monitor, &[true, true, false]), Some(102));
        assert_eq!(first(&monitor, &[false, true, false]), Some(103));
        assert_eq!(first(&monitor, &[true, true, true]), Some(101));
        monitor.spare(vec![2]);
        assert_eq!(first(&monitor, &[true, true, true]), Some(102));
    }
}
