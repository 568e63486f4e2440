//! The vocabularies of the records: each word that a field may hold, and nothing else.
//!
//! Owns the words as they stand in JSON, CSV and XML. Must not hold text for people: labels in a language
//! live with the certificate's messages. A word once published keeps its spelling and its meaning.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Defines an enum whose variants are words; the word stands once, beside its variant.
macro_rules! vocabulary {
    ($(#[$about:meta])* $name:ident { $($(#[$what:meta])* $variant:ident = $word:literal,)+ }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        pub enum $name {
            $($(#[$what])* #[serde(rename = $word)] $variant,)+
        }

        impl $name {
            /// Every word of this vocabulary, in the order of the contract.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The word as records spell it.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.word())
            }
        }
    };
}
pub(crate) use vocabulary;

vocabulary! {
    /// How far a result has come on its way to a certificate.
    State {
        /// Computed, approved by nobody yet.
        Draft = "draft",
        /// Approved and issued.
        Released = "released",
        /// Issued in place of an earlier certificate.
        Amended = "amended",
    }
}

vocabulary! {
    /// How a run ended.
    Outcome {
        /// Every point was taken up; some may be rejected.
        Done = "done",
        /// An interlock tripped.
        Tripped = "tripped",
        /// An instrument or the program failed without danger.
        Failed = "failed",
        /// A person ended the run.
        Cancelled = "cancelled",
        /// The run was cut off: power, crash, lost station.
        Interrupted = "interrupted",
    }
}

vocabulary! {
    /// How sensors and reference shared the shaker.
    Method {
        /// One sensor against the reference.
        Single = "single",
        /// Several sensors against the reference at once.
        Multi = "multi",
        /// Sensor and reference one after the other through the same channel.
        Substitution = "substitution",
    }
}

vocabulary! {
    /// Judgement of a value against its tolerance, under the decision rule of the plan.
    Decision {
        /// Inside the acceptance limits.
        Pass = "pass",
        /// Inside the tolerance, but within the guard band.
        ConditionalPass = "conditional_pass",
        /// Outside the tolerance, but within the guard band.
        ConditionalFail = "conditional_fail",
        /// Outside tolerance and guard band.
        Fail = "fail",
        /// Not judged: no tolerance was given, or there is no valid value.
        None = "none",
    }
}

vocabulary! {
    /// What became of a point.
    PointStatus {
        /// Measured, and nothing spoke against it.
        Accepted = "accepted",
        /// Measured, but a finding makes the value unfit for a certificate.
        Rejected = "rejected",
        /// The run ended before it, or no safe drive reached its amplitude.
        NotReached = "not_reached",
        /// This sensor alone does not take it: out of its band or range.
        Skipped = "skipped",
        /// A person took it out of a release, with a reason.
        Excluded = "excluded",
    }
}

vocabulary! {
    /// What is measured beside the sensors to see whether the rig still measures right.
    WitnessRole {
        /// A sensor that the laboratory keeps and knows.
        CheckStandard = "check_standard",
        /// A second calibrated reference in the rig.
        SecondReference = "second_reference",
    }
}

vocabulary! {
    /// What was noticed about a point.
    FindingKind {
        /// The amplitude did not settle within the allowed time.
        NotSettled = "not_settled",
        /// A waveform reached the end of its range and is flat there.
        Clipped = "clipped",
        /// The instrument reported an overload.
        Overload = "overload",
        /// Too little signal above the noise.
        Noise = "noise",
        /// The motion is too far from a sine.
        Distortion = "distortion",
        /// Mains frequency or its multiples in the signal.
        Hum = "hum",
        /// What the fitted model leaves over is too large.
        Residual = "residual",
        /// No sensor seems to be connected.
        SensorOpen = "sensor_open",
        /// The output has the sign opposite to the sensor's arrow.
        Polarity = "polarity",
        /// The value is so far from the register's that another sensor may be mounted.
        RegisterMismatch = "register_mismatch",
        /// Repeats of the point differ by more than allowed.
        RepeatDisagrees = "repeat_disagrees",
        /// The set-up changed during the run: the first point measured again differs.
        SetupDrift = "setup_drift",
        /// Temperature or humidity outside the plan's limits.
        AmbientOut = "ambient_out",
        /// The reference was not measured through the sensor's channel, or it can't be told that it was.
        NotSubstituted = "not_substituted",
    }
}

vocabulary! {
    /// Why an interlock withdrew leave to drive.
    TripReason {
        /// The drive reached its ceiling.
        DriveLimit = "drive_limit",
        /// Displacement reached its trip limit.
        StrokeLimit = "stroke_limit",
        /// Velocity reached its trip limit.
        VelocityLimit = "velocity_limit",
        /// Acceleration reached its trip limit.
        AccelerationLimit = "acceleration_limit",
        /// Coil current reached its trip limit.
        CurrentLimit = "current_limit",
        /// The coil is too hot, measured or by model.
        CoilTemperature = "coil_temperature",
        /// An input that the interlock depends on is overloaded.
        Overload = "overload",
        /// The amplifier reported a fault.
        AmplifierFault = "amplifier_fault",
        /// The source's output is not what was set.
        SourceNotFollowing = "source_not_following",
        /// The emergency stop was pressed, or could not be read.
        EmergencyStop = "emergency_stop",
        /// The reference's cable or sensor is open.
        ReferenceOpen = "reference_open",
        /// The reference does not answer the drive any more.
        ReferenceStuck = "reference_stuck",
        /// The reference has the wrong sign.
        ReferenceReversed = "reference_reversed",
        /// Two channels that see the same motion disagree.
        ChannelsDisagree = "channels_disagree",
        /// Sample blocks stayed away.
        BlocksMissing = "blocks_missing",
        /// The link to an instrument or its driver was lost.
        DriverLost = "driver_lost",
        /// An instrument could not be made safe, or could not prove it.
        MakeSafeFailed = "make_safe_failed",
        /// The program started while the latch said 'may be moving'.
        RestartWhileMoving = "restart_while_moving",
        /// A permissive contact opened.
        PermissiveLost = "permissive_lost",
        /// The source puts out a direct voltage.
        SourceDc = "source_dc",
        /// A defect of the program.
        ProgramError = "program_error",
    }
}

vocabulary! {
    /// Sign of a sensor's output against the arrow on its housing.
    Polarity {
        /// Positive output for acceleration along the arrow.
        Normal = "normal",
        /// Negative output for acceleration along the arrow.
        Reversed = "reversed",
    }
}

vocabulary! {
    /// SI unit of a sensitivity, by the kind of the sensor's output.
    SensitivityUnit {
        /// Voltage output.
        VoltPerMps2 = "V/(m/s²)",
        /// Charge output.
        CoulombPerMps2 = "C/(m/s²)",
        /// Bridge output, in relation to its excitation.
        VoltPerVoltPerMps2 = "(V/V)/(m/s²)",
    }
}

vocabulary! {
    /// What the fault script of a dry run did to the simulated rig.
    FaultKind {
        /// The reference's cable opened.
        ReferenceOpen = "reference_open",
        /// A sensor's cable opened.
        SensorOpen = "sensor_open",
        /// A gain changed at once.
        GainJump = "gain_jump",
        /// The amplifier tripped.
        AmplifierTrip = "amplifier_trip",
        /// The source stopped to obey.
        SourceDeaf = "source_deaf",
        /// The acquisition stopped to deliver.
        AcquisitionStall = "acquisition_stall",
        /// An input was overloaded.
        Overload = "overload",
        /// A sensor's output was clipped.
        SensorClipped = "sensor_clipped",
        /// A sensor's mount came loose.
        LooseMount = "loose_mount",
        /// Mains hum was added.
        Hum = "hum",
        /// The reference's sign was turned.
        ReferenceReversed = "reference_reversed",
        /// The coil heated beyond its limit.
        CoilOverheating = "coil_overheating",
        /// The emergency stop was pressed.
        EmergencyStop = "emergency_stop",
        /// The source kept its last output.
        SourceHoldsLast = "source_holds_last",
        /// A gain drifted slowly.
        SlowDrift = "slow_drift",
        /// A cable made contact only now and then.
        CableIntermittent = "cable_intermittent",
        /// A permissive was withdrawn.
        PermissiveOpens = "permissive_opens",
        /// The air of the room became warmer or cooler.
        AmbientExcursion = "ambient_excursion",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_round_trip_and_say_the_same_everywhere() {
        for &reason in TripReason::ALL {
            let json = serde_json::to_string(&reason).unwrap();
            assert_eq!(json, format!("\"{reason}\""));
            assert_eq!(serde_json::from_str::<TripReason>(&json).unwrap(), reason);
        }
    }

    #[test]
    fn unknown_words_are_refused() {
        assert!(serde_json::from_str::<Decision>("\"passed\"").is_err());
        assert!(serde_json::from_str::<SensitivityUnit>("\"mV/g\"").is_err());
    }

    /// The lists below are copied from the contract by hand: a word changed here must fail.
    #[test]
    fn vocabularies_are_those_of_the_contract() {
        fn list<T: std::fmt::Display>(words: &[T]) -> String {
            words.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
        }
        assert_eq!(list(Decision::ALL), "pass, conditional_pass, conditional_fail, fail, none");
        assert_eq!(list(Outcome::ALL), "done, tripped, failed, cancelled, interrupted");
        assert_eq!(list(State::ALL), "draft, released, amended");
        assert_eq!(list(PointStatus::ALL), "accepted, rejected, not_reached, skipped, excluded");
        assert_eq!(list(WitnessRole::ALL), "check_standard, second_reference");
        assert_eq!(list(Method::ALL), "single, multi, substitution");
        assert_eq!(list(SensitivityUnit::ALL), "V/(m/s²), C/(m/s²), (V/V)/(m/s²)");
        assert_eq!(
            list(FindingKind::ALL),
            "not_settled, clipped, overload, noise, distortion, hum, residual, sensor_open, polarity, \
             register_mismatch, repeat_disagrees, setup_drift, ambient_out, \
             not_substituted"
        );
        assert_eq!(
            list(TripReason::ALL),
            "drive_limit, stroke_limit, velocity_limit, acceleration_limit, current_limit, coil_temperature, \
             overload, amplifier_fault, source_not_following, emergency_stop, reference_open, reference_stuck, \
             reference_reversed, channels_disagree, blocks_missing, driver_lost, make_safe_failed, \
             restart_while_moving, permissive_lost, source_dc, program_error"
        );
        assert_eq!(
            list(FaultKind::ALL),
            "reference_open, sensor_open, gain_jump, amplifier_trip, source_deaf, acquisition_stall, overload, \
             sensor_clipped, loose_mount, hum, reference_reversed, coil_overheating, emergency_stop, \
             source_holds_last, slow_drift, cable_intermittent, permissive_opens, ambient_excursion"
        );
    }
}
