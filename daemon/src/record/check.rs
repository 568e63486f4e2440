//! What `check --json` prints: whether a job is feasible, point by point.

use schemars::JsonSchema;
use serde::Serialize;

/// What `check --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckRecord {
    /// Name and version of this format.
    pub schema: CheckSchema,
    /// True if every point can be run.
    pub feasible: bool,
    /// The points, in the order of the plan.
    pub points: Vec<CheckedPoint>,
    /// Time that the run will take, waits included.
    pub rig_s: f64,
    /// Waits that are foreseen beside the points.
    pub waits: CheckedWaits,
    /// Size of the waveforms, uncompressed.
    pub raw_bytes: u64,
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
    /// Listening at rest, before and after.
    pub quiet_s: f64,
    /// The first motion.
    pub first_motion_s: f64,
    /// The first point again at the end.
    pub closing_s: f64,
    /// What sensors with a high-pass need after each change of tone.
    pub decays_s: f64,
}

/// What is foreseen for a point.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckedPoint {
    /// Frequency.
    pub frequency_hz: f64,
    /// Acceleration.
    pub acceleration_mps2_peak: f64,
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
    /// Stroke that the loop stays under.
    pub stroke_ceiling_m_peak: f64,
    /// Largest expanded uncertainty foreseen over the sensors, without the scatter that only the run shows.
    pub u_rel_percent: Option<f64>,
    /// Time for settling and measuring.
    pub rig_s: f64,
    /// Why it can't be run; empty where it can.
    pub obstacles: Vec<String>,
    /// Largest acceleration that the obstacles leave; null where there are none.
    pub acceleration_mps2_peak_max: Option<f64>,
}
