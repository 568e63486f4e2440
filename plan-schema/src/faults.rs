//! Faults that a dry run is given: what strikes, when, and how hard.

mod size;
#[cfg(test)]
mod tests;

pub use size::{SizeError, SizedFault};

use crate::plan::Format;
use crate::read::{Node, Notes, Written};
use crate::units::Seconds;
use crate::{written_table, written_words};
use serde_json::json;
use toml::de::DeValue;

written_table! {
    /// Faults for a dry run.
    pub struct Faults file "faults" {
        /// Format of the file; 1.
        pub format: Format,
        /// The faults.
        pub faults key "fault": Vec<Fault> = Vec::new(),
    }
}

written_words! {
    /// What strikes.
    pub enum FaultKind {
        /// The reference's cable opens.
        ReferenceOpen = "reference_open",
        /// A sensor's cable opens.
        SensorOpen = "sensor_open",
        /// The gain from source to coil jumps by the share `value`; "200 %" makes it threefold.
        GainJump = "gain_jump",
        /// The amplifier trips of its own accord and mutes.
        AmplifierTrip = "amplifier_trip",
        /// The source answers but does not follow.
        SourceDeaf = "source_deaf",
        /// The acquisition gives no blocks.
        AcquisitionStall = "acquisition_stall",
        /// A channel is driven beyond its range and says so.
        Overload = "overload",
        /// A sensor clips at `value` (V pk) about what it shows at rest, without saying so.
        SensorClipped = "sensor_clipped",
        /// A sensor sits loose: `value` is the share of its motion at 1 g pk that is rattle, by default 5 %.
        LooseMount = "loose_mount",
        /// Mains hum of `value` on a channel, by default 50 mV pk.
        Hum = "hum",
        /// The reference's polarity is reversed.
        ReferenceReversed = "reference_reversed",
        /// The coil is heated so that it settles `value` above its limit, by default 20 K.
        CoilOverheating = "coil_overheating",
        /// The emergency stop is pressed.
        EmergencyStop = "emergency_stop",
        /// The source answers, but its output stops at the value that it has.
        SourceHoldsLast = "source_holds_last",
        /// The sensitivity of a channel drifts by the share `value` in an hour, by default 0.5 %.
        SlowDrift = "slow_drift",
        /// A cable makes contact on and off; `value` is the share of time in which it is open, by default 50 %.
        CableIntermittent = "cable_intermittent",
        /// The contact of a permissive no longer permits; `channel` is the permissive's name.
        PermissiveOpens = "permissive_opens",
        /// The air of the room is `value` warmer, by default 10 K, or cooler.
        AmbientExcursion = "ambient_excursion",
    }
}

written_words! {
    /// Part of a point.
    pub enum PointPhase {
        /// On the way to the amplitude.
        Settle = "settle",
        /// While it is measured.
        Dwell = "dwell",
    }
}

written_table! {
    /// A moment within a point.
    pub struct PointMoment {
        /// Number of the point in the plan, from 1.
        pub point: u32,
        /// Which part of it.
        pub phase: PointPhase,
        /// Cycles after the start of that part.
        pub after_cycles: u32 = 0,
    }
}

/// When a fault strikes: "12.5 s" after the start, or a moment within a point.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(untagged)]
pub enum Moment {
    /// Time since the start of the acquisition.
    Time(Seconds),
    /// Within a point.
    Point(PointMoment),
}

impl Written for Moment {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match node.value {
            DeValue::Table(_) => PointMoment::read(node, notes).map(Self::Point),
            _ => Seconds::read(node, notes).map(Self::Time),
        }
    }

    fn schema() -> serde_json::Value {
        json!({
            "description": "A time since the start, or a moment within a point.",
            "oneOf": [Seconds::schema(), PointMoment::schema()],
            "examples": ["12.5 s", { "point": 3, "phase": "settle", "after_cycles": 2 }],
        })
    }
}

/// How large a fault is: a text with its unit; what it means depends on the kind.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(transparent)]
pub struct Size(pub String);

impl Written for Size {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        String::read(node, notes).map(Self)
    }
    fn schema() -> serde_json::Value {
        json!({
            "type": "string",
            "description": "Written with its unit; which one depends on the kind.",
            "examples": ["200 %", "50 mV pk", "20 K"],
        })
    }
}

written_table! {
    /// One fault.
    pub struct Fault {
        /// What strikes.
        pub kind: FaultKind,
        /// When it strikes: time since the start of the acquisition, or a moment within a point.
        pub at: Moment,
        /// On which channel, for kinds that concern one; for a permissive its name.
        pub channel: Option<String>,
        /// How hard, for kinds that have a size.
        pub value: Option<Size>,
        /// For how long, after which all is as before (but a drift stays where it got to); without it until the end.
        pub lasts: Option<Seconds>,
    }
}

impl Fault {
    /// Kinds that need a channel.
    #[must_use]
    pub fn needs_channel(kind: FaultKind) -> bool {
        Self::needs_sensor(kind)
            || matches!(
                kind,
                FaultKind::Overload | FaultKind::Hum | FaultKind::SlowDrift | FaultKind::CableIntermittent
            )
    }

    /// Kinds that need the name of a permissive where others have a channel.
    #[must_use]
    pub fn needs_permissive(kind: FaultKind) -> bool {
        kind == FaultKind::PermissiveOpens
    }

    /// Kinds that need the channel of a sensor: the reference's will not do.
    #[must_use]
    pub fn needs_sensor(kind: FaultKind) -> bool {
        matches!(kind, FaultKind::SensorOpen | FaultKind::SensorClipped | FaultKind::LooseMount)
    }
}
