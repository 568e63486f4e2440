//! What `check --json` prints: whether a job is feasible, point by point, and what is foreseen of it.

use super::run::PointOrigin;
use calibration::hazard::{Fault, Stop};
use schemars::JsonSchema;
use serde::Serialize;

/// What `check --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckRecord {
    /// Name and version of this format.
    pub schema: CheckSchema,
    /// True if every point can be run.
    pub feasible: bool,
    /// False if at some point the foreseen uncertainty leaves nothing that could pass; null where nothing is judged.
    pub can_pass: Option<bool>,
    /// The points, in the order of the plan.
    pub points: Vec<CheckedPoint>,
    /// Time that the run will take, waits included.
    pub rig_s: f64,
    /// Waits that are foreseen beside the points.
    pub waits: CheckedWaits,
    /// Size of the waveforms, uncompressed.
    pub raw_bytes: u64,
    /// What moves.
    pub payload: CheckedPayload,
    /// Where the armature rests.
    pub rest: CheckedRest,
}

/// The schema of this file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub enum CheckSchema {
    /// The first version.
    #[serde(rename = "calwright.check/1")]
    V1,
}

/// Waits that are foreseen beside the points.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedWaits {
    /// Until sensors and temperature are ready.
    pub soak_s: f64,
    /// One voltage in all channels, or the reference in those of the sensors, without what a person takes to move cables.
    pub channels_s: f64,
    /// Listening at rest, before and after.
    pub quiet_s: f64,
    /// The first motion.
    pub first_motion_s: f64,
    /// The first point again at the end.
    pub closing_s: f64,
    /// What sensors with a high-pass need after each change of tone.
    pub decays_s: f64,
}

/// What moves.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedPayload {
    /// The armature with the reference in it.
    pub armature_kg: f64,
    /// Fixtures.
    pub fixtures_kg: f64,
    /// Sensors and check standards.
    pub sensors_kg: f64,
    /// Their adapters.
    pub adapters_kg: f64,
    /// All of it.
    pub moving_kg: f64,
    /// Largest mass on the table, if the rig file states one.
    pub payload_kg_max: Option<f64>,
    /// Largest moment of a payload beside the axis, if the rig file states one.
    pub eccentric_moment_nm_max: Option<f64>,
}

/// Where the armature rests.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedRest {
    /// "horizontal" or "vertical".
    pub orientation: String,
    /// How far it sags under the payload.
    pub sag_m: f64,
    /// What is allowed for offset, centre error, sag and tilt.
    pub static_allowance_m: f64,
    /// Where the mechanical stop is.
    pub stop_m: f64,
}

/// A limit of shaker or amplifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LimitKind {
    /// Rated stroke.
    Stroke,
    /// Velocity.
    Velocity,
    /// Acceleration.
    Acceleration,
    /// Force.
    Force,
    /// Output of the source.
    Drive,
    /// Current through the coil.
    Current,
    /// Voltage across the coil.
    Voltage,
    /// Moment of a payload beside the axis.
    Moment,
}

/// How much of a limit a point uses.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct CheckedLimit {
    /// Which.
    pub limit: LimitKind,
    /// Share that is used.
    pub used_percent: f64,
}

/// How much of its ranges a transducer uses.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedRange {
    /// Serial number.
    pub serial: String,
    /// Share of its own range, with gravity where it shows that.
    pub of_range_percent: f64,
    /// Share of the range of its channel, with offset, overshoot and harmonics.
    pub of_channel_percent: f64,
}

/// How far the armature goes after a stop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct CheckedCoast {
    /// The stop.
    pub stop: CheckedStop,
    /// Largest displacement from the centre, the static allowance included.
    pub displacement_m_peak: f64,
}

/// A stop of a healthy run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CheckedStop {
    /// The amplifier mutes in the midst of the motion.
    MuteAtOnce,
    /// The source goes to zero over a transition, then the amplifier mutes.
    RampThenMute,
    /// The source goes to zero at once, then the amplifier mutes.
    ZeroThenMute,
}

impl From<Stop> for CheckedStop {
    fn from(stop: Stop) -> Self {
        match stop {
            Stop::MuteAtOnce => Self::MuteAtOnce,
            Stop::RampThenMute => Self::RampThenMute,
            Stop::ZeroThenMute => Self::ZeroThenMute,
        }
    }
}

/// A single fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CheckedFault {
    /// The gain from source to coil jumps threefold.
    GainJump,
    /// The source goes on though told otherwise.
    SourceDeaf,
    /// The source holds its last sample.
    SourceHolds,
    /// The source jumps to a direct voltage of the point's ceiling.
    SourceStep,
    /// The reference goes silent, and the loop raises the drive to its ceiling.
    ReferenceSilent,
}

impl From<Fault> for CheckedFault {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::GainJump => Self::GainJump,
            Fault::SourceDeaf => Self::SourceDeaf,
            Fault::SourceHolds => Self::SourceHolds,
            Fault::SourceStep => Self::SourceStep,
            Fault::ReferenceSilent => Self::ReferenceSilent,
        }
    }
}

/// What is left of time against a single fault, at the phase at which that is least.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct CheckedReserve {
    /// The fault.
    pub fault: CheckedFault,
    /// True if the armature keeps off its stop.
    pub keeps_off: bool,
    /// Longest time until a stop acts that keeps the armature off its stop; null where any time will do.
    pub longest_s: Option<f64>,
    /// The rig's time until a stop acts; null where nothing notices or stops the fault.
    pub reaction_s: Option<f64>,
    /// What is left; null where any time will do, or nothing stops the fault.
    pub reserve_s: Option<f64>,
}

/// The uncertainty that is foreseen for a sensor at a point.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedUncertainty {
    /// Serial number.
    pub serial: String,
    /// Expanded uncertainty of the sensitivity's magnitude.
    pub u_rel_percent: f64,
    /// Expanded uncertainty of the deviation that is judged; null where none is.
    pub u_deviation_percent: Option<f64>,
    /// What the deviation is judged against; null where there is no tolerance.
    pub tolerance_percent: Option<f64>,
    /// False where no deviation could pass; null where nothing is judged.
    pub can_pass: Option<bool>,
    /// The three components that contribute most.
    pub parts: Vec<CheckedPart>,
}

/// A component of a budget.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedPart {
    /// What it is called.
    pub name: String,
    /// Its standard uncertainty.
    pub standard_percent: f64,
    /// Its share of the variance.
    pub share_percent: f64,
}

/// What is foreseen for a point.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedPoint {
    /// Where it is written.
    pub origin: PointOrigin,
    /// Frequency.
    pub frequency_hz: f64,
    /// Acceleration.
    pub acceleration_mps2_peak: f64,
    /// Where the largest amplitude is asked for: that up to which it may go.
    pub wanted_mps2_peak: Option<f64>,
    /// Where it is less: what stands in the way of more.
    pub limited_by: Option<String>,
    /// Displacement of the fundamental.
    pub displacement_m_peak: f64,
    /// Velocity.
    pub velocity_mps_peak: f64,
    /// Force of the coil.
    pub force_n_peak: f64,
    /// Current of the coil.
    pub current_a_peak: f64,
    /// Output of the source.
    pub drive_v_peak: f64,
    /// Moment of a payload beside the axis, by its weight and its acceleration; null where the files do not say where on the
    /// table everything stands.
    pub eccentric_moment_nm_peak: Option<f64>,
    /// Stroke that the loop stays under.
    pub stroke_ceiling_m_peak: f64,
    /// How much of each limit is used; the first is the one that binds.
    pub limits: Vec<CheckedLimit>,
    /// How much of their ranges reference, sensors and check standards use.
    pub ranges: Vec<CheckedRange>,
    /// How far the armature goes after each stop of a healthy run.
    pub coasts: Vec<CheckedCoast>,
    /// What is left of time against each single fault; the first is the worst.
    pub reserves: Vec<CheckedReserve>,
    /// Largest expanded uncertainty foreseen over the sensors.
    pub u_rel_percent: Option<f64>,
    /// What is foreseen for each sensor that takes the point.
    pub uncertainties: Vec<CheckedUncertainty>,
    /// Cycles that are likely to be measured, each time.
    pub foreseen_cycles: u64,
    /// Time for settling and measuring.
    pub rig_s: f64,
    /// Why it can't be run; empty where it can.
    pub obstacles: Vec<String>,
    /// What would be an obstacle, were it not for a limiter or a waiver.
    pub warnings: Vec<String>,
    /// Largest acceleration that the obstacles leave; null where there are none.
    pub acceleration_mps2_peak_max: Option<f64>,
}
