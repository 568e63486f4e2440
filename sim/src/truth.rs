//! What the simulated rig knows and a real one never tells.

use plan_schema::faults::FaultKind;
use plan_schema::units::{
    Amperes, Celsius, Displacement, Hertz, Peak, Radians, Seconds, Sensitivity, Velocity, Volts,
};

/// The truth about a run on the simulated rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The sensors, in the order of the job.
    pub sensors: Vec<SensorTruth>,
    /// Largest instantaneous displacement of the armature from the middle between its stops.
    pub displacement_max: Displacement<Peak>,
    /// The same point by point, in the order of the plan: from when [`SimulatedRig::progress`](crate::SimulatedRig::progress)
    /// first named the point until it named another one, so the way from the point before counts. Zero for a point that
    /// was never begun; the largest where a point was begun several times.
    pub displacement_by_point: Vec<Displacement<Peak>>,
    /// Contacts of the armature with a stop; one contact counts once, however long it lasts.
    pub stop_hits: u32,
    /// Simulated time since the start at which it first touched one, to the next sample.
    pub first_stop_hit: Option<Seconds>,
    /// Largest speed at such a contact; zero without any.
    pub stop_hit_speed_max: Velocity<Peak>,
    /// Speeds of the first contacts, in the order of time; at most a hundred.
    pub stop_hit_speeds: Vec<Velocity<Peak>>,
    /// Largest current through the coil at any sample.
    pub current_max: Amperes<Peak>,
    /// Highest temperature of the coil; that of the room now, where the rig file says nothing of its heat.
    pub coil_temperature_max: Celsius,
    /// Faults that struck, in the order of time.
    pub faults_struck: Vec<FaultStruck>,
    /// Amplitude at the output of the source now.
    pub final_drive: Volts<Peak>,
    /// Whether the coil is kept from the drive now.
    pub muted: bool,
    /// Whether the output that warns is on now.
    pub warning: bool,
}

/// The truth about a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorTruth {
    /// Serial number.
    pub serial: String,
    /// One for each point of the plan, in its order.
    pub points: Vec<PointTruth>,
}

/// A sensor's true response at a point, at the temperature at which the point was measured last (or now, if never).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointTruth {
    /// Frequency of the plan.
    pub frequency: Hertz,
    /// Magnitude of the sensitivity.
    pub sensitivity: Sensitivity,
    /// Phase of the output less the phase of the acceleration, lag negative, over −π up to π.
    pub phase: Radians,
}

/// A fault that struck.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultStruck {
    /// What struck.
    pub kind: FaultKind,
    /// Simulated time since the start.
    pub at: Seconds,
    /// Whether the armature was moving: driven, or faster than 0.1 mm/s.
    pub moving: bool,
}
