//! Everything that can happen to a run, and everything it can ask for. All causes on one screen.

use super::first_motion::FirstMotion;
use super::measure::PointEnd;
use super::quiet::QuietRecord;
use super::ratio_tone::RatioTone;
use super::recent::Recent;
use super::room::Pause;
use crate::block::BlockView;
use crate::interlock::Trip;
use plan_schema::units::{Accel, Celsius, Fraction, Hertz, Peak, SampleIndex, Seconds, Volts};

/// When a setting took effect, in samples: not before the one, not after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effective {
    /// It had no effect before this sample.
    pub not_before: SampleIndex,
    /// It is in full effect from this sample on.
    pub not_after: SampleIndex,
}

/// The reply to an action.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reply {
    /// The source goes to this tone.
    Tone {
        /// Frequency as applied.
        frequency: Hertz,
        /// Amplitude as applied.
        amplitude: Volts<Peak>,
        /// How long its way there takes.
        way: Seconds,
    },
    /// The source goes to 0 V.
    SourceOff,
    /// The amplifier lets the drive through.
    Unmuted,
    /// The warning is on.
    Warned,
    /// The switch before the channels is where it was asked to be.
    Routed,
    /// An instrument was made safe, with proof.
    MadeSafe(Target),
}

/// What is to be made safe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// The source: 0 V.
    Source,
    /// The amplifier: muted.
    Amplifier,
}

/// What follows from the failure of an instrument; retries are behind it already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Consequence {
    /// The point is rejected, the run goes on.
    RejectPoint,
    /// The run ends in good order.
    FailRun,
    /// The interlock trips.
    Trip,
}

/// What a person wants of a run that goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operator {
    /// End it in good order.
    Cancel,
    /// Make safe now.
    Stop,
}

/// Which cables are wanted where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cable {
    /// At the channels, by way of a distribution box, and not at the amplifier.
    ToChannels,
    /// At the amplifier, and every transducer at its channel.
    ToAmplifier,
    /// The reference's at the channels of the sensors in place of these, and at its own channel as before.
    ReferenceToChannels,
    /// Every sensor's at its channel again.
    SensorsToChannels,
}

impl Cable {
    /// What a person is asked to do, in words.
    #[must_use]
    pub const fn asks(self) -> &'static str {
        match self {
            Self::ToChannels => {
                "the amplifier is muted. Take the source's cable off the amplifier and to the distribution box, and connect \
                 the box to the channels in place of every transducer; then say so with calwright confirm"
            }
            Self::ToAmplifier => {
                "the source is at 0 V and the amplifier muted. Connect every transducer to its channel again and the source's \
                 cable to the amplifier, then keep clear and say so with calwright confirm"
            }
            Self::ReferenceToChannels => {
                "the source is at 0 V and the amplifier muted. Take every sensor off its channel and connect the output of the \
                 reference there, leaving the reference at its own channel as well; touch nothing on the armature. Then keep \
                 clear and say so with calwright confirm"
            }
            Self::SensorsToChannels => {
                "the source is at 0 V and the amplifier muted. Connect every sensor to its channel again, then say so with \
                 calwright confirm"
            }
        }
    }
}

/// What a store receipt is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stored {
    /// A quiet part.
    Quiet(QuietTime),
    /// The first motion.
    FirstMotion,
    /// A dwell or the failure of a point.
    Point,
    /// One voltage in all channels at a frequency.
    RatioTone,
    /// That a person moved a cable.
    Confirmation,
    /// Beginning or end of a pause.
    Pause,
}

/// Which of the two quiet parts of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuietTime {
    /// Before the first motion.
    Before,
    /// After the last.
    After,
}

/// Everything that can happen to a run.
#[derive(Debug, Clone)]
pub enum Input<'a> {
    /// Instruments are open and sampling has begun.
    Started {
        /// True if the source starts a tone from 0 V at phase zero, rising.
        starts_at_zero: bool,
    },
    /// Samples.
    Block(BlockView<'a>),
    /// An action was carried out.
    Replied(Reply, Effective),
    /// An instrument failed.
    Failed {
        /// Which.
        instrument: String,
        /// What happened.
        detail: String,
        /// What follows.
        consequence: Consequence,
    },
    /// An instrument could not be made safe.
    MakeSafeFailed {
        /// Which.
        target: Target,
        /// What happened.
        detail: String,
    },
    /// State of the contacts.
    Contacts {
        /// True while the emergency stop is not pressed.
        emergency_stop_closed: bool,
        /// True for each further input that is closed, by its number; one beyond the end could not be read.
        inputs: Vec<bool>,
    },
    /// State of the amplifier.
    Amplifier {
        /// It reports a fault.
        fault: bool,
        /// It is muted.
        muted: bool,
    },
    /// Ambient conditions.
    Ambient {
        /// Temperature.
        temperature: Celsius,
        /// Relative humidity.
        humidity: Option<Fraction>,
    },
    /// A record is durable.
    Stored(Stored),
    /// A record can't be made durable yet; it is kept and tried again. Its receipt follows when it is.
    StoreWaits(String),
    /// A record could not be made durable.
    StoreFailed(String),
    /// A person wants something.
    Operator(Operator),
    /// A person did what was asked for last.
    Confirmed {
        /// Who.
        name: String,
    },
    /// Time passed.
    Tick,
}

/// Everything a run can ask for, to be carried out in order.
#[derive(Debug, Clone)]
pub enum Action {
    /// Issue a permit up to this drive.
    Grant(Volts<Peak>),
    /// Make every permit stale.
    Withdraw,
    /// Switch the output that warns of motion. The reply to `true` is waited for.
    Warn(bool),
    /// Switch the source's output to the channels in place of the amplifier, or, for a substitution, that of the reference in
    /// place of the sensors; or back. The reply is waited for.
    Route(bool),
    /// Let the drive through.
    Unmute,
    /// Go to a tone.
    SetTone {
        /// Frequency wanted.
        frequency: Hertz,
        /// Amplitude wanted; never more.
        amplitude: Volts<Peak>,
        /// How long the way to it takes.
        over: Seconds,
    },
    /// Bring the source to 0 V.
    SourceOff {
        /// How long the way takes.
        over: Seconds,
    },
    /// Make safe, with proof.
    MakeSafe(Target),
    /// Make a quiet part durable, then send a receipt.
    StoreQuiet(Box<QuietRecord>),
    /// Make the first motion durable, then send a receipt.
    StoreFirstMotion(Box<FirstMotion>),
    /// Make the end of a point durable, then send a receipt.
    StorePoint(Box<PointEnd>),
    /// Make a tone in all channels durable, then send a receipt.
    StoreRatioTone(Box<RatioTone>),
    /// Make durable that a person moved the cable, with the name, then send a receipt.
    StoreConfirmation(Cable, String),
    /// Keep the waveforms around a trip.
    StoreTrip(Box<(Trip, Recent)>),
    /// Tell people and the journal.
    Tell(Event),
    /// The run is over; nothing moves.
    Finish(Outcome),
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All points were run.
    Done,
    /// The interlock tripped.
    Tripped,
    /// An instrument or the store failed.
    Failed,
    /// A person ended it.
    Cancelled,
}

/// What people may want to know while a run goes on.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Sensors and temperature are waited for; as long as foreseen.
    SoakBegins(Seconds),
    /// One voltage goes into all channels, while the armature rests.
    ChannelRatioBegins(QuietTime),
    /// Reference and sensors are exchanged at the sensors' channels, while nothing moves.
    ExchangeBegins(Cable),
    /// A person has to move cables and confirm that.
    Asks(Cable),
    /// A person confirmed that.
    Confirmed(Cable),
    /// A quiet part begins.
    QuietBegins(QuietTime),
    /// The first motion begins, at this frequency.
    FirstMotionBegins(Hertz),
    /// Something was found that does not end the run.
    Noticed(String),
    /// The run pauses at zero drive; why, and what ends it.
    Paused(String),
    /// What the run paused for is over.
    GoesOn,
    /// A point begins (counted from 0).
    PointBegins(usize),
    /// The point that was measured first is looked at once more.
    ClosingBegins(usize),
    /// The amplitude as last seen, on the way to the target.
    Amplitude {
        /// Number of the point from 0.
        point: usize,
        /// What the reference shows.
        amplitude: Accel<Peak>,
        /// What it should show.
        target: Accel<Peak>,
    },
    /// The dwell begins.
    DwellBegins {
        /// Number of the point from 0.
        point: usize,
        /// Frequency as applied.
        frequency: Hertz,
        /// Time from the start of the point.
        settle: Seconds,
    },
    /// A pause for the room begins or ends; it is to be recorded too.
    Pause(Pause),
    /// The interlock tripped.
    Tripped(Trip),
    /// The run winds down.
    Stopping(Outcome),
    /// Something failed that ends the run.
    Failure(String),
}
