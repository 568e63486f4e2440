//! The one way out of a run: drive to zero, brake, mute, prove, done; in the order that is safe for this amplifier.
//!
//! A healthy run ramps down first, as gently as it ramped up. After a trip, and at a person's stop, nothing is waited
//! for.
//!
//! In voltage mode the source goes to zero first while the amplifier is live, since 0 V brakes the armature, then the
//! amplifier mutes. If the amplifier itself is the suspect, it is muted at once where its mute shorts the coil. In
//! current mode the source's shaped way to zero is the braking ramp.

use super::input::{Outcome, Target};
use super::setup::Setup;
use crate::interlock::TripReason;
use plan_schema::rig::{AmplifierMode, Mute};
use plan_schema::units::{Mono, SampleIndex, Seconds};

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
    /// Waiting for this instrument to prove that it is safe.
    Proving(Target),
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
    source_done: bool,
    amplifier_done: bool,
    brake: Seconds,
}

impl Stopping {
    /// Begins to stop; the first thing to make safe is in the stage.
    #[must_use]
    pub fn begin(setup: &Setup, outcome: Outcome, reason: Option<TripReason>) -> Self {
        let amplifier = &setup.job.rig.amplifier;
        let suspect = reason == Some(TripReason::AmplifierFault);
        let mute_first =
            suspect && amplifier.mode == AmplifierMode::Voltage && amplifier.mute == Mute::Shorts;
        let first = if mute_first { Target::Amplifier } else { Target::Source };
        Self {
            outcome,
            stage: Stage::Proving(first),
            source_done: false,
            amplifier_done: false,
            brake: setup.plant.settling_time(),
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
    /// which the setting is in effect.
    pub fn proved(&mut self, target: Target, followed: SampleIndex, brake_samples: u64, now: Mono) {
        match target {
            Target::Source => self.source_done = true,
            Target::Amplifier => self.amplifier_done = true,
        }
        self.stage = match (self.source_done, self.amplifier_done) {
            (true, true) => Stage::Over,
            (true, false) => Stage::Braking {
                sample: SampleIndex(followed.0.saturating_add(brake_samples)),
                // Generous: a stop must end even where no samples tell the time.
                moment: now.after(self.brake + Seconds::new(0.25)),
            },
            (false, _) => Stage::Proving(Target::Source),
        };
    }

    /// Nothing is waited for any longer: a person wants it safe at once, or something is wrong.
    pub fn hurry(&mut self) {
        if let Stage::Braking { moment, .. } | Stage::Ramping { moment, .. } = &mut self.stage {
            *moment = Mono(0);
        }
    }

    /// What has its turn to be made safe, if what was waited for is over.
    pub fn advance(&mut self, now: Mono, end: SampleIndex) -> Option<Target> {
        let (over, next) = match self.stage {
            Stage::Ramping { sample, moment } => {
                (now >= moment || sample.is_some_and(|s| end >= s), Target::Source)
            }
            Stage::Braking { sample, moment } => (now >= moment || end >= sample, Target::Amplifier),
            Stage::Proving(_) | Stage::Over => return None,
        };
        over.then(|| {
            self.stage = Stage::Proving(next);
            next
        })
    }
}
