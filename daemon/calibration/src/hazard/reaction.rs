//! How long a rig takes from a fault until a stop acts on the coil.
//!
//! Owns: the single faults, what notices each, what stops each, and the times in between. Must not: know how far the
//! armature goes meanwhile.
//!
//! `reaction = detection + block + transfer + judgement + safe paths`: once the signal shows a fault, its sample waits for
//! the end of its block (at most a whole one), the block is carried over and judged, and the ways to stop are tried in
//! the order of the rig file, one after the other, until one acts that the fault leaves able to. An acquisition that
//! delivers in bursts says so by the length of its block.

use super::motion::Machine;
use super::reach::Halt;
use crate::control::{Plant, window};
use plan_schema::rig::{Rig, SafeAction};
use plan_schema::units::{Hertz, Seconds};
use std::f64::consts::TAU;

/// A single fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The gain from the source to the coil is three times as large from one sample to the next. The motion monitors
    /// notice it.
    GainJump,
    /// The source goes on with its last tone though told otherwise. Noticed when the command's reply and the output that
    /// follows it are overdue.
    SourceDeaf,
    /// The source holds its last sample, a direct voltage. Noticed as for a deaf one.
    SourceHolds,
    /// The source jumps to a direct voltage of the drive limit. The motion monitors notice it.
    SourceStep,
    /// The reference goes silent, and the loop raises the drive to its ceiling, which happens at once here. Noticed by the
    /// first window after that in which nothing is seen.
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
            Self::SourceStep => "if the source jumps to a direct voltage of the drive limit",
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
            (_, SafeAction::AmplifierMute)
            | (Self::GainJump | Self::ReferenceSilent, SafeAction::SourceOff) => true,
            (Self::SourceDeaf | Self::SourceHolds | Self::SourceStep, SafeAction::SourceOff) => false,
        }
    }
}

/// What notices a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Detection {
    /// The monitors: an acceleration beyond this, in m/s², that lasts for this long, in s.
    Motion {
        /// Smallest acceleration beyond one of the limits.
        beyond: f64,
        /// How long it takes to be averaged.
        averaged: f64,
    },
    /// It is overdue after this many seconds, whatever the motion.
    Overdue(f64),
}

/// How a rig answers a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Answer {
    pub(super) detection: Detection,
    /// From detection until the stop acts, in s.
    pub(super) rest: f64,
    /// What then acts on the coil; `None` where no safe path of the rig can.
    pub(super) halt: Option<Halt>,
}

/// Room for noise and for a mean that falls short of its peak, as a share of the limit.
const MARGIN: f64 = 1.01;

/// The monitors average over a fortieth of a cycle; a mean that lies wholly beyond a limit has ended after twice that.
const AVERAGED_CYCLES: f64 = 2.0 / 40.0;

/// How far beyond the limits of velocity and acceleration the monitors of a run trip.
const TRIP_FACTOR: f64 = 1.1;

/// How the rig answers a fault at a frequency.
#[must_use]
pub(super) fn answer(rig: &Rig, machine: &Machine, plant: &Plant, frequency: Hertz, fault: Fault) -> Answer {
    let source = rig.roles.source.split('.').next().unwrap_or_default();
    let latency = rig.instruments.iter().find(|i| i.name == source).map_or(Seconds::ZERO, |i| i.latency);
    let detection = match fault {
        Fault::GainJump | Fault::SourceStep => motion(rig, frequency),
        Fault::SourceDeaf | Fault::SourceHolds => Detection::Overdue((rig.timing.reply_limit + latency).si()),
        Fault::ReferenceSilent => {
            Detection::Overdue((latency + plant.settling_time() + window(frequency)).si())
        }
    };
    let mut rest = rig.acquisition.block + rig.timing.transfer + rig.timing.judgement;
    let mut halt = None;
    for path in &rig.safe_paths {
        rest = rest + path.time;
        if fault.leaves(path.action) {
            let mute = rig.amplifier.mute;
            halt = Some(match path.action {
                SafeAction::AmplifierMute => Halt::Muted(mute),
                SafeAction::SourceOff => Halt::Zeroed(braked(machine, plant), mute),
            });
            break;
        }
    }
    Answer { detection, rest: rest.si(), halt }
}

/// The mute follows once the armature is at rest; in current mode nothing brakes, and it follows at once.
fn braked(machine: &Machine, plant: &Plant) -> f64 {
    match machine.mode {
        plan_schema::rig::AmplifierMode::Voltage => plant.settling_time().si(),
        plan_schema::rig::AmplifierMode::Current => 0.0,
    }
}

/// The smallest acceleration beyond a limit of stroke, velocity or acceleration at this frequency: `ω² x`, `ω v`, `a`.
/// The reference shows acceleration only; the static allowance is taken off the stroke, as the monitors do.
fn motion(rig: &Rig, frequency: Hertz) -> Detection {
    let shaker = &rig.shaker;
    let omega = TAU * frequency.si();
    let stroke = (shaker.trip().si() - shaker.static_allowance.si()) * omega * omega;
    let velocity = shaker.velocity_limit.si() * TRIP_FACTOR * omega;
    let acceleration = shaker.acceleration_limit.si() * TRIP_FACTOR;
    Detection::Motion {
        beyond: stroke.min(velocity).min(acceleration) * MARGIN,
        averaged: AVERAGED_CYCLES / frequency.si(),
    }
}
