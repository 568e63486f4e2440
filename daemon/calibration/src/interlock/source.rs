//! What is said of a source that does not do what it acknowledged, and how that is found out.
//!
//! Owns: the trips of the source; whether the tone before goes on although another was acknowledged ([`Old`]), whether one
//! goes on although the source was told to be at 0 V ([`Silent`]), and whether an amplitude followed ([`Base`]). Must not:
//! know the reference's own troubles; they were looked for before.

use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use crate::estimate::Running;
use plan_schema::units::{
    Displacement, Hertz, Peak, SampleCount, SampleIndex, SamplesPerSecond, Seconds, Volts, engineering,
};

/// Share of the tone before that counts as going on.
const GOES_ON: f64 = 0.3;

/// The old tone has to explain what is seen so many times better than the new one.
const BETTER: f64 = 2.5;

/// Cycles of the old tone after which it counts as gone.
const LOOKED_FOR: f64 = 4.0;

/// How long and how often a source that was told to be silent has to be heard: a knock against the table is none.
const HEARD: Seconds = Seconds::new(0.010);
const TIMES: usize = 4;

pub(super) fn not_following(what: &str) -> Trip {
    let message = format!(
        "the source acknowledged a setting and does not follow it: {what}. The amplifier is muted. Check the source and \
         its link, and the amplifier's gain, then acknowledge."
    );
    Trip::plain(TripReason::SourceNotFollowing, message)
}

pub(super) fn ceased() -> Trip {
    let message = "the tone ceased on all channels without a command: the source may hold a direct voltage, or the drive does \
                   not reach the coil any more. The amplifier is muted. Measure the source's output, check cables and \
                   amplifier, then acknowledge.";
    Trip::plain(TripReason::SourceDc, message)
}

/// The armature goes off its centre although the source was told to be at 0 V.
pub(super) fn wanders(off: Displacement<Peak>, allowed: Displacement<Peak>) -> Trip {
    let message = format!(
        "the source was told to be at 0 V, and the armature went {} off its centre where {} are allowed for: the source may \
         hold a direct voltage. The amplifier is muted. Measure the source's output, check the amplifier's offset, then \
         acknowledge.",
        engineering(off.si(), "m"),
        engineering(allowed.si(), "m")
    );
    Trip::beyond(TripReason::SourceDc, off.si(), allowed.si(), "m", message)
}

/// A tone that was seen: its frequency, its amplitude on the reference, and the noise of a group of samples, V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Before {
    pub(super) frequency: Hertz,
    pub(super) amplitude: f64,
    pub(super) noise: f64,
}

/// Looks for the tone before while another should be on.
#[derive(Debug, Clone)]
pub(super) struct Old {
    before: Before,
    from: SampleIndex,
    old: Running,
    new: Running,
    next_look: u64,
    rate: SamplesPerSecond,
}

/// What became of the old tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OldTone {
    /// It can't be told yet.
    Unknown,
    /// It is gone.
    Gone,
    /// It goes on.
    GoesOn,
}

impl Old {
    /// `None` where there is nothing to tell apart.
    pub(super) fn new(
        before: Before,
        frequency: Hertz,
        rate: SamplesPerSecond,
        from: SampleIndex,
    ) -> Option<Self> {
        if (frequency / before.frequency - 1.0).abs() < 1e-3 {
            return None;
        }
        // One term each, so that neither takes the other for its harmonic.
        let fit = |f| Running::new(f, rate, 1).ok();
        let longer = before.frequency.min(frequency);
        let next_look = SampleCount::at_least(Seconds::new(1.0 / longer.si()), rate).0 + 1;
        Some(Self { before, from, old: fit(before.frequency)?, new: fit(frequency)?, next_look, rate })
    }

    pub(super) fn look(&mut self, block: &BlockView<'_>, reference: usize) -> OldTone {
        let Some(samples) = block.channels.get(reference) else { return OldTone::Unknown };
        let skip = self.from.0.saturating_sub(block.first_sample.0);
        let fresh = samples.get(usize::try_from(skip).unwrap_or(usize::MAX)..).unwrap_or_default();
        self.old.push(fresh);
        self.new.push(fresh);
        let seen = self.old.samples().0;
        if seen < self.next_look {
            return OldTone::Unknown;
        }
        self.next_look = seen + seen / 4;
        let (Some(old), Some(new)) = (self.old.estimate(), self.new.estimate()) else {
            return OldTone::Unknown;
        };
        let there = old.amplitude.norm() > GOES_ON * self.before.amplitude;
        if there && old.deviation * BETTER < new.deviation {
            return OldTone::GoesOn;
        }
        let cycles = seen as f64 / self.rate.si() * self.before.frequency.si();
        let explained = new.deviation * BETTER < old.deviation;
        if explained || cycles > LOOKED_FOR { OldTone::Gone } else { OldTone::Unknown }
    }
}

/// Listens to a source that was told to be at 0 V.
#[derive(Debug, Clone)]
pub(super) struct Silent {
    from: SampleIndex,
    zero: f64,
    limit: f64,
    /// Samples that are looked at together.
    group: usize,
    sum: f64,
    count: usize,
    heard: usize,
}

impl Silent {
    pub(super) fn new(before: Before, zero: f64, rate: SamplesPerSecond, from: SampleIndex) -> Self {
        let limit = (GOES_ON * before.amplitude).max(8.0 * before.noise);
        let group = usize::try_from(SampleCount::at_least(HEARD, rate).0).unwrap_or(usize::MAX).max(1);
        Self { from, zero, limit, group, sum: 0.0, count: 0, heard: 0 }
    }

    /// True if it is heard.
    pub(super) fn look(&mut self, block: &BlockView<'_>, reference: usize) -> bool {
        let Some(samples) = block.channels.get(reference) else { return false };
        let skip = usize::try_from(self.from.0.saturating_sub(block.first_sample.0)).unwrap_or(usize::MAX);
        for sample in samples.get(skip..).unwrap_or_default() {
            self.sum += (f64::from(*sample) - self.zero).powi(2);
            self.count += 1;
            if self.count < self.group {
                continue;
            }
            let rms = (self.sum / self.count as f64).sqrt();
            (self.sum, self.count) = (0.0, 0);
            // Not in a row: a slow tone passes through zero.
            self.heard += usize::from(rms > self.limit);
            if self.heard >= TIMES {
                return true;
            }
        }
        false
    }
}

/// The amplitude that was seen last, and the drive that it had.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Base {
    pub(super) frequency: Hertz,
    pub(super) drive: Volts<Peak>,
    pub(super) amplitude: f64,
}

/// Changes of the drive below this are too small to tell by: the response of a coil that overheats falls by as much
/// meanwhile.
const LEAST_CHANGE: f64 = 0.095;

/// Share of a change that has to be seen of it.
const FOLLOWED: f64 = 0.25;

impl Base {
    /// Whether an amplitude, known to a relative standard deviation, followed from the base; `None` where it can't be told.
    pub(super) fn followed(&self, drive: Volts<Peak>, amplitude: f64, deviation: f64) -> Option<bool> {
        let asked = (drive / self.drive).ln();
        let seen = (amplitude / self.amplitude).ln();
        let clear = asked.abs() > LEAST_CHANGE && deviation < 0.1 * asked.abs();
        // Not the other comparison: what is no number did not follow.
        clear.then(|| seen * asked.signum() > FOLLOWED * asked.abs())
    }
}
