//! The one way out of a run: drive to zero, brake, mute, prove, done; in the order that is safe for this amplifier.
//!
//! A healthy run ramps down first, as gently as it ramped up; then the source proves that it is at zero, and the amplifier
//! mutes. After a trip, and at a person's stop, nothing is waited for:
//!
//! | amplifier | asked for at once | after it |
//! |---|---|---|
//! | voltage, its mute shorts the coil | the source at zero and the mute: both brake, in any order, and neither waits for the other | |
//! | voltage, its mute opens the coil | the source at zero, since 0 V brake with the amplifier live | the mute, once the armature is at rest |
//! | current | the source at zero: its shaped way there is the braking ramp | the mute, as soon as the source is at zero: no current brakes nothing |
//!
//! A source that is itself the suspect is not waited for, whatever the amplifier. An amplifier that is the suspect is muted
//! at once only where its mute shorts: that is the first line.

use super::input::{Outcome, Target};
use super::setup::Setup;
use crate::interlock::TripReason;
use plan_schema::rig::{AmplifierMode, Mute, Rig};
use plan_schema::units::{Mono, SampleCount, SampleIndex, Seconds};

/// Some of the two instruments that are made safe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Targets {
    source: bool,
    amplifier: bool,
}

impl Targets {
    /// Neither.
    pub const NONE: Self = Self { source: false, amplifier: false };
    /// The source alone.
    pub const SOURCE: Self = Self { source: true, amplifier: false };
    /// The amplifier alone.
    pub const AMPLIFIER: Self = Self { source: false, amplifier: true };
    /// Both.
    pub const BOTH: Self = Self { source: true, amplifier: true };

    /// True if this one is among them.
    #[must_use]
    pub const fn has(self, target: Target) -> bool {
        match target {
            Target::Source => self.source,
            Target::Amplifier => self.amplifier,
        }
    }

    /// Those that are here and not in the other.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self { source: self.source && !other.source, amplifier: self.amplifier && !other.amplifier }
    }

    /// Those that are in either.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self { source: self.source || other.source, amplifier: self.amplifier || other.amplifier }
    }

    /// One by one, the source first.
    pub fn each(self) -> impl Iterator<Item = Target> {
        [Target::Source, Target::Amplifier].into_iter().filter(move |t| self.has(*t))
    }
}

impl From<Target> for Targets {
    fn from(target: Target) -> Self {
        match target {
            Target::Source => Self::SOURCE,
            Target::Amplifier => Self::AMPLIFIER,
        }
    }
}

/// What is asked for at once where nothing is waited for; the rest has its turn afterwards.
#[must_use]
pub fn at_once(rig: &Rig, reason: Option<TripReason>) -> Targets {
    let shorts = rig.amplifier.mode == AmplifierMode::Voltage && rig.amplifier.mute == Mute::Shorts;
    // What could not be made safe is the source, wherever the amplifier still has its turn.
    let source_suspect = matches!(
        reason,
        Some(TripReason::SourceNotFollowing | TripReason::SourceDc | TripReason::MakeSafeFailed)
    );
    if shorts || source_suspect { Targets::BOTH } else { Targets::SOURCE }
}

/// How long the armature brakes between the source at zero and the mute, where one waits for the other.
#[must_use]
pub fn brake(setup: &Setup) -> Seconds {
    match setup.job.rig.amplifier.mode {
        AmplifierMode::Voltage => setup.plant.settling_time(),
        AmplifierMode::Current => Seconds::ZERO,
    }
}

/// Where a run is on its way out.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage {
    /// The source goes to zero as gently as it came; over at the sample, once that is known, or at the moment.
    Ramping {
        /// Sample from which the drive is zero.
        sample: Option<SampleIndex>,
        /// Moment from which it is not waited for any longer.
        moment: Mono,
    },
    /// Waiting for these instruments to prove that they are safe; each was asked once.
    Proving(Targets),
    /// The source is at zero and the armature brakes; over at the sample or at the moment, whichever comes first.
    Braking {
        /// Sample from which it is at rest.
        sample: SampleIndex,
        /// Moment from which it counts as at rest, for the case that no samples come.
        moment: Mono,
    },
    /// Both are safe.
    Over,
}

/// A run on its way out.
#[derive(Debug, Clone, PartialEq)]
pub struct Stopping {
    /// How the run will have ended.
    pub outcome: Outcome,
    /// Where it is.
    pub stage: Stage,
    /// What need not wait for its turn.
    wanted: Targets,
    done: Targets,
    brake: (Seconds, SampleCount),
}

impl Stopping {
    /// Begins to stop: after a trip for its reason, else in good order. What is to be made safe first is in the stage.
    #[must_use]
    pub fn begin(setup: &Setup, outcome: Outcome, reason: Option<TripReason>) -> Self {
        let wanted = reason.map_or(Targets::SOURCE, |_| at_once(&setup.job.rig, reason));
        let brake = brake(setup);
        Self {
            outcome,
            stage: Stage::Proving(wanted),
            wanted,
            done: Targets::NONE,
            brake: (brake, setup.samples(brake)),
        }
    }

    /// Begins to ramp down, until `moment` at the latest.
    #[must_use]
    pub fn ramp(setup: &Setup, outcome: Outcome, moment: Mono) -> Self {
        Self { stage: Stage::Ramping { sample: None, moment }, ..Self::begin(setup, outcome, None) }
    }

    /// The source took the command to go to zero, and will be there at `sample`.
    pub fn ramped(&mut self, at: SampleIndex) {
        if let Stage::Ramping { sample, .. } = &mut self.stage {
            *sample = Some(at);
        }
    }

    /// An instrument was made safe, or could not be: either way the other has its turn. `followed` is the sample from
    /// which the setting is in effect. A proof that nobody waits for proves nothing now. What is to be made safe next.
    #[must_use]
    pub fn proved(&mut self, target: Target, followed: SampleIndex, now: Mono) -> Targets {
        let Stage::Proving(asked) = self.stage else {
            return Targets::NONE;
        };
        if !asked.has(target) {
            return Targets::NONE;
        }
        self.done = self.done.and(target.into());
        let left = asked.without(self.done);
        self.stage = match (left, self.done) {
            (Targets::NONE, Targets::BOTH) => Stage::Over,
            (Targets::NONE, Targets::SOURCE) => Stage::Braking {
                sample: followed + self.brake.1,
                // Generous: a stop must end even where no samples tell the time.
                moment: now.after(self.brake.0 + Seconds::new(0.25)),
            },
            (Targets::NONE, _) => {
                self.stage = Stage::Proving(Targets::SOURCE);
                return Targets::SOURCE;
            }
            _ => Stage::Proving(left),
        };
        Targets::NONE
    }

    /// Nothing is waited for any longer: a person wants it safe at once, or something is wrong. What need not wait is
    /// asked for by [`Self::advance`].
    pub fn hurry(&mut self, rig: &Rig, reason: Option<TripReason>) {
        self.wanted = self.wanted.and(at_once(rig, reason));
        if let Stage::Braking { moment, .. } | Stage::Ramping { moment, .. } = &mut self.stage {
            *moment = Mono(0);
        }
    }

    /// What has its turn to be made safe, if what was waited for is over.
    #[must_use]
    pub fn advance(&mut self, now: Mono, end: SampleIndex) -> Targets {
        let (asked, next) = match self.stage {
            Stage::Ramping { sample, moment } if now >= moment || sample.is_some_and(|s| end >= s) => {
                (Targets::NONE, self.wanted)
            }
            Stage::Braking { sample, moment } if now >= moment || end >= sample => {
                (Targets::NONE, Targets::AMPLIFIER)
            }
            Stage::Proving(asked) => (asked, self.wanted.without(asked.and(self.done))),
            Stage::Ramping { .. } | Stage::Braking { .. } | Stage::Over => return Targets::NONE,
        };
        if next != Targets::NONE {
            self.stage = Stage::Proving(asked.and(next));
        }
        next
    }
}

#[cfg(test)]
mod tests;
