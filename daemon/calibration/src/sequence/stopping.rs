//! The one way out of a run: drive to zero, brake, mute, prove, done; in the order that is safe for this amplifier.
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
        let first = if mute_first {
            Target::Amplifier
        } else {
            Target::Source
        };
        Self {
            outcome,
            stage: Stage::Proving(first),
            source_done: false,
            amplifier_done: false,
            brake: setup.plant.settling_time(),
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

    /// Braking is not waited for any longer: a person wants it safe at once.
    pub fn hurry(&mut self) {
        if let Stage::Braking { moment, .. } = &mut self.stage {
            *moment = Mono(0);
        }
    }

    /// True if braking is over; the amplifier has its turn then.
    pub fn braked(&mut self, now: Mono, sample: Option<SampleIndex>) -> bool {
        let Stage::Braking {
            sample: until,
            moment,
        } = self.stage
        else {
            return false;
        };
        let over = now >= moment || sample.is_some_and(|s| s >= until);
        if over {
            self.stage = Stage::Proving(Target::Amplifier);
        }
        over
    }
}
