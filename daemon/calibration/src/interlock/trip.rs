//! Why an interlock trips.

use plan_schema::units::SampleIndex;

macro_rules! reasons {
    ($($(#[doc = $doc:literal])* $variant:ident = $word:literal),* $(,)?) => {
        /// Why the interlock tripped.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum TripReason { $($(#[doc = $doc])* $variant),* }

        impl TripReason {
            /// All reasons.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The word in records.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }
        }
    };
}

reasons! {
    /// A drive beyond the ceiling was asked for.
    DriveLimit = "drive_limit",
    /// The armature went beyond the trip stroke.
    StrokeLimit = "stroke_limit",
    /// It was faster than allowed.
    VelocityLimit = "velocity_limit",
    /// It was accelerated more than allowed.
    AccelerationLimit = "acceleration_limit",
    /// The coil's current was too large.
    CurrentLimit = "current_limit",
    /// The coil is too hot.
    CoilTemperature = "coil_temperature",
    /// A channel was driven beyond its range.
    Overload = "overload",
    /// The amplifier reports a fault.
    AmplifierFault = "amplifier_fault",
    /// The source did not follow a command.
    SourceNotFollowing = "source_not_following",
    /// The emergency stop is pressed or can't be read.
    EmergencyStop = "emergency_stop",
    /// The reference is not connected.
    ReferenceOpen = "reference_open",
    /// The reference does not move with the drive.
    ReferenceStuck = "reference_stuck",
    /// The reference has the wrong sign.
    ReferenceReversed = "reference_reversed",
    /// Channels that should agree do not.
    ChannelsDisagree = "channels_disagree",
    /// Blocks are late or samples are missing.
    BlocksMissing = "blocks_missing",
    /// An instrument was lost.
    DriverLost = "driver_lost",
    /// An instrument could not be made safe.
    MakeSafeFailed = "make_safe_failed",
    /// The program was restarted while the armature may have been moving.
    RestartWhileMoving = "restart_while_moving",
    /// A permissive opened.
    PermissiveLost = "permissive_lost",
    /// The source puts out a direct voltage.
    SourceDc = "source_dc",
    /// A mistake in the program.
    ProgramError = "program_error",
}

/// A trip: its reason and what was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Trip {
    /// Why.
    pub reason: TripReason,
    /// First sample beyond the limit, for causes in the signal.
    pub at_sample: Option<SampleIndex>,
    /// Instrument in question.
    pub instrument: Option<String>,
    /// Channel in question.
    pub channel: Option<String>,
    /// What was seen.
    pub value: Option<f64>,
    /// What would have been allowed.
    pub limit: Option<f64>,
    /// Unit of both, by the suffixes of the record ("m", "mps2", "v", "s").
    pub unit: Option<&'static str>,
    /// For people: what, probable cause, next move.
    pub message: String,
}

impl Trip {
    /// A trip that has no figure.
    #[must_use]
    pub fn plain(reason: TripReason, message: impl Into<String>) -> Self {
        Self {
            reason,
            at_sample: None,
            instrument: None,
            channel: None,
            value: None,
            limit: None,
            unit: None,
            message: message.into(),
        }
    }

    /// A trip at a figure beyond its limit.
    #[must_use]
    pub fn beyond(
        reason: TripReason,
        value: f64,
        limit: f64,
        unit: &'static str,
        message: impl Into<String>,
    ) -> Self {
        Self { value: Some(value), limit: Some(limit), unit: Some(unit), ..Self::plain(reason, message) }
    }
}
