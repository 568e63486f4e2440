//! How long a rig takes from a fault until a stop acts on the coil.
//!
//! Owns: the single faults, what notices each, what stops each, and the times in between. Must not: know how far the
//! armature goes meanwhile.
//!
//! `reaction = detection + block + transfer + judgement + safe path`: once the signal shows a fault, its sample waits for
//! the end of its block (at most a whole one), the block is carried over and judged, and the instruments are made safe as
//! a run's way out does it: together where both brake, one after the other where they do not. An acquisition that delivers
//! in bursts says so by the length of its block.
//!
//! A source puts out at most the ceiling of its point, whatever it does: that is enforced where the drive is asked for, and
//! again in the process that has the instrument.

use super::motion::Machine;
use super::notice::{Sight, silence, silence_of_the_drive};
use super::reach::Halt;
use crate::control::Plant;
use plan_schema::rig::{AmplifierMode, Mute, Rig, SafeAction};
use plan_schema::units::{Hertz, Seconds};

/// A single fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The gain from the source to the coil is three times as large from one sample to the next. Noticed by the motion.
    GainJump,
    /// The source goes on with its last tone though told otherwise. Noticed when the command's reply and the output that
    /// follows it are overdue.
    SourceDeaf,
    /// The source holds its last sample, a direct voltage. Noticed when the tone is gone from the reference, or by the
    /// motion.
    SourceHolds,
    /// The source jumps to a direct voltage of the drive's ceiling. Noticed as if it held its last sample.
    SourceStep,
    /// The reference goes silent, and the loop raises the drive to its ceiling, which happens at once here. Noticed when
    /// the tone is gone, or by a displacement channel.
    ReferenceSilent,
}

impl Fault {
    /// All faults.
    pub const ALL: [Self; 5] =
        [Self::GainJump, Self::SourceDeaf, Self::SourceHolds, Self::SourceStep, Self::ReferenceSilent];

    /// What happens, for messages.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::GainJump => "if the gain to the coil jumps threefold",
            Self::SourceDeaf => "if the source goes on though told to stop",
            Self::SourceHolds => "if the source holds its last sample",
            Self::SourceStep => "if the source jumps to a direct voltage of the point's ceiling",
            Self::ReferenceSilent => "if the reference goes silent and the drive is raised to its ceiling",
        }
    }

    /// Whether the drive becomes a direct voltage or current.
    #[must_use]
    pub(super) fn holds_a_value(self) -> bool {
        matches!(self, Self::SourceHolds | Self::SourceStep)
    }

    /// Whether a way to stop still works. A source that fails can't be told to stop.
    #[must_use]
    pub fn leaves(self, action: SafeAction) -> bool {
        match (self, action) {
            (_, SafeAction::AmplifierMute | SafeAction::Relay)
            | (Self::GainJump | Self::ReferenceSilent, SafeAction::SourceOff) => true,
            (Self::SourceDeaf | Self::SourceHolds | Self::SourceStep, SafeAction::SourceOff)
            | (_, SafeAction::AmplifierWatchdog) => false,
        }
    }
}

/// How a rig answers a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Answer {
    /// It is noticed after this many seconds, whatever the motion.
    pub(super) overdue: Option<f64>,
    /// Or by what is seen of the motion.
    pub(super) sight: Option<Sight>,
    /// From detection until the stop acts, in s.
    pub(super) rest: f64,
    /// What then acts on the coil; `None` where no safe path of the rig can.
    pub(super) halt: Option<Halt>,
}

/// How the rig answers a fault at a frequency.
#[must_use]
pub(super) fn answer(rig: &Rig, machine: &Machine, plant: &Plant, frequency: Hertz, fault: Fault) -> Answer {
    let paths = Paths::of(rig, plant);
    let overdue = match fault {
        Fault::GainJump => None,
        Fault::SourceDeaf => Some((rig.timing.reply_limit + paths.latency).si()),
        Fault::SourceHolds | Fault::SourceStep => silence_of_the_drive(machine, frequency),
        Fault::ReferenceSilent => Some(silence(frequency)),
    };
    let sight = match fault {
        // The motion is as it was.
        Fault::SourceDeaf => None,
        // What a jump makes for a moment may lie in a gap; that the tone is gone does not.
        Fault::SourceHolds | Fault::SourceStep if rig.acquisition.is_gated() => None,
        Fault::GainJump | Fault::SourceHolds | Fault::SourceStep => {
            Some(Sight::of(rig, machine, frequency, true))
        }
        Fault::ReferenceSilent => Some(Sight::of(rig, machine, frequency, false)),
    };
    let (rest, halt, extra) =
        if fault.leaves(SafeAction::SourceOff) { paths.by_both() } else { paths.by_mute() };
    let sight = sight.map(|sight| sight.later(extra.si()));
    Answer { overdue, sight, rest: (paths.judged + rest).si(), halt }
}

/// The ways in which a rig is made safe, and their times.
#[derive(Debug, Clone, Copy)]
pub(super) struct Paths {
    source: Option<Seconds>,
    /// The amplifier's mute or the relay beside it, whichever acts first: both are asked at once.
    mute: Option<Seconds>,
    /// What the mute does to the coil.
    coil: Mute,
    /// Both are asked for at once, and both brake.
    together: bool,
    /// From what a signal shows until a stop is asked for.
    judged: Seconds,
    /// From a setting's reply until the source's output follows.
    latency: Seconds,
    /// From the source at zero until the mute is asked for, where it waits.
    turn: Seconds,
    reply_limit: Seconds,
}

/// From what a signal shows until the block that shows it whole has ended. Of a gated acquisition the fault may strike within
/// a block that does not tell it from a smaller tone any more; then a pause and the whole next block are waited for.
fn waited(rig: &Rig) -> Seconds {
    let block = rig.acquisition.block;
    rig.acquisition.pause.map_or(block, |pause| block * 2.0 + pause)
}

impl Paths {
    pub(super) fn of(rig: &Rig, plant: &Plant) -> Self {
        let name = rig.roles.source.split('.').next().unwrap_or_default();
        let latency = rig.instruments.iter().find(|i| i.name == name).map_or(Seconds::ZERO, |i| i.latency);
        let time = |actions: &[SafeAction]| {
            rig.safe_paths.iter().filter(|p| actions.contains(&p.action)).map(|p| p.time).reduce(Seconds::min)
        };
        let judged = waited(rig) + rig.timing.transfer + rig.timing.judgement;
        let voltage = rig.amplifier.mode == AmplifierMode::Voltage;
        let brake = if voltage { plant.settling_time() } else { Seconds::ZERO };
        Self {
            source: time(&[SafeAction::SourceOff]),
            mute: time(&[SafeAction::AmplifierMute, SafeAction::Relay]),
            coil: rig.amplifier.mute,
            together: voltage && rig.amplifier.mute == Mute::Shorts,
            judged,
            latency,
            turn: latency + brake + judged,
            reply_limit: rig.timing.reply_limit,
        }
    }

    /// With a source that goes to zero when told: the time, and what acts. Nothing takes longer.
    fn by_both(&self) -> (Seconds, Option<Halt>, Seconds) {
        let muted = Halt::Muted(self.coil);
        let zeroed = Halt::Zeroed(self.live().si(), self.coil);
        let (rest, halt) = match (self.source, self.mute) {
            (None, None) => (Seconds::ZERO, None),
            // A source that no path speaks of proves in time, or is given up after its reply's limit.
            (None, Some(mute)) if !self.together => (self.reply_limit + self.turn + mute, Some(muted)),
            (None, Some(mute)) => (mute, Some(muted)),
            (Some(source), Some(mute)) if self.together && mute <= source => (mute, Some(muted)),
            (Some(source), _) => (source, Some(zeroed)),
        };
        (rest, halt, Seconds::ZERO)
    }

    /// With a source that can't be told: the time, what acts, and how much longer it takes where the source is not known
    /// to be the suspect and is waited for first.
    fn by_mute(&self) -> (Seconds, Option<Halt>, Seconds) {
        let waits = self.source.unwrap_or(self.reply_limit) + self.turn;
        let extra = if self.together { Seconds::ZERO } else { waits };
        match self.mute {
            Some(mute) => (mute, Some(Halt::Muted(self.coil)), extra),
            None => (Seconds::ZERO, None, extra),
        }
    }

    /// How long the source is at zero, the amplifier live, before the mute acts.
    pub(super) fn live(&self) -> Seconds {
        match (self.together, self.source, self.mute) {
            (true, Some(source), Some(mute)) => (mute - source).max(Seconds::ZERO),
            (_, _, mute) => self.turn + mute.unwrap_or(Seconds::ZERO),
        }
    }
}
